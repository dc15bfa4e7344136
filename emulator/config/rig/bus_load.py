"""What a rig's bus has to carry, and when its frames arrive: load, response times, residual of each latency.

Only where the bit rate is known; then a frame's time on the bus is part of its output's latency. A frame with
the bus to itself arrives within half a tick of it. Frames promised for one instant go one behind the other,
the most urgent first, and are farther off: see ``hand_overs``.

Worst responses know the outputs' plan: what never goes in one tick is not added up (``planned_responses``).
Where no plan is known, everybody's frames may come at once (``can_timing``). The robot's always may: their
phase is its own.

What is not in it: the robot's frames in ``arrivals`` (they are in the worst responses), the time from the
tick's beginning until frames are handed over (some 0.1 to 0.3 ms, in every run's certificate) and ticks that
are late, the serial line between host and adapter, frames repeated after an error, and the stuff bits, which
depend on the data: a frame is taken half way between the shortest and the longest of its shape, in worst
responses with the data that make it longest (``stuffing.longest``). Those hold for senders that offer their
most urgent frame first; one that works off a queue in order adds the frames before it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np

from emulator.config.rig.buses import SocketcanBus
from emulator.config.rig.file import Rig
from emulator.config.rig.hand_overs import Arrivals, Periodic, Window, arrivals, plan_of
from emulator.config.rig.outputs import Output, USUAL_PERIODS_ms, commands_in
from emulator.core.frame_buffer import EXTENDED
from emulator.core.signals import TICK_NS
from emulator.sensors.sampling import rate_fraction
from emulator.wire.arbitration import WireTimes, frame_ns, wire_times
from emulator.wire.can_frames import Codec, labelled
from emulator.wire.can_timing import (
    BitRates,
    FrameBits,
    Message,
    bits_ns,
    inversions,
    load,
    response_times,
    right_of_way,
)
from emulator.wire.planned_responses import HandOver, Planned, planned_responses
from emulator.wire.stuffing.longest import longest_bits

_SIGMAS = 6
"""Drawn jitter reaches so many sigma, as deep as the delay lines are."""


BY_CONTENT = "by content"
"""How long frames are on the virtual bus; records without this word hold arrivals of frames that were half
way between the shortest and the longest of their shape."""


class FrameLine(NamedTuple):
    """One frame of the budget; times in ns. ``latency_ns`` and ``arrivals`` None for the robot's.

    in_dbc    what the DBC calls it
    jitter_ns  between when it may first and last be handed over; drawn_ns of it because the rig asks for it
    wait_ns   age of an output's content when it may first be handed over; 0 for the robot's
    worst_ns  response time at worst, from when it may first be handed over; None: never over
    blocking_ns of that, at most, behind a less urgent frame that has just begun
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
    wait_ns: int
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
        return self.wait_ns + self.worst_ns


class BusLoad(NamedTuple):
    """The whole bus.

    rates      bit rates
    load       share of the bus taken at most
    assumed    the robot's periods are not told: those of the reference robot
    planned    whether worst responses know the outputs' plan; else all frames may come at once
    frames     the most urgent first
    inverted   (name, name): the first has the nearer deadline, the second goes before it
    """

    rates: BitRates
    load: float
    assumed: bool
    planned: bool
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
            "frame_times": BY_CONTENT,
            "robot_periods_assumed": self.assumed,
            "plan_known": self.planned,
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


def content_ns(rig: Rig, codec: Codec, can_id: int, payload: bytes) -> int:
    """Time of one frame [ns], by its content; 0 where the bit rate is not told."""
    data = np.array(list(payload), np.uint8)
    return int(frame_ns(rig_wire_times(rig, codec), can_id, data, len(data)))


def longest(codec: Codec, frame: str) -> FrameBits:
    """Bits of a frame with the data that make it longest."""
    return longest_bits(int(codec.table.can_id[codec.frame(frame)]), codec.shape(frame))


def _fd_ids(codec: Codec) -> set[int]:
    return {int(i) for i, fd in zip(codec.table.can_id, codec.fd, strict=True) if fd}


def rig_wire_times(rig: Rig, codec: Codec) -> WireTimes:
    """Times of frames on the rig's bus by their content, for compiled code."""
    return wire_times(bit_rates(rig), _fd_ids(codec))


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
    periodics = schedule(rig, codec)
    arrive = dict(zip(outputs, arrivals(periodics), strict=True))
    plan = plan_of(periodics, [_drawn_ns(output) for output in outputs.values()])
    ways = [] if plan is None else [dict(zip(outputs, way, strict=True)) for way in plan.ways]
    told_ms = rig.device_under_test.periods_ms
    periods = {str(name): told_ms.get(name, usual) for name, usual in from_robot.items()}
    messages, waits = [], dict.fromkeys(names, 0)
    for name in names:
        output = outputs.get(name)
        if output is None:
            period, jitter = round(periods[name] * 1e6), 0
        else:
            period = math.floor(1e9 / output.rate_hz)
            waits[name], last = arrive[name].wait_ns
            if ways:
                waits[name] = min(w.first_ns - w.valid_ns for way in ways for w in way[name])
                last = max(w.last_ns - w.valid_ns for way in ways for w in way[name])
            jitter = last - waits[name] + (0 if ways else _drawn_ns(output))
            if (Fraction(period, TICK_NS)).denominator != 1:
                jitter += TICK_NS  # samples stand on ticks, their rate need not
        can_id = int(codec.table.can_id[codec.frame(name)])
        longest_ns = rates.time_ns(longest(codec, name))
        messages.append(Message(name, can_id, longest_ns, period, jitter, period))
    responses = response_times(messages, bits_ns(1, rates.nominal))
    worst_ns = {r.message.name: r.worst_ns for r in responses}
    if plan is not None:
        worst_ns = _planned_ns(messages, plan.repeat_ns, ways, waits, bits_ns(1, rates.nominal))
    frames = []
    for response in responses:
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
                bits=longest(codec, m.name),
                longest_ns=m.transmission_ns,
                usual_ns=rates.usual_ns(shape),
                period_ns=m.period_ns,
                jitter_ns=m.jitter_ns,
                drawn_ns=_drawn_ns(output),
                latency_ns=None if output is None else round(output.latency_ms * 1e6),
                arrivals=arrive.get(m.name),
                wait_ns=waits[m.name],
                worst_ns=worst_ns[m.name],
                blocking_ns=response.blocking_ns,
                deadline_ns=m.deadline_ns,
            )
        )
    told = rig.device_under_test.kind == "reference" or from_robot.keys() <= told_ms.keys()
    return BusLoad(
        rates,
        float(load(messages)),
        not told,
        plan is not None,
        tuple(frames),
        tuple((codec.label(late.name), codec.label(early.name)) for late, early in inversions(messages)),
    )


def _planned_ns(
    messages: Sequence[Message],
    repeat_ns: int,
    ways: Sequence[Mapping[str, Sequence[Window]]],
    waits: Mapping[str, int],
    bit_ns: int,
) -> dict[str, int | None]:
    """Worst responses where the outputs go by their plan, and the robot's frames when it is worst."""
    worst: dict[str, int | None] = {}
    for way in ways:
        others = [m for m in messages if m.name not in way]
        planned = [
            Planned(
                m, tuple(HandOver(w.valid_ns + waits[m.name], w.first_ns, w.last_ns) for w in way[m.name])
            )
            for m in messages
            if m.name in way
        ]
        for name, found in planned_responses(others, planned, repeat_ns, bit_ns).items():
            known = worst.setdefault(name, found)
            worst[name] = None if found is None or known is None else max(found, known)
    return worst
