"""A process of its own for a robot in Python or a co-simulation unit: it can hang, leave or crash by itself.

It speaks the lines of ``lines`` over a pair of sockets. What it prints goes to our standard error.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
from typing import Any

from emulator.loop.host import die_with_parent
from emulator.stages.own_robot.lines import (
    Hello,
    Lines,
    LineSpeaker,
    answer_from,
    answer_lines,
    failed_lines,
    moment_of,
    start_of,
    with_status,
)
from emulator.stages.own_robot.protocol import (
    BEGIN_LIMIT_S,
    NOTHING,
    RobotFailed,
    Speaker,
    raised,
)


class OwnProcess(LineSpeaker):
    """The process and the robot in it.

    job      what ``_made`` makes there
    limit_s  for a step; None: as long as it likes
    Raises RobotFailed if it can't be made.
    """

    def __init__(self, job: dict[str, Any], limit_s: float | None) -> None:
        ours, theirs = socket.socketpair()
        with theirs:
            fd = theirs.fileno()
            process = subprocess.Popen(
                [sys.executable, "-m", "emulator.stages.own_robot.own_process", str(fd), json.dumps(job)],
                pass_fds=[fd],
                stdout=sys.stderr.fileno() if _has_descriptor(sys.stderr) else subprocess.DEVNULL,
            )
        first = Lines(ours, None if limit_s is None else max(limit_s, BEGIN_LIMIT_S))
        try:
            said = first.message("hello", "done", when="to be made")
            answer_from(said[:-1])
            hello = Hello(said[-1])
        except RobotFailed as error:
            failed = with_status(error, process)
            ours.close()
            _end(process)
            raise failed from None
        super().__init__(Lines(ours, limit_s), hello, job.get("lag_periods", 0), process)
        self._socket, self._child = ours, process

    def close(self) -> None:
        """End the process: it has a moment to leave by itself. Safe to call twice."""
        self._socket.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._child.wait(2.0)
        _end(self._child)


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.kill()
    process.wait()


def _has_descriptor(stream: Any) -> bool:
    try:
        stream.fileno()
    except (AttributeError, OSError, ValueError):
        return False
    return True


# ---- in the process --------------------------------------------------------------------------------------


def _made(job: dict[str, Any]) -> Speaker:
    if job["kind"] == "fmi":
        from emulator.stages.own_robot.fmi_unit import FmiUnit

        return FmiUnit(job["file"], job["inputs"], job["outputs"], job["notes"])
    from emulator.stages.own_robot.python_class import PythonClass

    return PythonClass(job["file"], job["name"])


def _serve(lines: Lines, job: dict[str, Any]) -> None:
    robot: Speaker | None = None
    try:
        robot = _made(job)
        lines.say(f"hello 1 - {robot.wants} {_word(robot.version)} {_line(robot.name) or '-'}\n")
        while True:
            said = lines.message("begin", "act", "end")
            if said[-1].startswith("end"):
                robot.end(said[-1][4:])
                return
            if said[-1] == "begin":
                robot.begin(start_of(said))
                lines.say(answer_lines(NOTHING))
            else:
                lines.say(answer_lines(robot.act(moment_of(said))))
    except RobotFailed as error:
        if error.how == "left":  # we have: nobody waits for an answer
            return
        with contextlib.suppress(RobotFailed):
            lines.say(failed_lines(error))
    except Exception as error:  # ours or a library's: it is told as well
        with contextlib.suppress(RobotFailed):
            lines.say(failed_lines(raised("its process", error)))


def _word(text: str) -> str:
    return "_".join(text.split()) or "-"


def _line(text: str) -> str:
    return " ".join(text.split())


if __name__ == "__main__":
    die_with_parent(
        os.getppid(), signal.SIGKILL
    )  # one that hangs would not see that nobody is there any more
    if not sys.stdin or not sys.stdin.isatty():
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the ride is stopped by who started it
    connection = socket.socket(fileno=int(sys.argv[1]))
    os.set_inheritable(connection.fileno(), False)
    _serve(Lines(connection, None), json.loads(sys.argv[2]))
