"""A process of its own for a robot in Python or a co-simulation unit: it can hang, leave or crash by itself.

It speaks by ``packets`` over a pair of sockets. What it prints goes to our standard error.
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
from emulator.stages.own_robot.at_socket.connection import with_status
from emulator.stages.own_robot.packets import Packets, failed, moment_of, of_moment
from emulator.stages.own_robot.protocol import (
    BEGIN_LIMIT_S,
    NOTHING,
    Answer,
    Moment,
    RobotFailed,
    Speaker,
    Start,
    Wants,
    raised,
)


class OwnProcess:
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
        self._packets, self._process, self._hangs = Packets(ours, limit_s), process, False
        try:
            hello = self._packets.heard("to be made", BEGIN_LIMIT_S)
        except RobotFailed as error:
            told = with_status(error, process)
            self._packets.close()
            _end(process)
            raise told from None
        self.wants: Wants
        self.name, self.version, self.wants = hello
        self.lag_periods = int(job.get("lag_periods", 0))

    def begin(self, start: Start) -> None:
        """See protocol.Speaker."""
        self._asked(("begin", *start), "to begin", BEGIN_LIMIT_S)

    def act(self, moment: Moment) -> Answer:
        """See protocol.Speaker."""
        return self._asked(("act", *of_moment(moment)), "for a step", 0.0)

    def _asked(self, packet: tuple[Any, ...], when: str, least_s: float) -> Answer:
        try:
            self._packets.say(packet)
            return Answer(*self._packets.heard(when, least_s))
        except RobotFailed as error:
            self._hangs = error.how == "hung"
            raise with_status(error, self._process) from None

    def end(self, why: str) -> None:
        """See protocol.Speaker."""
        with contextlib.suppress(RobotFailed):
            self._packets.say(("end", why))

    def close(self) -> None:
        """End the process: it has a moment to leave by itself unless it hangs. Safe to call twice."""
        self._packets.close()
        if not self._hangs:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(2.0)
        _end(self._process)


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


def _serve(packets: Packets, job: dict[str, Any]) -> None:
    robot: Speaker | None = None
    try:
        robot = _made(job)
        packets.say((robot.name, robot.version, robot.wants))
        while True:
            word, *said = packets.heard()
            if word == "end":
                robot.end(*said)
                return
            if word == "begin":
                robot.begin(Start(*said))
                packets.say(tuple(NOTHING))
            else:
                packets.say(tuple(robot.act(moment_of(*said))))
    except RobotFailed as error:
        if error.how == "left":  # we have: nobody waits for an answer
            return
        with contextlib.suppress(RobotFailed):
            packets.say(failed(error))
    except Exception as error:  # ours or a library's: it is told as well
        with contextlib.suppress(RobotFailed):
            packets.say(failed(raised("its process", error)))


if __name__ == "__main__":
    die_with_parent(
        os.getppid(), signal.SIGKILL
    )  # one that hangs would not see that nobody is there any more
    if not sys.stdin or not sys.stdin.isatty():
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the ride is stopped by who started it
    connection = socket.socket(fileno=int(sys.argv[1]))
    os.set_inheritable(connection.fileno(), False)
    _serve(Packets(connection, None), json.loads(sys.argv[2]))
