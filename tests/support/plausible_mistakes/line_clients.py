"""Mistakes in a program at the emulator's socket: ``robots/mine.py``, which ``rigs/mine.yaml`` starts."""

from tests.support.plausible_mistakes.mistake import RIDE, Mistake

CLIENT = """\
import socket
import sys

host, port = sys.argv[1].split(":")
connection = socket.create_connection((host, int(port)))


def say(text):
    connection.sendall(text.encode())


say("hello 1 - values 1 mine\\n")
for line in connection.makefile("r"):
    if line == "begin\\n":
        say("done\\n")
    elif line.startswith("act"):
        say("value gear_request 1\\nvalue steering_torque_Nm 0\\nvalue throttle 0.1\\ndone\\n")
    elif line.startswith("end"):
        break
"""
RIG = """\
based_on: own_robot.yaml
name: mine
device_under_test:
  virtual:
    kind: socket
    command: [python3, ../robots/mine.py]
    step_limit_s: 0.5
"""


def m(did: str, old: str, new: str, *says: str, at: str) -> Mistake:
    return Mistake(did, RIDE, {"robots/mine.py": (old, new)}, at, says)


LINE_CLIENTS = [
    m(
        "introduced itself by its name alone",
        "hello 1 - values 1 mine",
        "hello mine",
        "hello 1 INTERFACE values|frames|both|packed VERSION NAME",
        at="'hello mine'",
    ),
    m("answered begin by ok", 'say("done', 'say("ok', *("expected", "done"), at="'ok'"),
    m("wrote a decimal comma", "throttle 0.1", "throttle 0,1", "decimal point", at="'value throttle 0,1'"),
    m(
        "wrote an equals sign",
        "value throttle 0.1",
        "value throttle=0.1",
        "value NAME NUMBER",
        at="'value throttle=0.1'",
    ),
    m(
        "wrote 0x before an identifier",
        "value throttle 0.1",
        "frame 0x080 3132333435363738",
        *("three digits", "eight"),
        at="'frame 0x080 3132333435363738'",
    ),
    m(
        "wrote blanks between bytes",
        "value throttle 0.1",
        "frame 080 31 32 33 34 35 36 37 38",
        "frame ID HEX",
        at="'frame 080 31 32 33 34 35 36 37 38'",
    ),
    m("forgot to end the line", "0.1\\ndone\\n", "0.1\\ndone", *("end of its line", "flush"), at="'done'"),
    m("said done twice", "0.1\\ndone\\n", "0.1\\ndone\\ndone\\n", "once", at="done"),
    Mistake(
        "did not build its program",
        RIDE,
        {
            "rigs/mine.yaml": (
                "command: [python3, ../robots/mine.py]",
                "command: [^../robots/not_built]",
            )
        },
        "",
        ("robots/not_built", "build it", "relative to this file"),
    ),
    m(
        "was written for another bench",
        "hello 1 - values",
        "hello 1 0123abcd values",
        *("refused", "0123abcd", "emulator interface"),
        at="mine",
    ),
]
