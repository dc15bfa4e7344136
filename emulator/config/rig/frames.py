"""What a rig asks of its frames that the DBC or the bus can't give.

The DBC by itself is checked where it is read (:mod:`emulator.wire.can_frames`); here it meets the rig: ranges
and steps of sensors and limits of actuators against the signals that carry them, latencies and rates
against the bit rate. What can't be is a problem, what is only unwise a warning.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from emulator.config.rig.bus_load import BusLoad, bit_rates, bus_load, longest
from emulator.config.rig.buses import SocketcanBus
from emulator.config.rig.file import Rig, carries_fd, dbc_path, frames_of, inputs_of
from emulator.config.rig.names.frame_maps import frame_maps
from emulator.config.rig.outputs import (
    COMMAND_FRAMES,
    INPUT_FRAME,
    REFERENCE_NEEDS,
    REQUEST_SIGNALS,
    commands_in,
)
from emulator.config.validation import did_you_mean
from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import ConfigError, Problem
from emulator.core.signals import COMMAND, OUTPUT, OUTPUTS
from emulator.sensors.sampling import MOST_VALUES
from emulator.vehicle.electronics.parameters import SHARED
from emulator.wire.can_frames import Codec
from emulator.wire.dbc_frames import frames_in, load_codec
from emulator.wire.e2e import BARE, MOST_BYTES_PROFILE_1, PROFILE_1, PROFILE_2

_ROUNDING = 1e-9


class _Finding(NamedTuple):
    loc: Loc
    text: str
    impossible: bool = True
    at_key: bool = False


class _Carried(NamedTuple):
    """What a signal of a frame can say: numbers from low to high in steps, and perhaps "not available"."""

    frame: str
    low: float
    high: float
    step: float
    has_missing: bool


def frame_contradictions(rig: Rig, source: Source, codec: Codec) -> tuple[list[Problem], list[Problem]]:
    """(problems, warnings) of a rig whose frames ``codec`` holds, each at its place in the rig file."""
    problems: list[Problem] = []
    warnings: list[Problem] = []
    for check in (
        *(_formats, _widths, _commands, _reference_robot, _inputs, _pulses, _real_units),
        *(_reaction, _absent),
        *(_ranges, _steps, _actuators, _wire_times, _bus_load),
    ):
        for finding in check(rig, codec):
            into = problems if finding.impossible else warnings
            into.append(source.problem(finding.loc, finding.text, at_key=finding.at_key))
    return problems, warnings


def read_codec(rig: Rig, source: Source) -> Codec:
    """The codec of the frames a rig uses. Raises ConfigError.

    Outputs that the DBC does not have, or whose signals are no output values, and own names that the DBC does
    not bear out are told at their place in the rig file; what is wrong with the DBC itself at its own lines.
    """
    path = Path(dbc_path(rig, source))
    known = frames_in(path)
    fit = [name for name, signals in known.items() if OUTPUT.keys() >= set(signals)]
    maps, problems = frame_maps(rig, source, path)
    for name in rig.outputs:
        if name in rig.own_names:
            continue
        if name in known and name not in fit:
            text = (
                f"expected a frame of signals that the bench can measure; {name} has "
                f"{', '.join(s for s in known[name] if s not in OUTPUT)}"
            )
        elif name not in known:
            near = did_you_mean(name, fit)
            can = f"expected a frame of the DBC that the bench can fill ({', '.join(fit)})"
            text = f"{can}, got {name!r}{near}"
        else:
            continue
        problems.append(source.problem(("outputs", name), text, at_key=True))
    request = rig.rehearsal.request_frame
    if request is not None and set(known.get(request, ())) != set(REQUEST_SIGNALS):
        near = did_you_mean(request, known) if request not in known else ""
        signals = " and ".join(REQUEST_SIGNALS)
        text = f"expected a frame of the DBC with the signals {signals}, got {request!r}{near}"
        problems.append(source.problem(("rehearsal", "request_frame"), text))
    if problems:
        raise ConfigError(problems)
    frames = frames_of(rig)
    if maps:  # a lab's robot need not send all that ours does
        frames = [f for f in frames if f in maps or f in known or f not in COMMAND_FRAMES]
    return load_codec(path, frames, dict.fromkeys(COMMAND_FRAMES, tuple(COMMAND)), maps)


def _carried(codec: Codec, frame: str, signal: str) -> _Carried:
    t = codec.table
    s = int(t.first[codec.frame(frame)]) + codec.signal(frame, signal)
    ends = [float(raw * t.factor[s] + t.offset[s]) for raw in (t.raw_low[s], t.raw_high[s])]
    return _Carried(frame, min(ends), max(ends), abs(float(t.factor[s])), bool(t.has_missing[s]))


def _where(rig: Rig, codec: Codec, signal: str) -> Iterator[_Carried]:
    """The outputs that carry a signal."""
    for frame in rig.outputs:
        if signal in codec.signals[codec.frame(frame)]:
            yield _carried(codec, frame, signal)


def _formats(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    """Frames the bus has no place for, and protection beyond what it is made for."""
    for f, frame in enumerate(codec.frames):
        loc: Loc = ("outputs", frame) if frame in rig.outputs else ("dbc",)
        length = int(codec.table.length[f])
        if codec.fd[f] and not carries_fd(rig):
            if isinstance(rig.bus, SocketcanBus):
                advice = "set fd: true under bus, or change the DBC"
            else:
                advice = "a bus of kind socketcan with fd: true carries it (virtually without an interface)"
            yield _Finding(
                loc,
                f"expected classical frames on this bus; the DBC makes {frame} a CAN FD frame of {length} "
                f"bytes: {advice}",
            )
        short = codec.table.profile[f] in (PROFILE_1, PROFILE_2)
        if short and length > MOST_BYTES_PROFILE_1:
            yield _Finding(
                loc,
                f"frame {frame} has {length} bytes; the CRC of E2E {codec.profiles[f]} is meant for at most "
                f"{MOST_BYTES_PROFILE_1}: errors of more than one bit may pass unnoticed",
                impossible=False,
            )


def _widths(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    for frame in rig.outputs:
        signals = codec.signals[codec.frame(frame)]
        if len(signals) > MOST_VALUES:
            text = f"expected a frame of at most {MOST_VALUES} signals; {frame} has {len(signals)} in the DBC"
            yield _Finding(("outputs", frame), text)


def _commands(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    """Signals without which no ride can go on: it would trip on the robot, which could not help it."""
    carried = {signal for frame in commands_in(codec.frames) for signal in codec.signals[codec.frame(frame)]}
    steering = "steering_angle_rad" if rig.steering == "angle_driven" else "steering_torque_Nm"
    frames = ", ".join(COMMAND_FRAMES)
    for signal in ("heartbeat", steering, "throttle"):
        if signal in carried:
            continue
        if rig.own_names:
            text = f"expected {signal} among the signals of a frame of the robot ({frames})"
            yield _Finding(("own_names",), f"{text}: the rig trips without it", at_key=True)
        else:
            text = f"expected a DBC in which a frame of the robot ({frames}) has {signal}"
            yield _Finding(("dbc",), f"{text}: the rig trips without it")
    for key, monitor, signal in (
        ("steering_angle", rig.monitors.steering_angle, "steering_angle_rad"),
        ("lean_estimate", rig.monitors.lean_estimate, "estimate_roll_rad"),
        ("speed_estimate", rig.monitors.speed_estimate, "estimate_speed_m_s"),
    ):
        if rig.own_names and monitor is not None and signal not in carried:
            text = f"expected {signal} among own_names: this compares it, and never sent is beyond any bound"
            yield _Finding(("monitors", key), text, at_key=True)


def request_codec(rig: Rig, source: Source) -> Codec | None:
    """The codec of the frame by which a rehearsal asks; None if the rig has none. Raises ConfigError."""
    name = rig.rehearsal.request_frame
    return None if name is None else load_codec(Path(dbc_path(rig, source)), [name])


def _reference_robot(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    """Values without which the reference robot can't ride, where the DBC's names are not ours."""
    if not rig.own_names or rig.device_under_test.kind != "reference":
        return
    sent = {signal for frame in rig.outputs for signal in codec.signals[codec.frame(frame)]}
    missing = [signal for signal in REFERENCE_NEEDS if signal not in sent]
    if missing:
        yield _Finding(
            ("own_names",),
            f"expected outputs that carry {', '.join(missing)}: the reference robot needs them",
            at_key=True,
        )


def _inputs(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    asked = inputs_of(rig)
    if not asked:
        return
    f = codec.frame(INPUT_FRAME)
    known = codec.signals[f]
    for i, signal in enumerate(asked):
        loc: Loc = ("permissives", i) if i < len(rig.permissives) else ("local_enable",)
        if signal not in known:
            text = f"expected a signal of frame {INPUT_FRAME} in the DBC, which has {', '.join(known)}"
            yield _Finding(loc, text)
            continue
        carried = _carried(codec, INPUT_FRAME, signal)
        if not carried.low <= 1.0 <= carried.high:
            text = f"expected a signal whose range in the DBC has the 1 that permits; {signal} does not"
            yield _Finding(loc, text)
    if int(codec.table.profile[f]) == BARE:
        text = (
            f"expected frame {INPUT_FRAME} to be protected in the DBC (DataId, crc, alive), or a sender that "
        )
        loc = ("permissives",) if rig.permissives else ("local_enable",)
        yield _Finding(loc, text + "hangs and repeats its last frame would go on permitting")


def _pulses(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    for frame in rig.outputs:
        sources = {OUTPUTS[OUTPUT[s]].source for s in codec.signals[codec.frame(frame)] if s in OUTPUT}
        if "wheel_pulses" in sources and rig.sensors.wheel_speed.tone_ring is None:
            yield _Finding(("outputs", frame), "expected sensors.wheel_speed.tone_ring: pulses are its edges")


def _real_units(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    """A unit on the bench that gets no pulses of ours brakes a bike that stands."""
    carried = {signal for frame in rig.outputs for signal in codec.signals[codec.frame(frame)]}
    ends = [end for end in ("front", "rear") if f"wheel_{end}_hz" not in carried]
    by_pulses = [name for name in rig.electronics.real if name in SHARED]
    for name in by_pulses if ends else ():
        missing = " and ".join(f"wheel_pulses_{end}" for end in ends)
        text = (
            f"expected {missing} among outputs: the unit on the bench gets the wheels' speeds by their pulses"
        )
        yield _Finding(("electronics", name), text)


def _reaction(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    for frame in rig.outputs:
        sources = {OUTPUTS[OUTPUT[s]].source for s in codec.signals[codec.frame(frame)] if s in OUTPUT}
        if "fork" in sources and rig.steering != "angle_driven":
            text = (
                "expected no such frame where steering is torque_driven: no angle is imposed that could react"
            )
            yield _Finding(("outputs", frame), text)


def _absent(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    for frame, output in rig.outputs.items():
        known = codec.signals[codec.frame(frame)]
        for i, signal in enumerate(output.absent):
            loc = ("outputs", frame, "absent", i)
            if signal not in known:
                near = did_you_mean(signal, known)
                yield _Finding(loc, f"expected one of {', '.join(known)}, got {signal!r}{near}")
            elif not _carried(codec, frame, signal).has_missing:
                text = (
                    f'expected a signal that can say "not available"; the DBC gives every code of {signal} '
                )
                yield _Finding(loc, text + "a meaning: leave the frame out, or narrow its range in the DBC")


def _ranges(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    for signal, sensor in rig.sensors.analogue.items():
        for carried in _where(rig, codec, signal):
            for i, end in enumerate(sensor.range or ()):
                slack = _ROUNDING * max(1.0, abs(end))
                if not carried.low - slack <= end <= carried.high + slack:
                    yield _Finding(
                        ("sensors", "analogue", signal, "range", i),
                        f"expected from {carried.low:.8g} to {carried.high:.8g}, which is what frame "
                        f"{carried.frame} carries by the DBC, got {end:g}",
                    )


def _steps(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    asked: list[tuple[Loc, str, float]] = [
        (("sensors", "analogue", signal, "resolution"), signal, sensor.resolution)
        for signal, sensor in rig.sensors.analogue.items()
    ]
    ring = rig.sensors.wheel_speed.tone_ring
    if ring is not None:
        at: Loc = ("sensors", "wheel_speed", "tone_ring", "resolution_m_s")
        asked.append((at, "wheel_front_m_s", ring.resolution_m_s))
    for loc, signal, resolution in asked:
        for carried in _where(rig, codec, signal):
            if 0.0 < resolution < carried.step * (1.0 - _ROUNDING):
                yield _Finding(
                    loc,
                    f"{resolution:g} is finer than the step of {carried.step:g} that frame {carried.frame} "
                    "has in the DBC: the robot sees the coarser one",
                    impossible=False,
                )


def _actuators(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    a = rig.actuators
    for key, name, limit, unit, scale, signal in (
        ("steering", "limit_Nm", a.steering.limit_Nm, "N m", 1.0, "steering_torque_Nm"),
        ("front_brake", "limit_bar", a.front_brake.limit_bar, "bar", 1e5, "front_brake_Pa"),
        ("rear_brake", "limit_bar", a.rear_brake.limit_bar, "bar", 1e5, "rear_brake_Pa"),
    ):
        for frame in commands_in(codec.frames):
            if signal not in codec.signals[codec.frame(frame)]:
                continue
            most = _carried(codec, frame, signal).high / scale
            if limit > most * (1.0 + _ROUNDING):
                text = f"{limit:g} {unit} is more than the {most:g} {unit} that frame {frame} can ask for"
                yield _Finding(("actuators", key, name), text, impossible=False)


def _wire_times(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    rates = bit_rates(rig)
    if rates is None:
        return
    for frame, output in rig.outputs.items():
        bits = longest(codec, frame)
        needed_ms = rates.time_ns(bits) * 1e-6
        if output.latency_ms < needed_ms:
            told = f"{bits.nominal} bits at worst, {rates.nominal} bit/s"
            if bits.fast:
                told += f", and {bits.fast}, {rates.data} bit/s"
            yield _Finding(
                ("outputs", frame, "latency_ms"),
                f"expected at least {needed_ms:.3g} ms, the time of this frame on the wire ({told}), "
                f"got {output.latency_ms:g}",
            )


def _bus_load(rig: Rig, codec: Codec) -> Iterator[_Finding]:
    rates = bit_rates(rig)
    if rates is None:
        return
    load = sum(
        rates.time_ns(longest(codec, frame)) * 1e-9 * output.rate_hz for frame, output in rig.outputs.items()
    )
    if load > 1.0:
        yield _Finding(
            ("bus",),
            f"expected a bus that carries the outputs: at {rates.nominal} bit/s they take up to "
            f"{load * 100.0:.0f} % of its time; raise the bit rate or send less",
        )
        return
    budget = bus_load(rig, codec)
    if budget is None:
        return
    if budget.load >= 1.0:
        yield _Finding(
            ("bus",),
            f"expected a bus that carries all frames: outputs and the robot's frames take up to "
            f"{budget.load * 100.0:.0f} % of {rates.nominal} bit/s; raise the bit rate, send less, or say "
            "how often the robot sends (device_under_test.periods_ms)",
            impossible=not budget.assumed,
        )
        return
    yield from _promises(rig, budget)


def _promises(rig: Rig, budget: BusLoad) -> Iterator[_Finding]:
    """Latencies and periods that the bus as a whole does not let be kept."""
    allowed_ms = rig.timing.age_p99_ms
    old: list[str] = []
    slow: list[str] = []
    for frame in budget.frames:
        if frame.arrivals is None or frame.worst_ns is None or frame.worst_age_ns is None:
            continue
        assert frame.latency_ns is not None
        late_ms, latency_ms = frame.arrivals.error_ns[2] * 1e-6, frame.latency_ns * 1e-6
        worst_ms, age_ms = frame.worst_ns * 1e-6, frame.worst_age_ns * 1e-6
        loc: Loc = ("outputs", frame.name, "latency_ms")
        if late_ms > allowed_ms:
            yield _Finding(
                loc,
                f"expected a latency that the bus can keep, got {latency_ms:g} ms: behind the outputs before "
                f"it, the frame arrives up to {late_ms:.2f} ms later (timing.age_p99_ms allows "
                f"{allowed_ms:g}); make it {latency_ms + late_ms:.1f} ms or longer, send less, or raise the "
                "bit rate",
            )
        elif age_ms - latency_ms - frame.drawn_ns * 1e-6 > allowed_ms:
            old.append(f"{frame.label} {age_ms:.2f} ms instead of {latency_ms:g}")
        if not frame.in_time:
            slow.append(f"{frame.label} {worst_ms:.2f} ms of {frame.deadline_ns * 1e-6:g}")
    if old:
        text = (
            "with the robot's frames in between outputs may be older than timing.age_p99_ms "
            f"({allowed_ms:g}) allows: {', '.join(old)}"
        )
        yield _Finding(("bus",), text, impossible=False)
    if slow:
        text = f"more urgent identifiers may keep frames off the bus beyond their periods: {', '.join(slow)}"
        yield _Finding(("bus",), text, impossible=False)
