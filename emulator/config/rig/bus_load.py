"""What a rig's bus has to carry, and when its frames arrive: load, response times, residual of each latency.

Only where the bit rate is known; then a frame's time on the bus is part of its output's latency. The loop
hands frames over on ticks only, each at the tick that brings its arrival nearest to what was promised, so a
frame with the bus to itself arrives within half a tick of it. Frames promised for one instant go one behind
the other, the most urgent first, and are farther off. :func:`arrivals` steps the schedule through one common
period of all outputs; it is written on its own, and what the compiled plant does is checked against it.

What is not in it: the robot's frames in :func:`arrivals` (they are in the worst-case response times), the
time from the tick's beginning until frames are handed over (some 0.1 to 0.3 ms, in every run's certificate),
the serial line between host and adapter, frames repeated after an error, and the stuff bits, which depend on
the data (a frame is taken half way between its shortest and its longest). Response times hold for senders
that offer their most urgent frame first; one that works off a queue in order adds the frames before it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache
from typing import Any, NamedTuple

from emulator.config.rig.buses import SocketcanBus
from emulator.config.rig.file import Rig
from emulator.config.rig.outputs import Output, USUAL_PERIODS_ms, commands_in
from emulator.core.frame_buffer import EXTENDED
from emulator.core.signals import TICK_NS
from emulator.sensors.sampling import rate_fraction
from emulator.wire.arbitration import WireTimes, wire_times
from emulator.wire.can_frames import Codec, labelled
from emulator.wire.can_timing import (
    BitRates,
    FrameBits,
    FrameShape,
    Message,
    bits_ns,
    inversions,
    load,
    response_times,
    right_of_way,
)

_LONGEST = 20_000
"""Ticks the schedule is stepped through at most."""
_SIGMAS = 6
"""Drawn jitter reaches so many sigma, as deep as the delay lines are."""


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


class FrameLine(NamedTuple):
    """One frame of the budget; times in ns. ``latency_ns`` and ``arrivals`` None for the robot's.

    in_dbc    what the DBC calls it
    jitter_ns  between when it may first and last be handed over; drawn_ns of it because the rig asks for it
    worst_ns  response time at worst, from when it may first be handed over; None: never over
    blocking_ns of that, behind a less urgent frame that has just begun
    """

    name: str
    in_dbc: str
    from_robot: bool
    can_id: int
    data_bytes: int
    bits: FrameBits
    longest_ns: int
    usual_ns: int
    period_ns: int
    jitter_ns: int
    drawn_ns: int
    latency_ns: int | None
    arrivals: Arrivals | None
    worst_ns: int | None
    blocking_ns: int
    deadline_ns: int

    @property
    def label(self) -> str:
        """Our name of it, and the DBC's where that is another."""
        return labelled(self.name, self.in_dbc)

    @property
    def in_time(self) -> bool:
        """Whether it is over by its deadline, the next one's time, come what may."""
        return self.worst_ns is not None and self.worst_ns <= self.deadline_ns

    @property
    def worst_age_ns(self) -> int | None:
        """Age on arrival at worst, for an output."""
        if self.arrivals is None or self.worst_ns is None:
            return None
        return self.arrivals.wait_ns[0] + self.worst_ns


class BusLoad(NamedTuple):
    """The whole bus.

    rates      bit rates
    load       share of the bus taken at most
    assumed    the robot's periods are not told: those of the reference robot
    frames     the most urgent first
    inverted   (name, name): the first has the nearer deadline, the second goes before it
    """

    rates: BitRates
    load: float
    assumed: bool
    frames: tuple[FrameLine, ...]
    inverted: tuple[tuple[str, str], ...]

    def line(self, name: str) -> FrameLine:
        """The frame of this name."""
        return next(f for f in self.frames if f.name == name)

    def as_dict(self) -> dict[str, Any]:
        """The same as plain values, for a run's manifest; times in ms."""

        def ms(ns: float | None) -> float | None:
            return None if ns is None else round(ns * 1e-6, 6)

        return {
            "bit_rate": self.rates.nominal,
            "data_bit_rate": self.rates.data,
            "load": round(self.load, 6),
            "robot_periods_assumed": self.assumed,
            "inverted": [list(pair) for pair in self.inverted],
            "frames": [
                {
                    "name": f.name,
                    "in_dbc": f.in_dbc,
                    "from_robot": f.from_robot,
                    "can_id": f.can_id,
                    "bytes": f.data_bytes,
                    "bits": f.bits.nominal,
                    "fast_bits": f.bits.fast,
                    "time_ms": ms(f.longest_ns),
                    "period_ms": ms(f.period_ns),
                    "latency_ms": ms(f.latency_ns),
                    "worst_ms": ms(f.worst_ns),
                    "deadline_ms": ms(f.deadline_ns),
                    "in_time": f.in_time,
                    "worst_age_ms": ms(f.worst_age_ns),
                    "off_least_ms": None if f.arrivals is None else ms(f.arrivals.error_ns[0]),
                    "off_most_ms": None if f.arrivals is None else ms(f.arrivals.error_ns[2]),
                }
                for f in self.frames
            ],
        }


def bit_rates(rig: Rig) -> BitRates | None:
    """The bit rates of the rig's bus; None where they are not told."""
    nominal = rig.bus.bitrate
    if nominal is None:
        return None
    data = rig.bus.data_bitrate if isinstance(rig.bus, SocketcanBus) else None
    return BitRates(nominal, data or nominal)


def wire_ns(rig: Rig, codec: Codec, frame: str) -> int:
    """Usual time of a frame on the rig's bus [ns]; 0 where the bit rate is not told."""
    rates = bit_rates(rig)
    return 0 if rates is None else rates.usual_ns(codec.shape(frame))


def shape_ns(rig: Rig, codec: Codec, can_id: int, length: int) -> int:
    """Usual time of any frame [ns], by identifier and payload's bytes; 0 where the bit rate is not told."""
    rates = bit_rates(rig)
    shape = FrameShape(length, bool(can_id & EXTENDED), can_id in _fd_ids(codec))
    return 0 if rates is None else rates.usual_ns(shape)


def _fd_ids(codec: Codec) -> set[int]:
    return {int(i) for i, fd in zip(codec.table.can_id, codec.fd, strict=True) if fd}


def rig_wire_times(rig: Rig, codec: Codec) -> WireTimes:
    """The same of all frames at once, for compiled code."""
    return wire_times(bit_rates(rig), _fd_ids(codec))


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
    # a sample's tick is the nearest to its exact time, halves up
    per_tick = [o.rate * tick_ns / 1_000_000_000 for o in outputs]
    lines: list[deque[tuple[int, int]]] = [deque() for _ in outputs]
    taken = [0] * len(outputs)
    waiting: list[_HandedOver] = []
    passed: list[Passage] = []
    done = free = number = 0  # done: with all that was handed over; free: the wire

    def carry(until: int | None) -> int:
        """When the wire is free, all that begins before ``until`` being through."""
        now_free = free
        while waiting:
            start = max(now_free, min(w.since for w in waiting))
            if until is not None and start >= until:
                break
            first = min(w for w in waiting if w.since <= start)
            waiting.remove(first)
            now_free = start + outputs[first.output].wire_ns
            passed.append(Passage(first.output, first.valid, first.due, first.since, now_free))
        return now_free

    for tick in range(ticks):
        now = tick * tick_ns
        for k, o in enumerate(outputs):
            if math.floor(taken[k] / per_tick[k] + Fraction(1, 2)) <= tick:
                taken[k] += 1
                lines[k].append((now + o.latency_ns, now))
        while (i := _next(outputs, lines, now, done, tick_ns)) is not None:
            due, valid = lines[i].popleft()
            done = max(now, done) + outputs[i].wire_ns
            waiting.append(_HandedOver(outputs[i].rank, number, i, now, due, valid))
            number += 1
        free = carry(now + tick_ns)
    carry(None)
    return passed, lines


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


def _drawn_ns(output: Output | None) -> int:
    return 0 if output is None else round(_SIGMAS * output.jitter_ms * 1e6)


def schedule(rig: Rig, codec: Codec) -> list[Periodic]:
    """The outputs of a rig, in its order."""
    return [
        Periodic(
            str(name),
            rate_fraction(o.rate_hz),
            round(o.latency_ms * 1e6),
            wire_ns(rig, codec, name),
            right_of_way(int(codec.table.can_id[codec.frame(name)])),
        )
        for name, o in rig.outputs.items()
    ]


def bus_load(rig: Rig, codec: Codec) -> BusLoad | None:
    """The budget of a rig whose frames ``codec`` holds; None where the bit rate is not told."""
    rates = bit_rates(rig)
    outputs: dict[str, Output] = {str(name): output for name, output in rig.outputs.items()}
    from_robot = {name: USUAL_PERIODS_ms[name] for name in commands_in(codec.frames)}
    names: list[str] = [*outputs, *from_robot]
    if rates is None:
        return None
    arrive = dict(zip(outputs, arrivals(schedule(rig, codec)), strict=True))
    told_ms = rig.device_under_test.periods_ms
    periods = {str(name): told_ms.get(name, usual) for name, usual in from_robot.items()}
    messages = []
    for name in names:
        output = outputs.get(name)
        if output is None:
            period, jitter = round(periods[name] * 1e6), 0
        else:
            period = math.floor(1e9 / output.rate_hz)
            waits = arrive[name].wait_ns
            jitter = waits[1] - waits[0] + _drawn_ns(output)
            if (Fraction(period, TICK_NS)).denominator != 1:
                jitter += TICK_NS  # samples stand on ticks, their rate need not
        can_id = int(codec.table.can_id[codec.frame(name)])
        longest_ns = rates.longest_ns(codec.shape(name))
        messages.append(Message(name, can_id, longest_ns, period, jitter, period))
    frames = []
    for response in response_times(messages, bits_ns(1, rates.nominal)):
        m = response.message
        shape = codec.shape(m.name)
        output = outputs.get(m.name)
        frames.append(
            FrameLine(
                name=m.name,
                in_dbc=codec.in_dbc[codec.frame(m.name)].frame,
                from_robot=output is None,
                can_id=m.can_id & ~EXTENDED,
                data_bytes=shape.data_bytes,
                bits=shape.bits(),
                longest_ns=m.transmission_ns,
                usual_ns=rates.usual_ns(shape),
                period_ns=m.period_ns,
                jitter_ns=m.jitter_ns,
                drawn_ns=_drawn_ns(output),
                latency_ns=None if output is None else round(output.latency_ms * 1e6),
                arrivals=arrive.get(m.name),
                worst_ns=response.worst_ns,
                blocking_ns=response.blocking_ns,
                deadline_ns=m.deadline_ns,
            )
        )
    told = rig.device_under_test.kind == "reference" or from_robot.keys() <= told_ms.keys()
    return BusLoad(
        rates,
        float(load(messages)),
        not told,
        tuple(frames),
        tuple((codec.label(late.name), codec.label(early.name)) for late, early in inversions(messages)),
    )
