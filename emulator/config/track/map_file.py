"""What the channels of a log are: which of our signals, in which unit, with which sign, by which clock.

A map also says where the devices sit, what was on the bike and how the day was; the scenario that it names
gives line and criteria.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Literal, NamedTuple, TypeAlias

from pydantic import AfterValidator, Field, model_validator

from emulator.config.based_on import load_with_bases
from emulator.config.field_types import FileName, Name, Position
from emulator.config.scenario.schema import Origin
from emulator.config.validation import Closed, Words, did_you_mean, missing, validate, wrong
from emulator.config.yaml_source import Source, beside
from emulator.core.signals import INDEX, SIGNALS


class Scale(NamedTuple):
    """A unit of a log: the unit of ours that it is of, and what one of it is in that."""

    ours: str
    factor: float


UNITS: dict[str, Scale] = {
    "m/s": Scale("m/s", 1.0),
    "km/h": Scale("m/s", 1.0 / 3.6),
    "mph": Scale("m/s", 0.44704),
    "kn": Scale("m/s", 1852.0 / 3600.0),
    "rad": Scale("rad", 1.0),
    "deg": Scale("rad", 0.017453292519943295),
    "rad/s": Scale("rad/s", 1.0),
    "deg/s": Scale("rad/s", 0.017453292519943295),
    "rpm": Scale("rad/s", 0.10471975511965977),
    "m/s2": Scale("m/s2", 1.0),
    "g": Scale("m/s2", 9.80665),
    "m": Scale("m", 1.0),
    "cm": Scale("m", 1e-2),
    "mm": Scale("m", 1e-3),
    "Pa": Scale("Pa", 1.0),
    "kPa": Scale("Pa", 1e3),
    "bar": Scale("Pa", 1e5),
    "psi": Scale("Pa", 6894.757293168361),
    "N": Scale("N", 1.0),
    "N m": Scale("N m", 1.0),
    "1": Scale("1", 1.0),
    "%": Scale("1", 1e-2),
}
"""Units that a log may have. Mile and standard gravity: BIPM, The International System of Units, 9th ed. and
its annexes of exact factors (from memory); the pound-force per square inch likewise."""

PLACES: dict[str, str] = {"latitude": "rad", "longitude": "rad", "course": "rad"}
"""Beside our signals, with their unit: where a receiver is (WGS 84) and goes (from north, clockwise)."""

_SIGNALS = {s.name: s.unit for s in SIGNALS if s.name.partition(".")[0] not in ("bench", "line", "loop")}
_SIGNALS.pop("truth.support")
MAPPED: dict[str, str] = {**_SIGNALS, **PLACES}
"""What a channel can be, and its unit: what the bench itself makes, no log knows."""
CHOSEN = ("truth.gear", "output.gear", "output.gnss_fix", "truth.fallen", "robot.gear_request")
"""Signals between whose values nothing lies."""


def _mapped(name: str) -> str:
    if name not in MAPPED:
        raise wrong(f"expected a signal that a log can have{did_you_mean(name, MAPPED)}")
    return name


def _unit(name: str) -> str:
    if name not in UNITS:
        raise wrong(f"expected a unit among {', '.join(UNITS)}")
    return name


Mapped: TypeAlias = Annotated[
    str, AfterValidator(_mapped), Words("a recorded signal, latitude, longitude or course")
]
Unit: TypeAlias = Annotated[str, AfterValidator(_unit), Words("a unit such as km/h")]
Axis: TypeAlias = Literal["x", "-x", "y", "-y", "z", "-z"]
Celsius: TypeAlias = Annotated[float, Field(ge=-60, le=250)]


class TimeChannel(Closed):
    """The column of a table that tells the time."""

    channel: Name
    """As the log calls it."""
    unit: Literal["s", "ms", "us", "ns"] = "s"
    """What it counts in."""


class TextForm(Closed):
    """How a CSV is written, where it can't be told from its first lines."""

    delimiter: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    """What stands between columns, one character. Left out: found."""
    decimal: Literal[".", ","] | None = None
    """The decimal sign. Left out: found."""
    header_line: Annotated[int, Field(ge=1, le=1000)] | None = None
    """Line that names the columns. Left out: the first one with the names that the map has."""


class Channel(Closed):
    """One channel of a log, and the signal of ours that it is."""

    channel: Name
    """As the log calls it; of a bus its signal, or FRAME.SIGNAL. NMEA: latitude, longitude, altitude, speed,
    course, fix, satellites."""
    group: Annotated[int, Field(ge=0)] | None = None
    """Number of its group in an MDF file with several channels of this name. Left out: there is one."""
    signal: Mapped
    """What it is of ours (emulator list signals), or latitude, longitude, course."""
    unit: Unit
    """What the log counts it in."""
    sign: Literal[1, -1] = 1
    """Minus one where the log counts the other way round."""
    clock: Name | None = None
    """The clock of ``clocks`` that stamped it. Left out: the main one."""
    least: float | None = None
    """[unit of the log] Values below are outliers. Left out: none is."""
    most: float | None = None
    """[unit of the log] Values above are outliers. Left out: none is."""
    outliers: Literal["taken_out", "kept"] = "taken_out"
    """kept: values that leave their neighbours and come back are left as they are."""
    stands_s: Annotated[float, Field(gt=0, le=3600)] | None = None
    """How long a value stands before a gap begins. Left out: three usual steps."""
    late_ms: Annotated[float, Field(ge=0, le=1000)] | None = None
    """[ms] How much later a sample is stamped than what it shows: delay, filter, way. It is taken off. Left
    out: not known, nothing is."""
    late_sigma_ms: Annotated[float, Field(ge=0, le=1000)] | None = None
    """[ms] One standard deviation of what is left of that. Left out: 1 where late_ms is told, else 10."""
    off_sigma: Annotated[float, Field(ge=0)] | None = None
    """[unit of the log] One standard deviation of what it is off by for seconds on end, by bias, mounting and
    drift. Left out: what is usual of such a device."""

    @model_validator(mode="after")
    def _of_that_unit(self) -> Channel:
        ours = MAPPED[self.signal]
        if UNITS[self.unit].ours != ours:
            fitting = ", ".join(unit for unit, scale in UNITS.items() if scale.ours == ours)
            raise wrong(f"expected a unit of {self.signal}: {fitting}", "unit")
        if self.least is not None and self.most is not None and self.least >= self.most:
            raise wrong(f"expected more than least ({self.least:g}), got {self.most:g}", "most")
        return self


class Clock(Closed):
    """A clock beside the main one: two signals that rise and fall together say what is between them."""

    name: Name
    """What channels name it by."""
    signal: Mapped
    """Signal that this clock stamped."""
    like: Mapped
    """Signal by the main clock that shows the same, such as the speed of a wheel."""
    within_s: Annotated[float, Field(gt=0, le=600)] = 5.0
    """How far apart both may be when each begins at its first sample."""

    @model_validator(mode="after")
    def _two(self) -> Clock:
        if MAPPED[self.signal] != MAPPED[self.like]:
            raise wrong(f"expected a signal in {MAPPED[self.signal]}, as that of 'signal'", "like")
        return self


class InertialUnit(Closed):
    """Where the inertial unit sits, and which way."""

    axes: tuple[Axis, Axis, Axis] = ("x", "y", "z")
    """Which of the unit's axes points forward, left and up, such as [y, -x, z]. Left out: [x, y, z]."""
    mounting: Literal["estimate", "as_told"] = "as_told"
    """estimate: the angles that are left are found from standstill and straights; as_told: there are none."""
    standstill_lean_deg: Annotated[float, Field(ge=-45, le=45)] = 0.0
    """Lean of the bike while it stands, positive to the right."""
    force_bias_m_s2: Annotated[float, Field(ge=0, le=5)] = 0.05
    """What the specific force may be off by, for the uncertainty; common practice, no source."""
    position_m: Position | None = None
    """Lever arm: forward of the rear contact, left, above the ground. Left out: not known."""


class Antenna(Closed):
    """Where the receiver's antenna sits."""

    position_m: Position
    """Lever arm: forward of the rear contact, left, above the ground."""


class Tyre(Closed):
    """A tyre of the day."""

    name: Name
    """Which one, as the paddock calls it."""
    cold_bar: Annotated[float, Field(gt=0, le=6)] | None = None
    """[bar] Pressure before the ride. Left out: not known."""
    hot_bar: Annotated[float, Field(gt=0, le=6)] | None = None
    """[bar] Pressure right behind the ride. Left out: not known."""
    surface_degC: Celsius | None = None
    """Temperature of its surface. Left out: not known."""


class Conditions(Closed):
    """What was on the bike and how the day was; it stands in the record beside the log."""

    front: Tyre | None = None
    """Tyre of the front wheel. Left out: not known."""
    rear: Tyre | None = None
    """Tyre of the rear wheel. Left out: not known."""
    air_degC: Celsius | None = None
    """Temperature of the air. Left out: not known."""
    track_degC: Celsius | None = None
    """Temperature of the road. Left out: not known."""
    fuel_kg: Annotated[float, Field(ge=0, le=60)] | None = None
    """Fuel at the start. Left out: not known."""
    rider_kg: Annotated[float, Field(ge=0, le=250)] | None = None
    """Rider with gear, or robot. Left out: not known."""
    wind_m_s: Annotated[float, Field(ge=0, le=60)] | None = None
    """Speed of the wind. Left out: not known."""
    wind_from_deg: Annotated[float, Field(ge=0, le=360)] | None = None
    """Where it came from, from north, clockwise. Left out: not known."""
    remark: Name | None = None
    """Anything else, in a line. Left out: nothing."""


class TrackMap(Closed):
    """How a log of the track becomes a record."""

    kind: Literal["track_map"]
    name: Name
    """What the record is called in reports."""
    scenario: FileName | None = None
    """Scenario that gives line, origin and criteria, path from this file. Left out: nothing is judged."""
    origin: Origin | None = None
    """Where places are told from if there is no scenario. Left out: the scenario's origin."""
    dbc: FileName | None = None
    """DBC of a bus log, path from this file. Left out: the log is none of a bus."""
    time: TimeChannel | None = None
    """The time of a table (CSV, Parquet). Left out: other logs know theirs."""
    csv: TextForm = TextForm()
    """How a CSV is written. Left out: found."""
    channels: Annotated[tuple[Channel, ...], Field(min_length=1)]
    """What the log's channels are."""
    clocks: tuple[Clock, ...] = ()
    """Clocks beside the main one. Left out: all channels have one clock."""
    inertial_unit: InertialUnit = InertialUnit()
    """The inertial unit. Left out: it points as the bike does."""
    antenna: Antenna | None = None
    """The receiver's antenna. Left out: places are taken as they are."""
    conditions: Conditions = Conditions()
    """Tyres, pressures, temperatures, fuel and wind. Left out: not known."""

    @model_validator(mode="after")
    def _goes_together(self) -> TrackMap:
        signals = [channel.signal for channel in self.channels]
        for k, signal in enumerate(signals):
            if signal in signals[:k]:
                raise wrong(f"expected another signal: channel {signals.index(signal)} is it, too",
                            "channels", k, "signal")  # fmt: skip
        by_clock = {channel.signal: channel.clock for channel in self.channels}
        names = [clock.name for clock in self.clocks]
        for k, channel in enumerate(self.channels):
            if channel.clock is not None and channel.clock not in names:
                raise wrong(f"expected a clock of 'clocks'{did_you_mean(channel.clock, names)}",
                            "channels", k, "clock")  # fmt: skip
        for k, clock in enumerate(self.clocks):
            if names.index(clock.name) != k:
                raise wrong("expected another name; an earlier clock has it", "clocks", k, "name")
            if by_clock.get(clock.signal, "") != clock.name:
                raise wrong("expected a signal of a channel by this clock", "clocks", k, "signal")
            if clock.like not in by_clock or by_clock[clock.like] is not None:
                raise wrong("expected a signal of a channel by the main clock", "clocks", k, "like")
        if ("latitude" in by_clock) != ("longitude" in by_clock):
            raise missing("'latitude' and 'longitude' go together", "channels")
        if self.scenario is not None and self.origin is not None:
            raise wrong("expected none beside 'scenario', whose origin is taken; remove it", "origin")
        if "latitude" in by_clock and self.scenario is None and self.origin is None:
            raise missing("'scenario', or 'origin': where places are told from", "scenario")
        if "latitude" in by_clock and by_clock["latitude"] != by_clock["longitude"]:
            raise wrong("expected one clock for latitude and longitude", "channels")
        late = {channel.signal: channel.late_ms for channel in self.channels}
        if late.get("latitude") != late.get("longitude"):
            raise wrong("expected one late_ms for latitude and longitude", "channels")
        return self


assert set(CHOSEN) <= set(INDEX)


def load_map(path: str | os.PathLike[str]) -> tuple[TrackMap, Source]:
    """Read a map. Raises ConfigError with every problem in it."""
    source = load_with_bases(path, TrackMap)
    return validate(TrackMap, source), source


def named_path(source: Source, name: str) -> Path:
    """A file that a map names."""
    return Path(beside(source.path, name))
