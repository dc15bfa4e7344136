"""When outputs hand their frames over on the tick grid, and when these arrive on a bus of known bit rate.

The loop hands frames over on ticks only, each at the tick that brings its arrival nearest to what was
promised. :func:`passages` steps this schedule in plain Python; it is written on its own, and what the
compiled plant does is checked against it. :func:`arrivals` sums it up over one common period of all outputs.
:func:`plan_of` tells the ticks at which each frame may go when a jitter is drawn.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache
from heapq import heappop, heappush
from typing import NamedTuple

from emulator.core.signals import TICK_NS

_LONGEST = 20_000
"""Ticks the schedule is stepped through at most."""
_LONGEST_PLAN = 100
"""Ticks in which a plan repeats at most."""
_MOST_WAYS = 64
"""Ways a plan can go; of more only the earliest and the latest of each sample are told."""
_APART = 4
"""Ticks between two samples with a drawn jitter, so that one's draw is nothing to the other."""


class Periodic(NamedTuple):
    """One output in the schedule: rate as in its delay line, latency, time on the bus (0: unknown).

    rank  who wins the bus, the least first (``right_of_way``); of one rank who was handed over first
    """

    name: str
    rate: Fraction
    latency_ns: int
    wire_ns: int
    rank: int = 0


class _HandedOver(NamedTuple):
    """A frame that waits for the bus: it sorts as arbitration does."""

    rank: int
    number: int
    output: int
    since: int
    due: int
    valid: int


class Arrivals(NamedTuple):
    """How one output's frames arrive when nothing is drawn, all from the sample's time of validity [ns].

    wait_ns    least and most until handed over
    queue_ns   most it then waits for our own frames before it
    error_ns   least, mean and most of arrival less latency
    at_once    the latest of all was handed over in the very tick of its sample
    """

    wait_ns: tuple[int, int]
    queue_ns: int
    error_ns: tuple[int, float, int]
    at_once: bool


class Passage(NamedTuple):
    """One sample on its way: place of its output; when it was valid, due, handed over, there [ns]."""

    output: int
    valid_ns: int
    due_ns: int
    handed_ns: int
    arrived_ns: int


def common_ticks(outputs: Sequence[Periodic], tick_ns: int = TICK_NS) -> int:
    """Ticks after which the schedule of all outputs repeats; at most so many as are stepped through."""
    common_s = math.lcm(*(o.rate.denominator for o in outputs))
    return min(common_s * 1_000_000_000 // tick_ns, _LONGEST)


def passages(
    outputs: Sequence[Periodic], ticks: int, tick_ns: int = TICK_NS
) -> tuple[list[Passage], list[deque[tuple[int, int]]]]:
    """Step the outputs, in the rig's order, through so many ticks: what was handed over, as it arrives.

    And what then still waits at each output: (due, valid) [ns].
    """
    handed, lines = _handed_over(outputs, ticks, tick_ns)
    waiting: list[_HandedOver] = []
    passed: list[Passage] = []
    free = following = 0
    while waiting or following < len(handed):
        if not waiting:
            free = max(free, handed[following].since)
        while following < len(handed) and handed[following].since <= free:
            heappush(waiting, handed[following])
            following += 1
        first = heappop(waiting)
        free += outputs[first.output].wire_ns
        passed.append(Passage(first.output, first.valid, first.due, first.since, free))
    return passed, lines


def _handed_over(
    outputs: Sequence[Periodic], ticks: int, tick_ns: int
) -> tuple[list[_HandedOver], list[deque[tuple[int, int]]]]:
    """What goes on the bus in so many ticks, in this order, and what then waits at each output."""
    ticks_each = [Fraction(1_000_000_000, tick_ns) / o.rate for o in outputs]
    halves = [(2 * t.numerator, t.denominator) for t in ticks_each]
    lines: list[deque[tuple[int, int]]] = [deque() for _ in outputs]
    taken, next_tick = [0] * len(outputs), [0] * len(outputs)
    handed: list[_HandedOver] = []
    waiting = done = 0  # samples; with all that was handed over
    for tick in range(ticks):
        now = tick * tick_ns
        for k, o in enumerate(outputs):
            if next_tick[k] <= tick:
                taken[k] += 1
                # a sample's tick is the nearest to its exact time, halves up
                above, below = halves[k]
                next_tick[k] = (taken[k] * above + below) // (2 * below)
                lines[k].append((now + o.latency_ns, now))
                waiting += 1
        while waiting and (i := _next(outputs, lines, now, done, tick_ns)) is not None:
            waiting -= 1
            due, valid = lines[i].popleft()
            done = max(now, done) + outputs[i].wire_ns
            handed.append(_HandedOver(outputs[i].rank, len(handed), i, now, due, valid))
    return handed, lines


def arrivals(outputs: Sequence[Periodic], tick_ns: int = TICK_NS) -> list[Arrivals]:
    """Step the outputs, in the rig's order, through one common period of their rates: how they arrive.

    One that never arrived (a bus that can't carry them all) counts with what it had waited for by the end.
    """
    return list(_arrivals(tuple(outputs), tick_ns))


@lru_cache(maxsize=64)  # a tenth of a second for a dozen outputs, and asked for of each ride on a rig
def _arrivals(outputs: tuple[Periodic, ...], tick_ns: int) -> tuple[Arrivals, ...]:
    settle = 2 + max((o.latency_ns for o in outputs), default=0) // tick_ns
    ticks = settle + common_ticks(outputs, tick_ns)
    passed, waiting = passages(outputs, ticks, tick_ns)
    seen: list[list[tuple[int, int, int]]] = [[] for _ in outputs]  # wait, queue, error
    for p in passed:
        if p.handed_ns >= settle * tick_ns:
            queue = p.arrived_ns - outputs[p.output].wire_ns - p.handed_ns
            seen[p.output].append((p.handed_ns - p.valid_ns, queue, p.arrived_ns - p.due_ns))
    end = ticks * tick_ns
    for k, line in enumerate(waiting):
        if not seen[k]:
            seen[k] = [(end - valid, 0, end - due) for due, valid in line] or [(0, 0, 0)]
    return tuple(_summed(s) for s in seen)


def _next(
    outputs: Sequence[Periodic],
    lines: Sequence[deque[tuple[int, int]]],
    now: int,
    free: int,
    tick_ns: int,
) -> int | None:
    """Which output's oldest sample to hand over now; on a bus of unknown rate what is due goes."""
    waiting = sorted((line[0][0], i) for i, line in enumerate(lines) if line)
    ahead = 0
    for due, i in waiting:
        own = outputs[i].wire_ns
        here, there = max(now, free) + own, max(now + tick_ns, free) + ahead + own
        if due <= now if own == 0 else due - here <= there - due:
            return i
        ahead += own
    return None


def _summed(seen: Sequence[tuple[int, int, int]]) -> Arrivals:
    waits, queues, errors = zip(*seen, strict=True)
    most = max(errors)
    return Arrivals(
        (min(waits), max(waits)),
        max(queues),
        (min(errors), sum(errors) / len(errors), most),
        any(e == most and w == 0 for w, _, e in seen),
    )


# -- when each frame may go, whatever is drawn ---------------------------------------------------------------


class Window(NamedTuple):
    """One sample: when it is valid, when it is handed over at the earliest and at the latest [ns]."""

    valid_ns: int
    first_ns: int
    last_ns: int


Windows = tuple[tuple[Window, ...], ...]
"""Of each output, in the rig's order, the samples of one repetition in theirs."""


class Plan(NamedTuple):
    """What the outputs hand over in ``repeat_ns``, for ever; in one of these ways, as jitter is drawn."""

    repeat_ns: int
    ways: tuple[Windows, ...]


def plan_of(outputs: Sequence[Periodic], drawn_ns: Sequence[int], tick_ns: int = TICK_NS) -> Plan | None:
    """When each sample may go if up to ``drawn_ns`` of an output's latency is drawn; ticks are on time.

    A sample that goes later or earlier makes room for others or takes it: the ticks of those tell the ways
    apart. While a draw passes no other sample's due time, a longer one never goes at an earlier step of the
    schedule, and the rest follows from that step: between two draws that come to the same is nothing else.

    None where this is not known: two outputs with a drawn jitter, or one whose samples may come close to each
    other, or a plan that takes longer than 100 ticks to repeat.
    """
    return _plan_of(tuple(outputs), tuple(drawn_ns), tick_ns)


@lru_cache(maxsize=64)  # a tenth of a second, and asked for of each ride on a rig
def _plan_of(outputs: tuple[Periodic, ...], drawn_ns: tuple[int, ...], tick_ns: int) -> Plan | None:
    repeat_ns = _repeat_ns(outputs, tick_ns)
    drawn = [k for k, most in enumerate(drawn_ns) if most > 0]
    if repeat_ns > _LONGEST_PLAN * tick_ns or len(drawn) > 1:
        return None
    if not drawn:
        only = _one_repetition(outputs, repeat_ns, 0, tick_ns)
        return Plan(repeat_ns, (_windows([[only]] * len(only)),))
    k, most_ns = drawn[0], drawn_ns[drawn[0]]
    if 1e9 / outputs[k].rate < most_ns + _APART * tick_ns:
        return None

    def sent(draw_ns: int) -> tuple[_Sent, ...]:
        own = outputs[k]._replace(latency_ns=outputs[k].latency_ns + draw_ns)
        return _one_repetition((*outputs[:k], own, *outputs[k + 1 :]), repeat_ns, most_ns, tick_ns)

    draws = _meetings(outputs, k, most_ns, repeat_ns, sent(0))
    results = {draw: sent(draw) for draw in draws}
    between = list(itertools.pairwise(draws))
    while between:
        one, other = between.pop()
        if results[one] != results[other] and other - one > 1:
            middle = (one + other) // 2
            results[middle] = sent(middle)
            between += [(one, middle), (middle, other)]
    return Plan(repeat_ns, _ways(k, outputs[k].latency_ns + most_ns // 2, list(results.values()), repeat_ns))


class _Sent(NamedTuple):
    """A sample of an output, when it is valid and when it is handed over [ns]."""

    output: int
    valid_ns: int
    handed_ns: int


def _one_repetition(
    outputs: Sequence[Periodic], repeat_ns: int, drawn_ns: int, tick_ns: int
) -> tuple[_Sent, ...]:
    """What is sampled in one repetition, once those before have settled."""
    latest_ns = max(o.latency_ns for o in outputs) + drawn_ns + 2 * tick_ns
    settle_ns = math.ceil(latest_ns / repeat_ns) * repeat_ns
    handed, _ = _handed_over(outputs, (settle_ns + repeat_ns + latest_ns) // tick_ns + 1, tick_ns)
    return tuple(
        sorted(
            _Sent(h.output, h.valid - settle_ns, h.since - settle_ns)
            for h in handed
            if settle_ns <= h.valid < settle_ns + repeat_ns
        )
    )


def _repeat_ns(outputs: Sequence[Periodic], tick_ns: int) -> int:
    """After what time the samples of all outputs stand on the same ticks again."""
    repeat_s = Fraction(
        math.lcm(*(o.rate.denominator for o in outputs)), math.gcd(*(o.rate.numerator for o in outputs))
    )
    ticks = repeat_s * 1_000_000_000 / tick_ns
    return int(ticks * ticks.denominator) * tick_ns


def _meetings(
    outputs: Sequence[Periodic], k: int, most_ns: int, repeat_ns: int, sent: Sequence[_Sent]
) -> list[int]:
    """Draws of output ``k`` with which it is due when another one is, those beside them, and the ends."""
    own = [s.valid_ns + outputs[k].latency_ns for s in sent if s.output == k]
    others = [s.valid_ns + outputs[s.output].latency_ns for s in sent if s.output != k]
    met = {(due - mine) % repeat_ns + beside for due in others for mine in own for beside in (-1, 0, 1)}
    return sorted({0, most_ns, *(d for d in met if 0 <= d <= most_ns)})


def _ways(k: int, middle_ns: int, results: Sequence[Sequence[_Sent]], repeat_ns: int) -> tuple[Windows, ...]:
    """Ways by what the outputs other than ``k`` do; each sample of ``k`` is drawn for itself.

    A sample follows that of ``k`` which is nearest, whose age is about ``middle_ns`` when it goes.
    """
    alike: dict[tuple[_Sent, ...], list[Sequence[_Sent]]] = {}
    for result in results:
        alike.setdefault(tuple(s for s in result if s.output != k), []).append(result)
    own = [s.valid_ns for s in results[0] if s.output == k]
    if len(alike) ** len(own) > _MOST_WAYS:
        return (_windows([results] * len(results[0])),)

    def nearest(s: _Sent) -> int:
        if s.output == k:
            return own.index(s.valid_ns)
        apart = [(s.handed_ns - valid - middle_ns) % repeat_ns for valid in own]
        return min(range(len(own)), key=lambda n: min(apart[n], repeat_ns - apart[n]))

    follows = [nearest(s) for s in results[0]]
    return tuple(
        _windows([choice[n] for n in follows])
        for choice in itertools.product(alike.values(), repeat=len(own))
    )


def _windows(of_each: Sequence[Sequence[Sequence[_Sent]]]) -> Windows:
    """Of each sample those results that count for it."""
    windows: dict[int, list[Window]] = {}
    for i, results in enumerate(of_each):
        sample, handed = results[0][i], [r[i].handed_ns for r in results]
        windows.setdefault(sample.output, []).append(Window(sample.valid_ns, min(handed), max(handed)))
    return tuple(tuple(windows[output]) for output in sorted(windows))
