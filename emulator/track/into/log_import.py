"""Logs of the track brought together: in our signals and units, on one clock, on the rows of a record.

A row stands every whole number of milliseconds that the fastest channel has samples. Nothing is filled: where
a channel has a gap or an outlier its column has NaN and the marks say what was there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.config.track.map_file import CHOSEN, UNITS, Channel, Clock, TrackMap
from emulator.core.signals import INDEX
from emulator.track.into.agreement import Agreement, agreements, wrong_gain
from emulator.track.into.clocks import ClockFit, Frozen, NotTold, fit_clock, frozen, without
from emulator.track.into.grid import averaged, held, joined
from emulator.track.into.marks import Mark, Sound, sound_samples
from emulator.track.into.mounting import Mounting, find_mounting
from emulator.track.into.place import Placed, on_earth, reference_place
from emulator.track.into.samples import Samples
from emulator.track.logs.log import Log, LogError, Series, Wanted
from emulator.track.on_disk import Columns, Shelf, let_go
from emulator.wire.geodesy import Origin

Values = NDArray[np.float64]

STANDS_IN: dict[str, tuple[str, ...]] = {
    "truth.speed_m_s": ("output.wheel_front_m_s", "output.wheel_rear_m_s", "output.gnss_speed_m_s"),
    "truth.roll_rad": ("output.lean_rad",),
    "truth.roll_rate_rad_s": ("output.rate_x_rad_s",),
    "truth.pitch_rate_rad_s": ("output.rate_y_rad_s",),
    "truth.yaw_rate_rad_s": ("output.rate_z_rad_s",),
    "truth.steer_rad": ("output.steering_angle_rad",),
    "truth.fork_travel_m": ("output.fork_travel_m",),
    "truth.engine_rad_s": ("output.engine_rad_s",),
    "truth.gear": ("output.gear",),
    "actuator.throttle": ("output.throttle_position",),
    "actuator.front_brake_Pa": ("output.front_brake_line_Pa",),
    "actuator.rear_brake_Pa": ("output.rear_brake_line_Pa",),
    "actuator.clutch": ("output.clutch_position",),
}
"""What is measured stands for what nobody knows, the first one that the log has: criteria and report look
there."""
_RATES = tuple(f"output.rate_{axis}_rad_s" for axis in "xyz")
_FORCES = tuple(f"output.force_{axis}_m_s2" for axis in "xyz")
_SPEEDS = {"truth.speed_m_s", *STANDS_IN["truth.speed_m_s"]}
_COARSE_s = 0.05
_DOWN_rad, _DOWN_s = math.radians(57.0), 1.0  # more than is ridden that long; common practice, no source
_MOST_BACK = _MOST_ODD = 0.01
_MOST = {
    "steering_angle_rad": 1.2,
    "steer_rad": 1.2,
    "throttle": 1.5,
    "throttle_position": 1.5,
    "clutch": 1.5,
    "clutch_position": 1.5,
    "brake_Pa": 3e7,
    "brake_line_Pa": 3e7,
    "travel_m": 0.6,
    "engine_rad_s": 3000.0,
    "steering_torque_Nm": 500.0,
    "gear": 12.0,
}
"""Beyond what any motorcycle does, by the end of a signal's name; common practice, no source."""
_MOST_ROWS = 8_000_000
_MOST_TOLD = 5
_EPOCH_s = 1e9


@dataclass
class Brought:
    """What came of the logs.

    tick      (n,)  milliseconds since the first row
    columns   our signals, each (n,); several may be one array
    zero_s    the main log's own time at tick 0 [s]
    stand_ins what a column was taken from, where no channel is mapped to it
    """

    tick: NDArray[np.int64]
    columns: Columns
    zero_s: float
    step_ms: int
    marks: list[Mark] = field(default_factory=list)
    clocks: dict[str, ClockFit] = field(default_factory=dict)
    mounting: Mounting | None = None
    agreements: list[Agreement] = field(default_factory=list)
    stand_ins: dict[str, str] = field(default_factory=dict)
    channels: list[dict[str, Any]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    @property
    def started_epoch_s(self) -> float | None:
        """UTC of tick 0 [s since 1970], where the log's time counts so."""
        return self.zero_s if self.zero_s > _EPOCH_s else None


def wanted_of(asked: TrackMap) -> list[Wanted]:
    """The channels that a map asks its logs for."""
    return list(dict.fromkeys(Wanted(c.channel, c.group) for c in asked.channels))


def bring_together(logs: Sequence[Log], asked: TrackMap, origin: Origin | None, shelf: Shelf) -> Brought:
    """Make columns of a record from logs; the logs are used up.

    origin  where the scenario's line is on earth; needed for latitude and longitude
    shelf   where long columns and samples are kept
    Raises StartFailed: there is no room for them; LogError: a channel is not there, a clock or the mounting
    can't be told, signals contradict each other, no samples are left.
    """
    found = _series_of(logs, asked)
    for log in logs:
        log.series.clear()
    zero_s, zeros = _zeros(found, asked)
    shifted = _Shifted(shelf)
    sound = Samples(shelf)
    brought = Brought(np.empty(0, np.int64), Columns(shelf), zero_s, 1)
    brought.remarks += [f"{log.path.name}: {remark}" for log in logs for remark in log.remarks]
    for channel in asked.channels:
        series = found.pop(channel.signal)
        time_s = shifted.by(series.time_s, zeros[channel.clock] + 1e-3 * (channel.late_ms or 0.0))
        sound[channel.signal] = _sound(channel, series, time_s)
        if not len(sound[channel.signal].values):
            brought.remarks.append(f"channel {channel.channel!r} has no sample that is a number")
    shifted.forget()
    _clocks(asked, sound, brought, shelf)
    _turn_by_axes(asked, sound)
    if "course" in sound:
        sound["course"] = _unwrapped(sound["course"])
    rows = _rows(asked, sound, brought)
    _mounting(asked, sound, rows, brought)
    _agree(asked, sound, rows, brought)
    for channel in asked.channels:
        of = sound[channel.signal]
        brought.marks += of.marks
        brought.channels.append(_about(channel, of))
    _columns(asked, sound, rows, origin, brought)
    brought.marks.sort(key=lambda mark: (mark.from_s, mark.signal))
    return brought


# -- samples ---------------------------------------------------------------------------------------------


def _series_of(logs: Sequence[Log], asked: TrackMap) -> dict[str, Series]:
    """Each mapped channel's series, by our signal. Raises LogError for what no log has, or several have."""
    found: dict[str, Series] = {}
    for channel in asked.channels:
        wanted = Wanted(channel.channel, channel.group)
        having = [log for log in logs if wanted in log.series]
        if not having:
            names = sorted({name for log in logs for name in log.names})
            if channel.group is not None and channel.channel in names:
                raise LogError(
                    f"no channel {channel.channel!r} in group {channel.group} of "
                    f"{', '.join(log.path.name for log in logs)}, but in another",
                    advice="leave group out: if several groups have it, their numbers are told",
                )
            near = get_close_matches(channel.channel, names, n=5)
            shown = [*near, *(name for name in names if name not in near)]
            raise LogError(
                f"no channel {channel.channel!r} in {', '.join(log.path.name for log in logs)}",
                advice=f"there are {', '.join(shown[:25])}{' and others' if len(shown) > 25 else ''}",
            )
        if len(having) > 1:
            both = " and ".join(log.path.name for log in having)
            raise LogError(f"channel {channel.channel!r} is in {both}", advice="rename one of them")
        series = having[0].series[wanted]
        if not len(series.values):
            raise LogError(f"{having[0].path.name}: channel {channel.channel!r} has 0 samples")
        found[channel.signal] = series
    return found


def _zeros(found: dict[str, Series], asked: TrackMap) -> tuple[float, dict[str | None, float]]:
    """The first instant of each clock [s], by its own time; of the main one besides."""
    zeros: dict[str | None, float] = {}
    for channel in asked.channels:
        time_s = found[channel.signal].time_s
        finite = np.isfinite(time_s)
        if not finite.any():
            raise LogError(f"channel {channel.channel!r} has no sample with a time")
        first_s = float(time_s[np.argmax(finite)])
        let_go(time_s)
        zeros[channel.clock] = min(first_s, zeros.get(channel.clock, math.inf))
    if None not in zeros:
        raise LogError("every channel has another clock than the main one", advice="leave clock out for some")
    return zeros[None], zeros


class _Shifted:
    """Times counted from another zero: channels that share an array of times share what comes of it."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._made: dict[tuple[int, float], tuple[Values, Values]] = {}

    def by(self, time_s: Values, zero_s: float) -> Values:
        """Times (n,) from ``zero_s`` on."""
        key = (id(time_s), zero_s)
        if key not in self._made:
            self._made[key] = (
                time_s,
                self._shelf.kept(time_s - zero_s),
            )  # whose array is kept has its id for itself
        return self._made[key][1]

    def forget(self) -> None:
        """Let go of the arrays."""
        self._made.clear()


def _sound(channel: Channel, series: Series, time_s: Values) -> Sound:
    """The channel's samples in our unit and sign; times (n,) by its clock, from its first sample on.

    Raises LogError.
    """
    factor = channel.sign * UNITS[channel.unit].factor
    bounds = sorted(factor * b if b is not None else s * math.inf for b, s in
                    ((channel.least, -factor), (channel.most, factor)))  # fmt: skip
    sound = sound_samples(
        channel.signal,
        time_s,
        series.values * factor if factor != 1.0 else series.values,
        chosen=channel.signal in CHOSEN or channel.outliers == "kept",
        least=bounds[0],
        most=bounds[1],
        stands_s=channel.stands_s,
    )
    _possible(channel, sound.values)
    back = sum(mark.samples for mark in sound.marks if mark.kind == "time_back")
    if back > _MOST_BACK * len(series.time_s):
        raise LogError(
            f"channel {channel.channel!r}: {back:,} of {len(series.time_s):,} times run back or repeat",
            advice="several logs in one file? cut them apart; or see that the time is the right column",
        )
    return sound


def _possible(channel: Channel, values: Values) -> None:
    """Raises LogError where a channel often goes beyond what any motorcycle does: its unit is another."""
    most = next((most for end, most in _MOST.items() if channel.signal.endswith(end)), math.inf)
    if not len(values) or np.mean(np.abs(values) > most) <= _MOST_ODD:
        return
    unit = UNITS[channel.unit]
    reached = float(np.quantile(np.abs(values), 1.0 - _MOST_ODD))
    smaller = [
        name
        for name, other in UNITS.items()
        if other.ours == unit.ours and reached * other.factor / unit.factor <= most
    ]
    raise LogError(
        f"channel {channel.channel!r} reaches {reached / unit.factor:.4g} {channel.unit} as "
        f"{channel.signal}, beyond what any motorcycle does ({most / unit.factor:.4g} {channel.unit})",
        advice=f"is it in {' or '.join(smaller)}?" if smaller else "see whether it is the right channel",
    )


def _clocks(asked: TrackMap, sound: Samples, brought: Brought, shelf: Shelf) -> None:
    """Put every clock's samples on the main one. Raises LogError."""
    for clock in asked.clocks:
        own, main = sound[clock.signal], sound[clock.like]
        try:
            lean = _lean_by_main(asked, sound) if {clock.signal, clock.like} <= _SPEEDS else None
            fit = fit_clock(
                without((main.time_s, main.values), _frozen(clock.like, main, brought)),
                without((own.time_s, own.values), _frozen(clock.signal, own, brought)),
                clock.within_s,
                lean,
            )
        except NotTold as why:
            raise LogError(
                f"clock {clock.name!r} can't be brought to the main one by {clock.signal} and {clock.like}: "
                f"{why}",
                advice=_how_to_tell(clock, lean),
            ) from why
        if words := wrong_gain(clock.signal, fit.gain):
            raise LogError(f"{clock.signal} beside {clock.like}: {words}", advice="see unit and sign of both")
        brought.clocks[clock.name] = fit
        on_main: dict[int, tuple[Values, Values]] = {}  # whose array is kept has its id for itself
        for channel in asked.channels:
            if channel.clock == clock.name:
                of = sound[channel.signal]
                marks = [m._replace(from_s=fit.on_main(m.from_s), to_s=fit.on_main(m.to_s)) for m in of.marks]
                key = id(of.time_s)
                if key not in on_main:
                    on_main[key] = (of.time_s, shelf.kept(fit.on_main(of.time_s)))
                moved, taken = on_main[key][1], fit.on_main(of.taken_s)
                sound[channel.signal] = of._replace(time_s=moved, marks=marks, taken_s=taken)


def _frozen(signal: str, sound: Sound, brought: Brought) -> list[Frozen]:
    """Where the signal stood still and jumped, which is told: no clock is brought to another by it."""
    found = frozen(sound.time_s, sound.values)
    told = ", ".join(f"{one.from_s:.2f} to {one.to_s:.2f} s" for one in found[:_MOST_TOLD])
    more = f" and {len(found) - _MOST_TOLD} times more" if len(found) > _MOST_TOLD else ""
    if found:
        brought.remarks.append(
            f"{signal} stood still and then jumped, {told}{more}: left out where clocks are compared, and as "
            "logged in the record"
        )
    return found


def _how_to_tell(clock: Clock, lean: tuple[Values, Values] | None) -> str:
    """What brings two clocks together better."""
    both = {clock.signal, clock.like}
    if "output.wheel_rear_m_s" in both:
        return "take the front wheel's speed: a rear one slips as it drives, which passes for an offset"
    if both <= _SPEEDS and lean is None:
        return "map the lean by the main clock: wheel and receiver differ by it in bends"
    return "see the unit of the time; else take a longer log, or two signals alike that change faster"


def _lean_by_main(asked: TrackMap, sound: Samples) -> tuple[Values, Values] | None:
    """The lean's samples (time, values), if the main clock stamped them."""
    for name in ("truth.roll_rad", *STANDS_IN["truth.roll_rad"]):
        if name in sound and _by_main(asked, name):
            values = sound[name].values
            degrees = len(values) > 0 and float(np.quantile(np.abs(values), 0.99)) > math.pi / 2.0
            return None if degrees else (sound[name].time_s, values)  # which is told later on
    return None


# -- rows ------------------------------------------------------------------------------------------------


def _rows(asked: TrackMap, sound: Samples, brought: Brought) -> Values:
    """(n,) instants of the rows [s since the main clock's first sample]; sets tick and step."""
    steps = [s.step_s for s in sound.values() if s.step_s > 0.0]
    if not steps:
        raise LogError("no channel has two samples or more")
    step_ms = max(1, int(1e3 * min(steps) + 0.01))
    end_s = max(
        (float(s.time_s[-1]) for c, s in sound.items() if len(s.time_s) and _by_main(asked, c)), default=0.0
    )
    count = int((end_s + 1e-6) * 1e3 // step_ms) + 1
    if count > _MOST_ROWS:
        raise LogError(f"the log lasts {end_s:,.0f} s, {count:,} rows", advice="cut it into shorter ones")
    brought.step_ms = step_ms
    brought.tick = np.arange(count, dtype=np.int64) * step_ms
    return brought.tick / 1e3


def _by_main(asked: TrackMap, signal: str) -> bool:
    return any(channel.signal == signal and channel.clock is None for channel in asked.channels)


def _turn_by_axes(asked: TrackMap, sound: Samples) -> None:
    """Exchange the unit's channels, so that x points forward, y left, z up."""
    axes = asked.inertial_unit.axes
    for names in (_RATES, _FORCES):
        given = dict(zip("xyz", (sound.get(name) for name in names), strict=True))
        for name, axis in zip(names, axes, strict=True):
            taken = given[axis[-1]]
            if taken is None:
                sound.pop(name, None)
                continue
            sign = -1.0 if axis[0] == "-" else 1.0
            sound[name] = taken if sign > 0 else taken._replace(values=-taken.values)


def _mounting(asked: TrackMap, sound: Samples, rows: Values, brought: Brought) -> None:
    """Estimate the mounting and turn forces and rates by it. Raises LogError."""
    unit = asked.inertial_unit
    if unit.mounting == "as_told":
        return
    if missing := [name for name in (*_FORCES, *_RATES) if name not in sound]:
        raise LogError(f"the mounting can't be estimated without {', '.join(missing)}")
    speed = next((sound[n] for n in ("truth.speed_m_s", *STANDS_IN["truth.speed_m_s"]) if n in sound), None)
    if speed is None:
        raise LogError("the mounting can't be estimated without a speed")
    coarse = np.arange(rows[0], rows[-1], _COARSE_s)
    if len(coarse) < 2:
        raise LogError(f"the mounting can't be estimated from {rows[-1]:.2f} s")
    force, rate = (
        np.column_stack([averaged(sound[name], coarse, _COARSE_s) for name in names])
        for names in (_FORCES, _RATES)
    )
    try:
        found = find_mounting(
            _COARSE_s,
            force,
            rate,
            averaged(speed, coarse, _COARSE_s),
            lean_rad=math.radians(unit.standstill_lean_deg),
            bias_m_s2=unit.force_bias_m_s2,
        )
    except NotTold as why:
        raise LogError(f"the mounting of the inertial unit can't be told: {why}") from why
    brought.mounting = found
    for names in (_FORCES, _RATES):
        parts = [sound[name] for name in names]
        if any(len(p.time_s) != len(parts[0].time_s) or not np.array_equal(p.time_s, parts[0].time_s)
               for p in parts[1:]):  # fmt: skip
            common = np.intersect1d(np.intersect1d(parts[0].time_s, parts[1].time_s), parts[2].time_s)
            parts = [
                p._replace(time_s=common, values=p.values[np.searchsorted(p.time_s, common)]) for p in parts
            ]
        taken_s = np.unique(np.concatenate([part.taken_s for part in parts]))
        for name, row, part in zip(names, found.turn, list(parts), strict=True):
            sound[name] = part._replace(
                taken_s=taken_s, values=sum(w * p.values for w, p in zip(row, parts, strict=True))
            )


def _agree(asked: TrackMap, sound: Samples, rows: Values, brought: Brought) -> None:
    """Compare what knows of each other. Raises LogError for what contradicts."""
    brought.remarks += _twice(sound)
    coarse = np.arange(rows[0], rows[-1], _COARSE_s)
    if len(coarse) < 2:
        return  # too short to change in
    kept: dict[str, Values] = {}

    def look(signal: str) -> Values | None:
        if signal not in sound:
            return None
        if signal not in kept:
            of = sound[signal]
            kept[signal] = averaged(of, coarse, _COARSE_s)
        return kept[signal]

    brought.agreements = agreements(look, _COARSE_s)
    named = _channels_by_signal(asked)
    if wrong := [a for a in brought.agreements if a.holds is False]:
        shared = [one for one in wrong[0].on if all(one in a.on for a in wrong)]
        held = {one for a in brought.agreements if a.holds for one in a.on}
        doubted = [one for one in shared if one not in held] or shared
        raise LogError(
            "signals contradict each other: "
            + "; ".join(f"{a.signal}{named.get(a.signal, '')} is {a.words} ({a.beside})" for a in wrong),
            advice=(f"all of them hang on {' and '.join(doubted)}: " if len(wrong) > 1 and doubted else "")
            + "see unit, sign, axes and channel of these in the map",
        )
    brought.remarks += [
        f"{a.signal}{named.get(a.signal, '')} does not go with what it should, {a.beside}: see its channel "
        "and axes"
        for a in brought.agreements
        if a.apart
    ]


def _channels_by_signal(asked: TrackMap) -> dict[str, str]:
    """What the log calls a signal, in brackets; of the inertial unit with its axes exchanged."""
    called = {channel.signal: channel.channel for channel in asked.channels}
    for names in (_RATES, _FORCES):
        given = {axis: called.get(name) for axis, name in zip("xyz", names, strict=True)}
        for name, axis in zip(names, asked.inertial_unit.axes, strict=True):
            if (channel := given[axis[-1]]) is not None:
                called[name] = channel
    return {signal: f" (channel {channel!r})" for signal, channel in called.items()}


def _twice(sound: Samples) -> list[str]:
    """Devices that say the same to the bit, which no two do, in words."""
    names = [n for n in sound if n.startswith("output.") and n not in CHOSEN and len(sound[n].values) > 100]
    told = []
    for k, name in enumerate(names):
        values = sound[name].values
        if not np.ptp(values) > 0.0:
            continue
        told += [
            f"{other} is {name} to the bit: one channel twice?"
            for other in names[k + 1 :]
            if np.array_equal(values, sound[other].values)
        ]
    return told


def _unwrapped(sound: Sound) -> Sound:
    return sound._replace(values=np.unwrap(sound.values))


# -- columns ---------------------------------------------------------------------------------------------


def _columns(asked: TrackMap, sound: Samples, rows: Values, origin: Origin | None, brought: Brought) -> None:
    """All columns of the record; samples are let go of as they are placed."""
    columns = brought.columns
    placed = Samples(sound.shelf)
    if (place := on_earth(sound, origin)) is not None:
        placed.update(place._asdict())
        del place
        columns["output.gnss_x_m"], columns["output.gnss_y_m"] = (
            held(placed[part], rows) for part in Placed._fields
        )
    for signal in [name for name in sound if name in INDEX]:
        columns[signal] = (joined if _lies_between(signal) else held)(sound.pop(signal), rows)
    for ours, sources in STANDS_IN.items():
        source = next((name for name in sources if name in columns), None)
        if ours not in columns and source is not None:
            columns[ours] = columns[source]
            brought.stand_ins[ours] = source
    if "truth.fallen" not in columns and "truth.roll_rad" in columns:
        columns["truth.fallen"] = _fallen(columns["truth.roll_rad"], brought.step_ms)
        brought.stand_ins["truth.fallen"] = (
            f"{math.degrees(_DOWN_rad):.0f}° of lean and more for {_DOWN_s:g} s; a sensor that ends below "
            "never shows a fall"
        )
    if "course" in sound and "truth.heading_rad" not in columns:
        columns["truth.heading_rad"] = 0.5 * math.pi - joined(sound.pop("course"), rows)
        brought.stand_ins["truth.heading_rad"] = "course"
    if placed and "truth.x_m" not in columns:
        _reference(asked, placed, rows, brought)


def _fallen(lean_rad: Values, step_ms: int) -> Values:
    """(n,) 1 once the bike has lain for some time, else 0; NaN where nobody knows the lean before that."""
    fallen = np.where(np.isfinite(lean_rad), 0.0, np.nan)
    over = np.concatenate([[0], np.abs(np.nan_to_num(lean_rad)) > _DOWN_rad, [0]]).astype(np.int8)
    begins, ends = np.flatnonzero(np.diff(over) > 0), np.flatnonzero(np.diff(over) < 0)
    if len(long := begins[(ends - begins) * step_ms >= 1e3 * _DOWN_s]):
        fallen[long[0] :] = 1.0
    return fallen


def _reference(asked: TrackMap, placed: Samples, rows: Values, brought: Brought) -> None:
    """Where the bike's reference point is, under the antenna."""
    columns = brought.columns
    east, north = (joined(placed.pop(part), rows) for part in Placed._fields)
    lever = asked.antenna.position_m if asked.antenna is not None else (0.0, 0.0, 0.0)
    if any(lever):
        heading = columns.get("truth.heading_rad")
        if heading is None:
            raise LogError(
                "the antenna's lever arm needs the course", advice="map course, or leave antenna out"
            )
        roll = columns.get("truth.roll_rad")
        if roll is None:
            brought.remarks.append(
                "the antenna's place is taken down without the lean, which the log has not"
            )
        east, north = reference_place(
            east, north, heading, np.zeros(len(rows)) if roll is None else roll, lever
        )
    columns["truth.x_m"], columns["truth.y_m"] = east, north
    source = "output.gnss_x_m, output.gnss_y_m" + (" and the antenna's lever arm" if any(lever) else "")
    brought.stand_ins |= dict.fromkeys(("truth.x_m", "truth.y_m"), source)


def _lies_between(signal: str) -> bool:
    return signal.startswith(("truth.", "actuator.")) and signal not in CHOSEN


def _about(channel: Channel, sound: Sound) -> dict[str, Any]:
    """What a record's manifest says of a channel."""
    counts = dict.fromkeys(("gap", "outlier", "no_number", "time_back"), 0)
    for mark in sound.marks:
        counts[mark.kind] += mark.samples if mark.kind != "gap" else 1
    return {
        "channel": channel.channel,
        "signal": channel.signal,
        "unit": channel.unit,
        "sign": channel.sign,
        "clock": channel.clock or "main",
        "samples": len(sound.values),
        "step_s": sound.step_s,
        "stands_s": sound.stands_s,
        "first_s": float(sound.time_s[0]) if len(sound.time_s) else None,
        "late_ms": channel.late_ms,
        "late_sigma_ms": channel.late_sigma_ms,
        "off_sigma": None if channel.off_sigma is None else channel.off_sigma * UNITS[channel.unit].factor,
        "on_rows": "joined" if _lies_between(channel.signal) or channel.signal not in INDEX else "held",
        "marked": counts,
    }
