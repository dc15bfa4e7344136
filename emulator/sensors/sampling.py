"""When a signal is sampled and when it is due: exact rates on a tick grid, and delay lines.

Instance k of a rate of num/den Hz belongs to the tick nearest to k * den / num seconds, so the mean rate
is exact whatever the tick. A sample taken at time of validity t is due at t + latency + jitter; samples of
one output never overtake each other.

On a bus whose bit rate is known "due" is when a sample should have *arrived*: it is handed over at the tick
that brings its arrival nearest to that, counting its own time on the bus and that of what goes before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.random_streams import normal

_NS = 1_000_000_000
_FINEST = 1_000_000
"""Largest denominator of a rate: with it and 1000 Hz, tick_of stays within 64 bits."""

MOST_VALUES = 8
"""Values one output carries at most."""

NOTHING_DUE = 1 << 62
"""``first_due_ns`` of an output without a sample on its way."""

OUTPUT_DTYPE = np.dtype(
    [
        ("rate_num", np.int64),  # rate in Hz as a fraction
        ("rate_den", np.int64),
        ("interval_ns", np.int64),  # from one instance to the next where that is whole, else 0
        ("latency_ns", np.int64),  # age at which a sample is due
        ("wire_ns", np.int64),  # its frame's time on the bus; 0: not known, arrival is when it is handed over
        ("jitter_ns", np.int64),  # one sigma of the drawn extra age (half-normal: never earlier)
        ("stream", np.int64),  # random stream of the jitter
        ("sampled", np.int64),  # instances sampled so far
        ("next_tick", np.int64),  # when the next one is to be
        ("head", np.int64),  # next to take out
        ("tail", np.int64),  # next free place
        ("first_due_ns", np.int64),  # when the next to take out is due; NOTHING_DUE: none is on its way
        ("frame", np.int64),  # codec frame; -1 GNSS
        ("alive", np.int64),  # next alive counter
        ("value_of", np.int64, (MOST_VALUES,)),  # output value carried in each place; -1 none
        ("absent", np.int64, (MOST_VALUES,)),  # 1: this place is sent as not available
        ("sensors", np.int64),  # mask of the devices they come from
        ("family", np.int64, (MOST_VALUES,)),  # first values of the sensor families it measures; -1 none
    ]
)


class DelayLines(NamedTuple):
    """Samples on their way, for M outputs with up to D each: (M, D), (M, D), (M, D, MOST_VALUES)."""

    due_ns: NDArray[np.int64]
    valid_ns: NDArray[np.int64]
    values: NDArray[np.float64]


def rate_fraction(rate_hz: float) -> Fraction:
    """The fraction a rate of 0.001 to 1000 Hz is kept as: the nearest whose denominator is at most a million.

    Exact for six decimals and for thirds and the like; any other is kept to 0.51 ppm.
    """
    return Fraction(rate_hz).limit_denominator(_FINEST)


def outputs(
    rates_hz: Sequence[float], latencies_ns: Sequence[int], jitters_ns: Sequence[int], first_stream: int
) -> tuple[NDArray[np.void], DelayLines]:
    """(M,) output records and their empty delay lines, deep enough for latency and six sigma of jitter."""
    out = np.zeros(len(rates_hz), OUTPUT_DTYPE)
    depth = 4
    for i, (rate, latency, jitter) in enumerate(zip(rates_hz, latencies_ns, jitters_ns, strict=True)):
        fraction = rate_fraction(rate)
        o = out[i]
        o["rate_num"], o["rate_den"] = fraction.numerator, fraction.denominator
        interval_ns = _NS / fraction
        o["interval_ns"] = int(interval_ns) if interval_ns.denominator == 1 else 0
        o["latency_ns"], o["jitter_ns"] = latency, jitter
        o["stream"], o["first_due_ns"] = first_stream + i, NOTHING_DUE
        o["frame"], o["value_of"], o["family"] = -1, -1, -1
        depth = max(depth, 4 + int(float(fraction) * (latency + 6 * jitter) / _NS))
    shape = (len(rates_hz), depth)
    return out, DelayLines(
        np.zeros(shape, np.int64), np.zeros(shape, np.int64), np.zeros((*shape, MOST_VALUES))
    )


@jit
def tick_of(instance: int, rate_num: int, rate_den: int, tick_ns: int) -> int:
    """Tick an instance is sampled at: the nearest to its exact time, halves up."""
    # whole seconds are counted apart, and what is left in rate_num-ths of one: else it overflows 64 bits
    begun = instance % rate_num * rate_den
    whole_ns = (instance // rate_num * rate_den + begun // rate_num) * _NS
    rest = 2 * (whole_ns % tick_ns) * rate_num + 2 * (begun % rate_num) * _NS
    return whole_ns // tick_ns + (rest + rate_num * tick_ns) // (2 * rate_num * tick_ns)


@jit
def is_due(o: Record, tick: int, tick_ns: int) -> bool:
    """Whether output ``o`` is to be sampled at ``tick`` (>= 0). Call once a tick: it counts the instance."""
    if o.next_tick > tick:
        return False
    o.sampled += 1
    if o.interval_ns > 0 and o.interval_ns % tick_ns == 0:
        o.next_tick = o.sampled * (o.interval_ns // tick_ns)  # as below, without its divisions
        return True
    o.next_tick = tick_of(o.sampled, o.rate_num, o.rate_den, tick_ns)
    return True


@jit
def _note_first(o: Record, i: int, lines: DelayLines) -> None:
    """The oldest sample of line ``i`` is another one: when it is due."""
    o.first_due_ns = NOTHING_DUE if o.head == o.tail else lines.due_ns[i, o.head % lines.due_ns.shape[1]]


@jit
def enter(o: Record, i: int, lines: DelayLines, now_ns: int, streams: NDArray[np.uint64]) -> int:
    """A place in delay line ``i`` for a sample of ``o`` valid now; its values are the caller's to write.

    A full line forgets its oldest sample (it can only be full if jitter went beyond six sigma).
    """
    depth = lines.due_ns.shape[1]
    if o.tail - o.head == depth:
        o.head += 1
    slot = o.tail % depth
    due = now_ns + o.latency_ns
    if o.jitter_ns > 0:
        due += np.int64(abs(normal(streams, o.stream)) * o.jitter_ns)
    if o.tail > o.head:
        due = max(due, lines.due_ns[i, (o.tail - 1) % depth])
    lines.due_ns[i, slot] = due
    lines.valid_ns[i, slot] = now_ns
    o.tail += 1
    _note_first(o, i, lines)
    return int(slot)


@jit
def ready(o: Record, i: int, lines: DelayLines, now_ns: int) -> int:
    """Place of the oldest sample of line ``i`` that is due by now, or -1. Takes it out of the line."""
    return pop(o, i, lines) if o.first_due_ns <= now_ns else -1


@jit
def _before(due: int, i: int, other_due: int, j: int) -> bool:
    """Whether a sample of output ``i`` goes before one of ``j``: by due time, then by place in the rig."""
    return due < other_due or (due == other_due and i < j)


@jit
def next_frame(out: NDArray[np.void], now_ns: int, free_ns: int, tick_ns: int) -> int:
    """Output whose oldest sample is to be handed over at this tick, or -1; GNSS is not looked at.

    free_ns   when the bus will be done with what was handed to it
    A sample on a bus of unknown rate goes when it is due, in the order of the rig. With a known rate it goes
    if its arrival now would be no farther from its due time than at the next tick, behind those that are
    waiting for an earlier time; of several that earliest due. Take it out with ``pop``, then ask again.
    """
    all_ns, timed = 0, True  # what waits would take on the bus
    first, first_due = -1, 0
    for i in range(out.shape[0]):
        o = out[i]
        if o.frame >= 0 and o.first_due_ns < NOTHING_DUE:
            if o.wire_ns == 0 and o.first_due_ns <= now_ns:
                return i
            all_ns += o.wire_ns
            timed = timed and o.wire_ns > 0
            if first < 0 or o.first_due_ns < first_due:
                first, first_due = i, o.first_due_ns
    if first < 0:
        return -1
    start, next_start = max(now_ns, free_ns), max(now_ns + tick_ns, free_ns)
    # Nobody goes before the earliest due: mostly it is the one, and the others need not be asked.
    wire_ns = out[first].wire_ns
    if timed and first_due - (start + wire_ns) <= next_start + wire_ns - first_due:
        return first
    best, best_due = -1, 0
    for i in range(out.shape[0]):
        o = out[i]
        due = o.first_due_ns
        if o.frame < 0 or due == NOTHING_DUE:
            continue
        if o.wire_ns == 0:
            continue
        arrival = start + o.wire_ns
        if due - arrival > next_start + all_ns - due:  # too early, whoever goes before it
            continue
        if best >= 0 and not _before(due, i, best_due, best):
            continue
        later = next_start + o.wire_ns
        if arrival < due:
            for j in range(out.shape[0]):
                other = out[j]
                # one without a sample is due after all
                if other.frame >= 0 and _before(other.first_due_ns, j, due, i):
                    later += other.wire_ns
        if due - arrival <= later - due:
            best, best_due = i, due
    return best


@jit
def pop(o: Record, i: int, lines: DelayLines) -> int:
    """Place of the oldest sample of line ``i``, which is taken out of it; there has to be one."""
    slot = o.head % lines.due_ns.shape[1]
    o.head += 1
    _note_first(o, i, lines)
    return int(slot)


@jit
def forget(o: Record) -> None:
    """What is on its way never arrives."""
    o.head = o.tail
    o.first_due_ns = NOTHING_DUE
