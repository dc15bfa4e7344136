"""What a robot at a socket hears and says as numbers in a row, for one to which text is too slow.

It names them once, in its answer to ``begin``: ``hear NAME``, ``give NAME``, ``note NAME``, a line each, in
the order in which they pass from then on (guide: own-controllers.md).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from struct import Struct

from emulator.config.validation import did_you_mean
from emulator.core.signals import COMMAND, OUTPUT
from emulator.stages.own_robot.protocol import Answer, Moment, RobotFailed

NAMING = {
    "hear": "hear NAME, a value of the bench's frames or of a GNSS fix",
    "give": "give NAME, a value of the robot's frames",
    "note": "note NAME",
}
"""What a robot may say in answer to ``begin``."""
_KNOWN = {"hear": OUTPUT, "give": COMMAND}
_OVER = -1


class Packed:
    """Moments and answers as bytes: whole numbers and floats of eight, little-endian, and bytes of 0 or 1.

    moment  the time [ns], a float for each value that is heard, as it came last (NaN: not available, or it
            never came), a byte for each: whether it came in this period. -1 for the time: leave
    answer  the same time, a float for each value that is given, one for each note
    """

    def __init__(self, hears: Sequence[str], gives: Sequence[str], notes: Sequence[str]) -> None:
        self._held, n = dict.fromkeys(hears, math.nan), len(hears)
        self._gives, self._notes = tuple(gives), tuple(notes)
        self._moment, self._answer = Struct(f"<q{n}d{n}?"), Struct(f"<q{len(gives) + len(notes)}d")

    @property
    def answer_size(self) -> int:
        """Bytes of an answer."""
        return self._answer.size

    def moment(self, moment: Moment) -> bytes:
        """A moment, of which only the values pass."""
        held, values = self._held, moment.values
        for name, value in values.items():
            if name in held:
                held[name] = value
        return self._moment.pack(moment.time_ns, *held.values(), *[name in values for name in held])

    def leave(self) -> bytes:
        """Instead of a moment: the ride is over."""
        return self._moment.pack(_OVER, *self._held.values(), *[False] * len(self._held))

    def answer(self, data: bytes, time_ns: int) -> Answer:
        """The answer to the moment of ``time_ns``. Raises RobotFailed if it is to another."""
        told_ns, *numbers = self._answer.unpack(data)
        if told_ns != time_ns:
            raise RobotFailed(
                "nonsense",
                f"it answered to time {told_ns}; expected {time_ns}, in {self._answer.size} bytes: the time, "
                f"{len(self._gives)} values and {len(self._notes)} notes, little-endian",
            )
        notes = dict(zip(self._notes, numbers[len(self._gives) :], strict=True))
        return Answer((), dict(zip(self._gives, numbers, strict=False)), notes)


def packed_from(text: str) -> Packed:
    """What a robot names in its answer to ``begin``. Raises RobotFailed."""
    named: dict[str, list[str]] = {word: [] for word in NAMING}
    for line in text.splitlines():
        word, _, name = line.partition(" ")
        if word not in NAMING:
            raise RobotFailed("nonsense", f"it said {line!r:.100}; expected {', '.join(NAMING)} or done")
        if not name or " " in name or name in named[word]:
            raise RobotFailed("nonsense", f"it said {line!r:.100}; expected {NAMING[word]}, once")
        known = _KNOWN.get(word)
        if known is not None and name not in known:
            raise RobotFailed(
                "nonsense",
                f"it said {line!r:.100}{did_you_mean(name, known)}; expected one of {', '.join(known)}",
            )
        named[word].append(name)
    return Packed(*(named[word] for word in NAMING))
