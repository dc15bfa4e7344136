"""A connected socket to a robot, which answers in microseconds or takes as long as a debugger holds it."""

from __future__ import annotations

import math
import select
import signal
import socket
import subprocess
import time

from emulator.stages.own_robot.protocol import RobotFailed

_LOOKS = 100
"""How often is looked for what arrives before a sleep: for some 60 us."""
_TRUST = 8
"""Looks in a row that found nothing until sleep comes first; fewer if it has often been so."""
_AGAIN = 32
"""Every so many messages it is tried once more."""


class Connection:
    """Bytes in both directions, each with a limit of time.

    limit_s  for what belongs together; None: for ever
    """

    def __init__(self, connected: socket.socket, limit_s: float | None) -> None:
        self.limit_s = math.inf if limit_s is None else limit_s
        connected.setblocking(False)
        self._socket = connected
        self._arrivals, self._room = select.poll(), select.poll()
        self._arrivals.register(connected, select.POLLIN)
        self._room.register(connected, select.POLLOUT)
        self._trust, self._messages = _TRUST, 0

    def send(self, data: bytes) -> None:
        """Raises RobotFailed if nobody is there, or takes it."""
        try:
            sent = self._some_sent(data)
            if sent == len(data):
                return
            deadline = time.monotonic() + self.limit_s
            while sent < len(data):
                if not _waited(self._room, deadline):
                    raise RobotFailed("hung", f"it took nothing for {self.limit_s:g} s")
                sent += self._some_sent(data[sent:])
        except OSError:
            raise RobotFailed("left", "it has left") from None

    def _some_sent(self, data: bytes) -> int:
        try:
            return self._socket.send(data)
        except BlockingIOError:
            return 0

    def receive(self, deadline: float) -> bytes:
        """What comes next; nothing if nothing has by the deadline on time.monotonic [s].

        Raises RobotFailed if nobody is there.
        """
        if not self._found() and not _waited(self._arrivals, deadline):
            return b""
        try:
            part = self._socket.recv(65536)
        except OSError:
            part = b""
        if not part:
            raise RobotFailed("left", "it has left")
        return part

    def _found(self) -> bool:
        """Whether something arrives while an ordinary step is worked out.

        To sleep and be woken takes longer than that, so it is looked for first. Where others want the core
        that the robot needs, looking is in vain and the sooner we sleep, the sooner it answers.
        """
        self._messages += 1
        if self._trust == 0 and self._messages % _AGAIN:
            return False
        poll = self._arrivals.poll
        for _ in range(_LOOKS):
            if poll(0):
                self._trust = min(self._trust + 1, _TRUST)
                return True
        self._trust = max(self._trust - 2, 0)
        return False

    def waiting(self) -> bool:
        """Whether something has arrived."""
        return bool(self._arrivals.poll(0))

    def close(self) -> None:
        """Hang up."""
        self._socket.close()


def _waited(poll: select.poll, deadline: float) -> bool:
    """Until the socket is ready; False if it is not by the deadline, inf: none."""
    left_s = deadline - time.monotonic()
    return bool(poll.poll(max(0, math.ceil(left_s * 1e3)) if left_s < math.inf else None))


def with_status(error: RobotFailed, process: subprocess.Popen[bytes] | None) -> RobotFailed:
    """The same failure; of a robot that left, with how its process did, if it has one."""
    return error if error.how != "left" or process is None else RobotFailed("left", left_with(process))


def left_with(process: subprocess.Popen[bytes]) -> str:
    """How a robot's process left, in words."""
    try:
        status = process.wait(2.0)
    except subprocess.TimeoutExpired:
        return "it hung up"
    if status < 0:
        return f"its process was ended by {signal.Signals(-status).name}"
    return f"its process left with exit status {status}"
