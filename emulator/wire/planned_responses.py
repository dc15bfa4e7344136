"""Longest response times on a CAN bus on which one sender hands its frames over by a plan that repeats.

Two frames of one plan that never go in the same tick never compete as if they did: bounds that put everybody
into one instant are too long for them. Here the plan's own times count, and frames of other senders, of whom
only period and jitter are known, come when it is worst.

A frame's longest wait lies in a busy period: from an instant ``s`` before which nothing waits that is as
urgent or more, on. Those of other senders all come at ``s``, those of the plan when it says, and the longest
less urgent one that can be on its way has just begun. Between two times of the plan a later ``s`` only adds
work that ends later, as long as the same ones may be on their way: so the worst ``s`` is one of the plan's
own times, or one at which most of one may be left, and all of these are tried. Where a hand-over may move,
its frame comes as early as it may, but not before ``s``. As in ``can_timing`` all of a message's instances
within the busy period are looked at.

It is never too short, and reached where the bus is idle before that ``s``.

Source: the busy period is that of Davis et al. 2007 (see ``can_timing``); times of a plan in it as in J. C.
Palencia, M. Gonzalez Harbour, *Schedulability analysis for tasks with static and dynamic offsets*, RTSS 1998
(from memory). With one plan, whose phase is tried, it is exact but for what is said above.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

from emulator.wire.can_timing import Message, right_of_way


class HandOver(NamedTuple):
    """One instance of a planned frame [ns], from the plan's beginning.

    due_ns    its response counts from here
    first_ns  when it is handed over at the earliest
    last_ns   and at the latest
    """

    due_ns: int
    first_ns: int
    last_ns: int


class Planned(NamedTuple):
    """A frame of the plan; of ``message`` only name, identifier and time on the bus count.

    instances  of one repetition, in order; none overtakes the one before it, however they move
    """

    message: Message
    instances: tuple[HandOver, ...]


class _Repeating:
    """How many of some times, which repeat for ever, lie before an instant."""

    def __init__(self, times_ns: Sequence[int], repeat_ns: int) -> None:
        self._repeat_ns = repeat_ns
        self._rest = sorted(t % repeat_ns for t in times_ns)
        self._whole = sum(t // repeat_ns for t in times_ns)

    def before(self, at_ns: int) -> int:
        whole, rest = divmod(at_ns, self._repeat_ns)
        return whole * len(self._rest) - self._whole + bisect_left(self._rest, rest)


class _Work:
    """What the frames of one message take of the bus, in a busy period that begins at ``s``."""

    def __init__(self, frame: Message | Planned, repeat_ns: int) -> None:
        self.instances = frame.instances if isinstance(frame, Planned) else ()
        self.message = frame.message if isinstance(frame, Planned) else frame
        self.repeat_ns = repeat_ns
        self._first = _Repeating([i.first_ns for i in self.instances], repeat_ns)
        self._last = _Repeating([i.last_ns for i in self.instances], repeat_ns)

    @property
    def share(self) -> Fraction:
        """Share of the bus."""
        m = self.message
        each = Fraction(len(self.instances), self.repeat_ns) if self.instances else Fraction(1, m.period_ns)
        return each * m.transmission_ns

    def until(self, end_ns: int, s_ns: int) -> int:
        """Time that those take which are handed over from ``s_ns`` on and before ``end_ns``."""
        m = self.message
        if self.instances:
            count = self._first.before(end_ns) - self._last.before(s_ns)
        else:
            count = -(-(end_ns - s_ns + m.jitter_ns) // m.period_ns)
        return count * m.transmission_ns

    def from_on(self, s_ns: int) -> Iterator[tuple[int, int]]:
        """When each instance from ``s_ns`` on was due, and when it is handed over; for ever."""
        if not self.instances:
            for n in itertools.count():
                due = s_ns + n * self.message.period_ns - self.message.jitter_ns
                yield due, max(due, s_ns)
        latest = max(i.last_ns for i in self.instances)
        for repetition in itertools.count((s_ns - latest) // self.repeat_ns):
            later = repetition * self.repeat_ns
            for i in self.instances:
                if i.last_ns + later >= s_ns:
                    yield i.due_ns + later, max(i.first_ns + later, s_ns)


def planned_responses(
    others: Sequence[Message], planned: Sequence[Planned], repeat_ns: int, bit_ns: int
) -> dict[str, int | None]:
    """Longest response [ns] of every frame by name; None if the bus can't carry what is more urgent.

    others     frames of which period and jitter are known; their response counts as in ``response_times``
    planned    each with one instance or more
    repeat_ns  time in which the plan repeats
    bit_ns     one bit at the nominal rate: so long after one has begun a more urgent one may still be first
    """
    return dict(_worked_out(tuple(others), tuple(planned), repeat_ns, bit_ns))


# A rig's frames are checked, its bus is told about, and the reference robot asks how old what it hears is.
@lru_cache(maxsize=32)
def _worked_out(
    others: tuple[Message, ...], planned: tuple[Planned, ...], repeat_ns: int, bit_ns: int
) -> dict[str, int | None]:
    """See :func:`planned_responses`."""
    frames: list[Message | Planned] = [*others, *planned]
    work = [_Work(frame, repeat_ns) for frame in frames]
    work.sort(key=lambda w: right_of_way(w.message.can_id))
    found: dict[str, int | None] = {}
    behind: list[_Blocker] = []
    for k in reversed(range(len(work))):  # who blocks is known by then
        own, urgent = work[k], work[:k]
        worst_ns = None
        if sum((w.share for w in work[: k + 1]), Fraction(0)) < 1:
            begins = {t for w in work[: k + 1] for i in w.instances for t in (i.first_ns, i.last_ns)}
            begins |= {begin for b in behind for begin in b.begins_ns}
            worst_ns = max(
                _worst(own, urgent, s, max((b.blocks_ns(s) for b in behind), default=0), bit_ns)
                for s in {t % repeat_ns for t in begins} or {0}
            )
        found[own.message.name] = worst_ns
        behind.append(_Blocker(own, worst_ns))
    return found


class _Blocker:
    """A less urgent frame: how long it may keep the bus once it has begun.

    worst_ns  its own longest response: so long a planned one may be on its way
    """

    def __init__(self, work: _Work, worst_ns: int | None) -> None:
        self._takes_ns, self._repeat_ns = work.message.transmission_ns, work.repeat_ns
        self._always = not work.instances or worst_ns is None
        self._on_its_way = [(i.first_ns, i.due_ns + (worst_ns or 0)) for i in work.instances]
        self.begins_ns = [max(first + 1, end - self._takes_ns) for first, end in self._on_its_way]
        """When what is left of it is longest, and latest."""

    def blocks_ns(self, s_ns: int) -> int:
        """At most, from ``s_ns`` on."""
        if self._always:
            return self._takes_ns
        # of each the last that may have begun
        ends = [
            end + (s_ns - 1 - first) // self._repeat_ns * self._repeat_ns for first, end in self._on_its_way
        ]
        return min(self._takes_ns, max(0, max(ends) - s_ns))


def _worst(own: _Work, urgent: Sequence[_Work], s_ns: int, blocking_ns: int, bit_ns: int) -> int:
    """Longest response in the busy period that begins at ``s_ns``; 0 if there is no instance in it."""
    free = s_ns + blocking_ns
    end, before = s_ns + 1, -1
    while end != before:
        before = end
        end = max(end, free + sum(w.until(before, s_ns) for w in (*urgent, own)))

    worst, own_ns = 0, own.message.transmission_ns
    for n, (due_ns, handed_ns) in enumerate(own.from_on(s_ns)):
        if handed_ns >= end:
            break
        start, before = free + n * own_ns, -1
        while start != before:
            before = start
            start = free + n * own_ns + sum(w.until(before + bit_ns, s_ns) for w in urgent)
        worst = max(worst, start + own_ns - due_ns)
    return worst
