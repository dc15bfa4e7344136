"""Mistakes in a rig that names a robot of one's own; ``rigs/mine.yaml`` is a copy of ``own_robot.yaml``."""

from tests.support.plausible_mistakes.mistake import CHECK, RIDE, Mistake

MINE = "rigs/mine.yaml"
_VIRTUAL = """\
    kind: python # also: socket, fmi
    file: ../robots/plain_rider.py
    name: PlainRider
"""
_FMI = "    kind: fmi\n    file: ../robots/rider.fmu\n    inputs: {%s}\n    outputs: {%s}\n"


def m(did: str, old: str, new: str, *says: str, typed: str = CHECK, at: str = "") -> Mistake:
    return Mistake(did, typed, {MINE: (old, new)}, at, says)


RIGS = [
    m(
        "wrote the kind of software in capitals",
        "kind: python #",
        "kind: ^Python #",
        *("python, socket, fmi", "did you mean 'python'?"),
    ),
    m("left out the class", "    name: PlainRider\n", "", "missing key 'name'", at=f"{MINE}:8:"),
    m(
        "wrote the file's path from the folder where the command is typed",
        "file: ../robots/plain_rider.py",
        "file: ^robots/plain_rider.py",
        *("no such file", "relative to this file"),
    ),
    m(
        "misspelt the class",
        "name: PlainRider",
        "name: ^PlainRidr",
        *("one of PlainRider", "did you mean 'PlainRider'?"),
    ),
    m(
        "named the C file as a Python one",
        "file: ../robots/plain_rider.py",
        "file: ^../robots/plain_rider.c",
        *("expected a Python file", "socket"),
    ),
    m(
        "gave the rate in Hz where the period belongs",
        "    compute_ms: 1.0",
        "    period_ms: ^500\n    compute_ms: 1.0",
        *("from 1 to 100 ms", "got 500"),
    ),
    m(
        "gave a period between two ticks",
        "    compute_ms: 1.0",
        "    period_ms: ^2.5\n    compute_ms: 1.0",
        *("whole number", "got 2.5"),
    ),
    m(
        "wrote the command as one text",
        _VIRTUAL,
        "    kind: socket\n    command: ^python ../robots/line_client.py\n",
        *("a list", "[python, ../robots/line_client.py]"),
    ),
    m(
        "gave a port and the path of a socket",
        _VIRTUAL,
        "    kind: socket\n    port: 5555\n    path: ^robot.sock\n",
        "either port or path",
    ),
    m(
        "mapped an input of a unit the wrong way round",
        _VIRTUAL,
        _FMI % ("rate_x_rad_s: ^gyro_x", "out: throttle"),
        *("'gyro_x'", "variable: value"),
    ),
    m(
        "mapped an output of a unit to a value that the bench sends",
        _VIRTUAL,
        _FMI % ("gyro_x: rate_x_rad_s", "out: ^wheel_front_m_s"),
        *("'wheel_front_m_s'", "throttle"),
    ),
    m(
        "put the software beside device_under_test instead of into it",
        "device_under_test:\n  kind: external # on the bench it joins the bus\n  virtual:\n",
        "device_under_test:\n  kind: external # on the bench it joins the bus\n^virtual:\n",
        *("unknown key", "device_under_test.virtual"),
    ),
    Mistake(
        "rides virtually with a robot that is only on the bench",
        RIDE,
        {MINE: "based_on: loopback.yaml\nname: mine\ndevice_under_test: {kind: ^external}\n"},
        "",
        ("device_under_test.virtual", "--robot FILE:CLASS", "kind: reference"),
    ),
    m(
        "gave the period of a signal, not of a frame",
        "  kind: external # on the bench it joins the bus\n",
        "  kind: external\n  periods_ms: {^throttle: 10}\n",
        *("throttle", "known keys: steering, drive, gear"),
    ),
]
