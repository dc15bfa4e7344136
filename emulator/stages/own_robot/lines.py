"""The protocol as lines of text, for every robot that is not in our process (guide: own-controllers.md).

A line is a word and what belongs to it, with single blanks between; numbers in decimal, bytes in
hexadecimal. A message ends with ``act`` or ``done``. Nothing has to be quoted or counted, and any language
splits it in a line.
"""

from __future__ import annotations

import contextlib
import math
import os
import select
import signal
import socket
import subprocess
import time
from collections.abc import Collection, Sequence

from emulator.core.frame_buffer import EXTENDED, identifier_digits
from emulator.stages.own_robot.protocol import (
    BEGIN_LIMIT_S,
    WANTS,
    Answer,
    Frame,
    Moment,
    RobotFailed,
    Sentences,
    Start,
    Wants,
    took_too_long,
)

PROTOCOL = 1
"""Number of what is described here; ``hello`` tells the robot's."""
_LONGEST_MESSAGE = 1 << 20
_LOOKS = 100
"""How often is looked before a sleep, the core offered to others between: for a fraction of a millisecond."""
_DIGITS = frozenset("0123456789abcdefABCDEF")
_FORMS = {
    "value": "value NAME NUMBER, with a decimal point",
    "note": "note NAME NUMBER, with a decimal point",
    "frame": "frame ID HEX, its bytes in one word",
}
"""What a robot may say before its ``done``."""
ANSWERS = (*_FORMS, "failed")


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


def answer_lines(answer: Answer) -> str:
    """The robot's answer."""
    lines = [f"frame {identifier_digits(can_id)} {data.hex()}" for can_id, data in answer.frames]
    lines += [f"value {name} {value!r}" for name, value in answer.values.items()]
    lines += [f"note {name} {value!r}" for name, value in answer.notes.items()]
    lines.append("done\n")
    return "\n".join(lines)


def start_of(lines: Sequence[str]) -> Start:
    """What the lines of ``begin`` say."""
    told = {line.partition(" ")[0]: line.partition(" ")[2] for line in lines}
    settings = [line.split(" ") for line in lines if line.startswith("set ")]
    east, north, heading = map(float, told["start"].split(" "))
    numbers = {name: float(value) for _, name, value in settings}
    return Start(int(told["period"]), told["rig"], told["scenario"], east, north, heading, numbers)


def moment_of(lines: Sequence[str]) -> Moment:
    """What the lines of ``act`` say."""
    frames, sentences, numbers, time_ns = [], [], {}, 0
    for line in lines:
        word, *parts = line.split(" ")
        if word == "value":
            name, number = parts
            numbers[name] = float(number)
        elif word == "frame":
            frames.append(Frame(int(parts[0]), identifier(parts[1]), bytes.fromhex(parts[2])))
        elif word == "gnss":
            sentences.append(Sentences(int(parts[0]), bytes.fromhex(parts[1])))
        elif word == "act":
            time_ns = int(parts[0])
    return Moment(time_ns, frames, sentences, numbers)


def failed_lines(failure: RobotFailed) -> str:
    """The answer of a robot in a process of ours that failed: in words, with its traceback if it raised."""
    how = "raised" if failure.traceback else "nonsense"
    return f"failed {how} {failure.what.encode().hex()} {failure.traceback.encode().hex()}\ndone\n"


def answer_from(lines: Sequence[str]) -> Answer:
    """What a robot's lines say. Raises RobotFailed for one that says nothing."""
    frames: list[tuple[int, bytes]] = []
    numbers: dict[str, float] = {}
    notes: dict[str, float] = {}
    told = {"value": numbers, "note": notes}
    line = ""
    try:
        for line in lines:
            word, *parts = line.split(" ")
            if word == "frame":
                can_id, data = parts if len(parts) != 1 else (*parts, "")
                frames.append((identifier(can_id), bytes.fromhex(data)))
            elif word == "failed":
                raise _failure(*parts)
            else:
                name, number = parts
                told[word][name] = float(number)
    except (ValueError, TypeError, KeyError) as error:
        raise not_said(line) from error
    return Answer(frames, numbers, notes)


def _failure(how: str, text: str, traceback: str) -> RobotFailed:
    what, raised = (bytes.fromhex(part).decode("utf-8", "replace") for part in (text, traceback))
    return RobotFailed("raised", what, raised) if how == "raised" else RobotFailed("nonsense", what)


def not_said(line: str) -> RobotFailed:
    """That a line is none of a robot's, with how it is written."""
    word, _, rest = line.partition(" ")
    expected = _FORMS.get(word, "value, note, frame or done")
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
        if len(parts) != 6 or parts[0] != "hello" or parts[3] not in WANTS:
            expected = "hello 1 INTERFACE values|frames|both VERSION NAME"
            raise RobotFailed("nonsense", f"it began with {line!r:.100}; expected {expected}")
        if parts[1] != str(PROTOCOL):
            raise RobotFailed("nonsense", f"it speaks protocol {parts[1]:.20}; this is {PROTOCOL}")
        self.interface = "" if parts[2] == "-" else parts[2]
        self.wants: Wants = next(w for w in WANTS if w == parts[3])
        self.version = "" if parts[4] == "-" else parts[4]
        self.name = parts[5]


class Lines:
    """Lines over a connected socket.

    limit_s  for the whole of a message; None: for ever
    """

    def __init__(self, connection: socket.socket, limit_s: float | None) -> None:
        self._socket, self._limit_s = connection, limit_s
        connection.setblocking(False)
        self._arrivals, self._room = select.poll(), select.poll()
        self._arrivals.register(connection, select.POLLIN)
        self._room.register(connection, select.POLLOUT)
        self._rest = b""

    def say(self, text: str) -> None:
        """Raises RobotFailed if nobody is there."""
        rest = memoryview(text.encode())
        deadline = time.monotonic() + (math.inf if self._limit_s is None else self._limit_s)
        try:
            while True:
                with contextlib.suppress(BlockingIOError):
                    rest = rest[self._socket.send(rest) :]
                if not rest:
                    return
                if not _waited(self._room, deadline):
                    raise RobotFailed("hung", f"it took nothing for {self._limit_s:g} s")
        except OSError:
            raise RobotFailed("left", "it has left") from None

    def message(
        self, *ends: str, among: Collection[str] = (), when: str = "for a step", least_s: float = 0.0
    ) -> list[str]:
        """Lines up to one that begins with one of these words, the last; without any, the first line.

        Raises RobotFailed.

        among    words that the lines before it begin with; none: any
        least_s  [s] a shorter limit does not count
        """
        limit_s = math.inf if self._limit_s is None else max(self._limit_s, least_s)
        deadline = time.monotonic() + limit_s
        lines: list[str] = []
        read = 0
        while True:
            whole, end, self._rest = self._rest.rpartition(b"\n")
            arrived = whole.decode("utf-8", "replace").split("\n") if end else []
            for i, line in enumerate(arrived):
                lines.append(line.rstrip("\r"))
                word = lines[-1].partition(" ")[0]
                if word in ends or not ends:
                    if i + 1 < len(arrived):
                        self._rest = b"\n".join([*whole.split(b"\n")[i + 1 :], self._rest])
                    return lines
                if among and word not in among:
                    raise not_said(lines[-1])
            if read > _LONGEST_MESSAGE:
                raise RobotFailed("nonsense", f"it said {read} bytes without a done")
            part = self._part(deadline, limit_s, when)
            read += len(part)
            self._rest += part

    def nothing_more(self) -> None:
        """Raises RobotFailed if anything was said that nobody had asked for."""
        more = self._rest
        if not more:
            with contextlib.suppress(OSError):
                more = self._socket.recv(100, socket.MSG_PEEK)
        if more:
            line = more.partition(b"\n")[0].decode("utf-8", "replace")
            raise RobotFailed(
                "nonsense", f"it said {line!r:.100} after its done; expected done once for each begin and act"
            )

    def _part(self, deadline: float, limit_s: float, when: str) -> bytes:
        try:
            part = self._soon()
            while part is None:
                if not _waited(self._arrivals, deadline):
                    raise RobotFailed("hung", took_too_long(limit_s, when) + self._unended())
                part = self._received()
        except OSError:
            part = b""
        if not part:
            raise RobotFailed("left", "it has left")
        return part

    def _soon(self) -> bytes | None:
        """What arrives while an ordinary step is worked out: to sleep and be woken takes longer than that."""
        for _ in range(_LOOKS):
            part = self._received()
            if part is not None:
                return part
            os.sched_yield()
        return None

    def _received(self) -> bytes | None:
        try:
            return self._socket.recv(65536)
        except BlockingIOError:
            return None

    def _unended(self) -> str:
        """What to do about a line that was begun only."""
        if not self._rest:
            return ""
        begun = self._rest.decode("utf-8", "replace")
        return f"; it said {begun!r:.100} without the end of its line: end each with a newline, and flush"

    def close(self) -> None:
        """Hang up."""
        self._socket.close()


def _waited(poll: select.poll, deadline: float) -> bool:
    """Until the socket is ready; False if it is not by the deadline on time.monotonic [s], inf: none."""
    left_s = deadline - time.monotonic()
    return bool(poll.poll(max(0, math.ceil(left_s * 1e3)) if left_s < math.inf else None))


class LineSpeaker:
    """A robot at the other end of the lines, which has said hello.

    lag_periods  see protocol.Speaker
    process      it runs in, if that is known: how it left is told by it
    """

    def __init__(
        self,
        lines: Lines,
        hello: Hello,
        lag_periods: int = 0,
        process: subprocess.Popen[bytes] | None = None,
    ) -> None:
        self._lines, self._process, self.wants = lines, process, hello.wants
        self.name, self.version, self.lag_periods = hello.name, hello.version, lag_periods

    def begin(self, start: Start) -> None:
        """See protocol.Speaker."""
        try:
            self._lines.say(start_lines(start))
            said = self._lines.message("done", among=ANSWERS, when="to begin", least_s=BEGIN_LIMIT_S)
            answer_from(said[:-1])
        except RobotFailed as error:
            raise with_status(error, self._process) from None

    def act(self, moment: Moment) -> Answer:
        """See protocol.Speaker."""
        try:
            self._lines.nothing_more()
            self._lines.say(moment_lines(moment, self.wants))
            return answer_from(self._lines.message("done", among=ANSWERS)[:-1])
        except RobotFailed as error:
            raise with_status(error, self._process) from None

    def end(self, why: str) -> None:
        """See protocol.Speaker."""
        with contextlib.suppress(RobotFailed):
            self._lines.say(f"end {why}\n")


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
