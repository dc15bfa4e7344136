"""The protocol as lines of text, for a program at a socket (guide: own-controllers.md).

A line is a word and what belongs to it, with single blanks between; numbers in decimal, bytes in
hexadecimal. A message ends with ``begin``, ``act`` or ``done``. Nothing has to be quoted or counted, and any
language splits it in a line.
"""

from __future__ import annotations

import contextlib
import socket
import subprocess
import time
from collections.abc import Callable, Collection
from functools import partial

from emulator.core.frame_buffer import EXTENDED, identifier_digits
from emulator.stages.own_robot.at_socket.connection import Connection, with_status
from emulator.stages.own_robot.at_socket.packed import NAMING, Packed, packed_from
from emulator.stages.own_robot.protocol import (
    BEGIN_LIMIT_S,
    WANTS,
    Answer,
    Moment,
    RobotFailed,
    Start,
    Wants,
    took_too_long,
)

PROTOCOL = 1
"""Number of what is described here; ``hello`` tells the robot's."""
_LONGEST_MESSAGE = 1 << 20
_DIGITS = frozenset("0123456789abcdefABCDEF")
_FORMS = {
    "value": "value NAME NUMBER, with a decimal point",
    "note": "note NAME NUMBER, with a decimal point",
    "frame": "frame ID HEX, its bytes in one word",
}
"""What a robot may say before its ``done``."""


def identifier(text: str) -> int:
    """An identifier of a line, which has three digits, or eight of 29 bits. Raises ValueError."""
    if len(text) not in (3, 8) or not set(text) <= _DIGITS:
        raise ValueError("the identifier in three digits, or eight of 29 bits, without 0x")
    return int(text, 16) | (EXTENDED if len(text) > 3 else 0)


def start_lines(start: Start) -> str:
    """The message of ``begin``."""
    lines = [
        f"period {start.period_ns}",
        f"rig {start.rig}",
        f"scenario {start.scenario}",
        f"start {start.start_east_m!r} {start.start_north_m!r} {start.start_heading_rad!r}",
        *(f"set {name} {value!r}" for name, value in start.settings.items()),
        "begin",
    ]
    return "\n".join(lines) + "\n"


def moment_lines(moment: Moment, wants: Wants) -> str:
    """The message of ``act``."""
    lines: list[str] = []
    if wants != "values":
        lines += [f"frame {f.arrived_ns} {identifier_digits(f.can_id)} {f.data.hex()}" for f in moment.frames]
        lines += [f"gnss {s.arrived_ns} {s.data.hex()}" for s in moment.sentences]
    if wants != "frames":
        lines += [f"value {name} {value!r}" for name, value in moment.values.items()]
    lines.append(f"act {moment.time_ns}\n")
    return "\n".join(lines)


def answer_from(text: str) -> Answer:
    """What the lines before a ``done`` say. Raises RobotFailed for one that says nothing."""
    frames: list[tuple[int, bytes]] = []
    numbers: dict[str, float] = {}
    notes: dict[str, float] = {}
    told = {"value": numbers, "note": notes}
    line = ""
    try:
        for line in text.splitlines():
            word, *parts = line.split(" ")
            if word == "frame":
                can_id, data = parts if len(parts) != 1 else (*parts, "")
                frames.append((identifier(can_id), bytes.fromhex(data)))
            else:
                name, number = parts
                told[word][name] = float(number)
    except (ValueError, TypeError, KeyError) as error:
        raise not_said(line) from error
    return Answer(frames, numbers, notes)


def not_said(line: str, among: Collection[str] = _FORMS) -> RobotFailed:
    """That a line is none of a robot's, with how it is written."""
    word, _, rest = line.partition(" ")
    expected = _FORMS[word] if word in _FORMS and word in among else f"{', '.join(among)} or done"
    if word == "frame":
        try:
            identifier(rest.partition(" ")[0])
        except ValueError as error:
            expected = f"{expected}, and {error}"
    return RobotFailed("nonsense", f"it said {line!r:.100}; expected {expected}")


class Hello:
    """How a robot introduces itself: ``hello 1 INTERFACE WANTS VERSION NAME``; a dash for what it leaves
    out."""

    def __init__(self, line: str) -> None:
        parts = line.split(" ", 5)
        if len(parts) != 6 or parts[0] != "hello" or parts[3] not in (*WANTS, "packed"):
            expected = "hello 1 INTERFACE values|frames|both|packed VERSION NAME"
            raise RobotFailed("nonsense", f"it began with {line!r:.100}; expected {expected}")
        if parts[1] != str(PROTOCOL):
            raise RobotFailed("nonsense", f"it speaks protocol {parts[1]:.20}; this is {PROTOCOL}")
        self.interface = "" if parts[2] == "-" else parts[2]
        self.packed = parts[3] == "packed"
        self.wants: Wants = next((w for w in WANTS if w == parts[3]), "values")
        self.version = "" if parts[4] == "-" else parts[4]
        self.name = parts[5]


class Lines:
    """Lines over a connected socket.

    limit_s  for the whole of a message; None: for ever
    """

    def __init__(self, connected: socket.socket, limit_s: float | None) -> None:
        self._connection = Connection(connected, limit_s)
        self._rest = b""

    def say(self, text: str) -> None:
        """Raises RobotFailed if nobody is there."""
        self._connection.send(text.encode())

    def say_bytes(self, data: bytes) -> None:
        """Raises RobotFailed if nobody is there."""
        self._connection.send(data)

    def first(self) -> str:
        """The first line. Raises RobotFailed."""
        return self._up_to(lambda rest: rest.find(b"\n") + 1, "to say hello", 0.0).rstrip("\r\n")

    def answer(self, among: Collection[str] = _FORMS, when: str = "for a step", least_s: float = 0.0) -> str:
        """The lines up to the next ``done``. Raises RobotFailed.

        among    words that they begin with
        least_s  [s] a shorter limit does not count
        """
        said = self._up_to(partial(_through_done, among), when, least_s)
        return said[: said.rindex("done")]

    def bytes_said(self, n: int) -> bytes:
        """The next ``n`` bytes. Raises RobotFailed."""
        deadline = time.monotonic() + self._connection.limit_s
        while len(self._rest) < n:
            part = self._connection.receive(deadline)
            if not part:
                had = f"; it said {len(self._rest)} of {n} bytes" if self._rest else ""
                raise RobotFailed("hung", took_too_long(self._connection.limit_s, "for a step") + had)
            self._rest += part
        said, self._rest = self._rest[:n], self._rest[n:]
        return said

    def _up_to(self, end_of: Callable[[bytes], int], when: str, least_s: float) -> str:
        """The first of what comes up to where ``end_of`` it is, as soon as that is more than 0."""
        limit_s = max(self._connection.limit_s, least_s)
        deadline = time.monotonic() + limit_s
        while True:
            end = end_of(self._rest)
            if end:
                whole, self._rest = self._rest[:end], self._rest[end:]
                return whole.decode("utf-8", "replace")
            if len(self._rest) > _LONGEST_MESSAGE:
                raise RobotFailed("nonsense", f"it said {len(self._rest)} bytes without a done")
            part = self._connection.receive(deadline)
            if not part:
                raise RobotFailed("hung", took_too_long(limit_s, when) + self._unended())
            self._rest += part

    def nothing_more(self) -> None:
        """Raises RobotFailed if anything was said that nobody had asked for."""
        if not self._rest and self._connection.waiting():
            self._rest = self._connection.receive(0.0)
        if self._rest:
            line = self._rest.partition(b"\n")[0].decode("utf-8", "replace")
            raise RobotFailed(
                "nonsense", f"it said {line!r:.100} after its done; expected done once for each begin and act"
            )

    def _unended(self) -> str:
        """What to do about a line that was begun only."""
        begun = self._rest.rpartition(b"\n")[2].decode("utf-8", "replace")
        if not begun:
            return ""
        return f"; it said {begun!r:.100} without the end of its line: end each with a newline, and flush"

    def close(self) -> None:
        """Hang up."""
        self._connection.close()


def _through_done(among: Collection[str], received: bytes) -> int:
    """Where the first line of ``done`` ends; 0: there is none yet.

    Raises RobotFailed for a line that is none: who says such things is told at once, though it never comes
    to its done.
    """
    if received.endswith(b"\ndone\n") and received.count(b"done") == 1:
        return len(received)  # as almost all are
    end = 0
    for line in received.splitlines(keepends=True):
        if not line.endswith(b"\n"):
            break
        end += len(line)
        text = line.rstrip(b"\r\n").decode("utf-8", "replace")
        word = text.partition(" ")[0]
        if word == "done":
            return end
        if word not in among:
            raise not_said(text, among)
    return 0


class LineSpeaker:
    """A robot at the other end of the lines, which has said hello.

    process  it runs in, if that is known: how it left is told by it
    """

    lag_periods = 0

    def __init__(self, lines: Lines, hello: Hello, process: subprocess.Popen[bytes] | None = None) -> None:
        self._lines, self._process, self.wants = lines, process, hello.wants
        self.name, self.version = hello.name, hello.version
        self._is_packed, self._packed = hello.packed, None

    _packed: Packed | None

    def begin(self, start: Start) -> None:
        """See protocol.Speaker."""
        try:
            self._lines.say(start_lines(start))
            among = NAMING if self._is_packed else _FORMS
            said = self._lines.answer(among, "to begin", BEGIN_LIMIT_S)
            if self._is_packed:
                self._packed = packed_from(said)
            else:
                answer_from(said)
        except RobotFailed as error:
            raise with_status(error, self._process) from None

    def act(self, moment: Moment) -> Answer:
        """See protocol.Speaker."""
        try:
            if self._packed is not None:
                self._lines.say_bytes(self._packed.moment(moment))
                said = self._lines.bytes_said(self._packed.answer_size)
                return self._packed.answer(said, moment.time_ns)
            self._lines.nothing_more()
            self._lines.say(moment_lines(moment, self.wants))
            return answer_from(self._lines.answer())
        except RobotFailed as error:
            raise with_status(error, self._process) from None

    def end(self, why: str) -> None:
        """See protocol.Speaker."""
        with contextlib.suppress(RobotFailed):
            if self._packed is not None:
                self._lines.say_bytes(self._packed.leave())
            else:
                self._lines.say(f"end {why}\n")
