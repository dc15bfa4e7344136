"""What passes between us and a process of ours in which a robot runs, in Python's own form.

A packet is its length in four bytes and a tuple. Numbers pass as they are in memory, which takes a tenth of
the time that text does.
"""

from __future__ import annotations

import marshal
import socket
import time
from typing import Any

from emulator.stages.own_robot.at_socket.connection import Connection
from emulator.stages.own_robot.protocol import (
    Frame,
    Moment,
    RobotFailed,
    Sentences,
    took_too_long,
)

_HEAD = 4
_LONGEST = 1 << 20
FAILED = "failed"
"""First of a packet that tells of a failure: how, what and traceback follow."""


class Packets:
    """Packets over a connected socket.

    limit_s  for the whole of one; None: for ever
    """

    def __init__(self, connected: socket.socket, limit_s: float | None) -> None:
        self._connection = Connection(connected, limit_s)
        self._rest = b""

    def say(self, message: tuple[Any, ...]) -> None:
        """Raises RobotFailed if nobody is there."""
        packet = marshal.dumps(message)
        self._connection.send(len(packet).to_bytes(_HEAD, "little") + packet)

    def heard(self, when: str = "for a step", least_s: float = 0.0) -> tuple[Any, ...]:
        """The next one. Raises RobotFailed, also the one that it tells of.

        least_s  [s] a shorter limit does not count
        """
        limit_s = max(self._connection.limit_s, least_s)
        deadline = time.monotonic() + limit_s
        while (end := _end_of(self._rest)) > len(self._rest):
            part = self._connection.receive(deadline)
            if not part:
                raise RobotFailed("hung", took_too_long(limit_s, when))
            self._rest += part
        packet, self._rest = self._rest[_HEAD:end], self._rest[end:]
        try:
            said = tuple(marshal.loads(packet))
        except (ValueError, TypeError, EOFError) as error:
            raise RobotFailed("nonsense", f"its process sent what is no packet: {error}") from error
        if said[:1] == (FAILED,):
            raise RobotFailed(*said[1:])
        return said

    def close(self) -> None:
        """Hang up."""
        self._connection.close()


def _end_of(arrived: bytes) -> int:
    """Where the first packet ends; without its head, where that does. Raises RobotFailed."""
    if len(arrived) < _HEAD:
        return _HEAD
    end = _HEAD + int.from_bytes(arrived[:_HEAD], "little")
    if end > _LONGEST:
        raise RobotFailed("nonsense", f"its process sent {end} bytes at once")
    return end


def of_moment(moment: Moment) -> tuple[Any, ...]:
    """A moment as a packet has it."""
    time_ns, frames, sentences, values = moment
    return time_ns, [*map(tuple, frames)], [*map(tuple, sentences)], values


def moment_of(time_ns: int, frames: Any, sentences: Any, values: dict[str, float]) -> Moment:
    """The moment that a packet has."""
    return Moment(
        time_ns, [Frame(*frame) for frame in frames], [Sentences(*some) for some in sentences], values
    )


def failed(error: RobotFailed) -> tuple[str, ...]:
    """The answer of a robot that failed."""
    return FAILED, error.how, str(error), error.traceback
