"""What each process of a ride tells of its own stalls: turns that came later than promised.

A process calls ``StallWriter.turn`` each time it has come round. If the turn before is longer ago than the
role's promise, the time between them is a stall: counted, and written down as (begin, end) on
CLOCK_MONOTONIC, which all processes of a host share. A process that stands still right now writes nothing;
that is why the time of its last turn is told, too.

One process writes a role's words and rows, anybody reads them, nobody waits. Neither side needs a memory
fence, since a row carries its number mixed with its times: one that is half written, overwritten or has not
reached the reader yet does not agree with the number it is read by. So this module needs nothing compiled
and no numpy, which the bus server does without.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from emulator.shared_memory.layout import STALL_ROWS


class Role(IntEnum):
    """A process of a ride, by the number it has in the block."""

    LOOP = 0
    BUS = 1
    SUPERVISOR = 2
    RECORDER = 3
    ROBOT = 4


PERIOD_NS = {
    Role.LOOP: 1_000_000,
    Role.BUS: 1_000_000,
    Role.SUPERVISOR: 50_000_000,
    Role.RECORDER: 100_000_000,
    Role.ROBOT: 2_000_000,
}
"""How often each process comes round [ns]."""
PROMISE_NS = {
    Role.LOOP: 4_000_000,
    Role.BUS: 4_000_000,
    Role.SUPERVISOR: 150_000_000,
    Role.RECORDER: 300_000_000,
    Role.ROBOT: 5_000_000,
}
"""Longest time between two turns [ns] that is no stall: the period and what an ordinary host adds to it
(common practice, no source: 3 ms of lateness beside a period of 1 or 2 ms; disk and screen take longer)."""

_TURNS, _LAST, _LONGEST, _COUNT, _ENDED = range(5)


class StallWriter:
    """Tells of one process's turns. Made by ``Snapshot.stall_writer`` or from ``layout.integer_parts``.

    words, rows  of its role, int64: (STALL_WORDS,) and (STALL_ROWS * 3,) flat
    """

    def __init__(self, words: memoryview, rows: memoryview, role: Role) -> None:
        self._words, self._rows, self._promise_ns = words, rows, PROMISE_NS[role]

    def turn(self, now_ns: int) -> None:
        """The process has come round at ``now_ns`` (CLOCK_MONOTONIC). Allocates nothing for good."""
        words = self._words
        last = words[_LAST]
        if last and now_ns - last > self._promise_ns:
            self._stalled(last, now_ns)
        words[_LAST] = now_ns
        words[_TURNS] += 1

    def restart(self) -> None:
        """Turns begin anew: what went before, such as building, was no stall."""
        self._words[_LAST] = 0

    def end(self) -> None:
        """The last turn is done: that no more come is no stall."""
        self._words[_ENDED] = 1

    def _stalled(self, begin_ns: int, end_ns: int) -> None:
        words = self._words
        number = words[_COUNT]
        row = number % STALL_ROWS * 3
        rows = self._rows
        rows[row], rows[row + 1], rows[row + 2] = begin_ns, end_ns, _mixed(number, begin_ns, end_ns)
        words[_LONGEST] = max(words[_LONGEST], end_ns - begin_ns)
        words[_COUNT] = number + 1


@dataclass(frozen=True)
class Stalls:
    """What a process has told of its turns.

    spans       (begin, end) [ns, CLOCK_MONOTONIC] of each stall, oldest first, as far as they are kept
    lost        stalls overwritten before they were read
    count       stalls altogether
    longest_ns  the longest of all of them [ns]
    turns       turns altogether
    last_ns     the last turn [ns, CLOCK_MONOTONIC]; 0 before the first
    ended       it said that it has come to its end
    promise_ns  what is longer than this is a stall [ns]
    """

    spans: list[tuple[int, int]]
    lost: int
    count: int
    longest_ns: int
    turns: int
    last_ns: int
    ended: bool
    promise_ns: int

    def with_open(self, now_ns: int) -> Stalls:
        """The same with the stall that lasts at ``now_ns``, if one does: it stands still, or died."""
        if self.ended or not self.last_ns or now_ns - self.last_ns <= self.promise_ns:
            return self
        return Stalls(
            [*self.spans, (self.last_ns, now_ns)],
            self.lost,
            self.count + 1,
            max(self.longest_ns, now_ns - self.last_ns),
            self.turns,
            self.last_ns,
            self.ended,
            self.promise_ns,
        )


def read_stalls(words: memoryview, rows: memoryview, role: Role) -> Stalls:
    """What stands in a role's part of the block now, whole rows only."""
    turns, last_ns, longest_ns, count, ended = words[:5]
    spans: list[tuple[int, int]] = []
    for number in range(max(0, count - STALL_ROWS), count):
        row = number % STALL_ROWS * 3
        begin_ns, end_ns, mixed = rows[row : row + 3]
        if end_ns and mixed == _mixed(number, begin_ns, end_ns):
            spans.append((begin_ns, end_ns))
    return Stalls(spans, count - len(spans), count, longest_ns, turns, last_ns, bool(ended), PROMISE_NS[role])


def _mixed(number: int, begin_ns: int, end_ns: int) -> int:
    return begin_ns ^ (end_ns << 1) ^ number
