"""The scenario file: what is ridden, what happens, what must hold.

Stations are metres along the line of circuit or manoeuvre from its start, within one lap; offsets are metres
from the line, positive to the left. Times are seconds from the start of the ride. Angles in these files are
degrees.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from emulator.config.based_on import File, kind_of, source_of
from emulator.config.field_types import FileName, Name
from emulator.config.scenario.circuit import load_circuit
from emulator.config.scenario.course import Course, circuit_course
from emulator.config.scenario.events import Event, Trigger
from emulator.config.scenario.hook_file import former_names_in, wrong_in
from emulator.config.scenario.manoeuvre import Braking, Manoeuvre, has_laps, manoeuvre_course
from emulator.config.scenario.parameters import Parameter, ParameterName, put_in
from emulator.config.scenario.quantities import Duration, LeapDay, Station, UtcTime, either, left_of
from emulator.config.scenario.stretches import stretches, wrong_stretch
from emulator.config.validation import Closed, Words, did_you_mean, missing, validate, wrong
from emulator.config.vehicle.change import VehicleChange
from emulator.config.yaml_source import Loc, Source, beside
from emulator.core.constants import GRAVITY as G
from emulator.core.errors import ConfigError, Problem
from emulator.criteria.consistency import beyond_circuit, contradictions, cut_short
from emulator.criteria.kinds import AnyCriterion
from emulator.events import gnss_faults
from emulator.events.declaration import Takes
from emulator.road.build_line import LineError

_POINTS = (".gpx", ".csv", ".kml")
CAUGHT_UP_TO = 1.5
"""Times the catch speed, at which a support that caught the bike lets go of it again."""
PROFILE_JERK = 12.0
"""Jerk of the target speed [m/s^3]; a rider's hand, common practice, no source."""


class Origin(Closed):
    """Origin of the local east-north-up world, WGS 84."""

    latitude_deg: float = Field(ge=-89, le=89)
    """Latitude, positive to the north."""
    longitude_deg: float = Field(ge=-180, le=180)
    """Longitude, positive to the east."""
    height_m: float = Field(ge=-500, le=9000)
    """Height above the ellipsoid."""
    geoid_separation_m: float = Field(default=0.0, ge=-120, le=100)
    """Height of mean sea level above the ellipsoid; the receiver tells heights above it."""


class Start(Closed):
    """Where and how the ride starts; always from standstill in the support."""

    station_m: Station = 0.0
    """Where on the line the bike stands."""
    gear: int = Field(default=1, ge=0, le=6)
    """The gear that is in; 0 for neutral."""


class Support(Closed):
    """What holds the bike upright until it rides by itself, up to a speed or for a time, and may catch it."""

    tow_acceleration_m_s2: float = Field(ge=0, le=10)
    """How fast the support speeds the bike up from standstill; 0: it only holds it."""
    release_speed_km_h: float | None = Field(default=None, gt=0, le=100)
    """Speed at which the support lets go. Left out: ``release_time_s`` says when."""
    release_time_s: float | None = Field(default=None, ge=0, le=3600)
    """Time after the start of the ride at which the support lets go. Left out: ``release_speed_km_h`` says
    when."""
    catch_speed_km_h: float | None = Field(default=None, ge=1, le=20)
    """Speed below which a bike that was let go is caught again, as by legs let down, if it leans less than 20
    degrees; it is let go at half as fast again. Left out: nobody puts a foot down."""

    @model_validator(mode="after")
    def _one_release(self) -> Support:
        either("release_speed_km_h", self.release_speed_km_h, "release_time_s", self.release_time_s)
        catch, release = self.catch_speed_km_h, self.release_speed_km_h
        if catch is not None and release is not None and CAUGHT_UP_TO * catch > release:
            raise ValueError(
                f"catch_speed_km_h is {catch:g}: a bike caught is let go at {CAUGHT_UP_TO * catch:g} km/h, "
                f"which has to be no faster than release_speed_km_h, {release:g}"
            )
        return self


class SlowDown(Closed):
    """Where on an open line the target speed begins to fall, how fast, and how far."""

    from_m: Station
    """Station where it begins to fall."""
    deceleration_m_s2: float = Field(gt=0, le=15)
    """How fast it falls; built up and let go at ``jerk_limit_m_s3``."""
    to_km_h: float = Field(ge=5, le=300)
    """Speed it falls to from ``top_speed_km_h``, and keeps to the end."""


class SpeedProfile(Closed):
    """Limits of the target speed. Give the lateral limit either as acceleration or as lean.

    The longitudinal ones are of what engine and brakes do; what a slope does comes on top.
    """

    lateral_limit_m_s2: float | None = Field(default=None, gt=0, le=20)
    """Most lateral acceleration in corners. Left out: ``lean_limit_deg`` gives it."""
    lean_limit_deg: float | None = Field(default=None, gt=0, le=65)
    """Most lean in corners, as a lateral acceleration of g tan(lean). Left out: ``lateral_limit_m_s2``
    gives it."""
    acceleration_limit_m_s2: float = Field(gt=0, le=15)
    """Most acceleration, upright; less in corners."""
    braking_limit_m_s2: float = Field(gt=0, le=15)
    """Most deceleration, upright, as a positive number; less in corners."""
    top_speed_km_h: float = Field(gt=0, le=400)
    """Speed that is never exceeded; a manoeuvre is ridden at it."""
    jerk_limit_m_s3: float = Field(default=PROFILE_JERK, ge=1, le=200)
    """Most change of acceleration a second: how quickly a hand goes over from drive to brakes."""
    limit_share: float | None = Field(default=None, ge=0.5, le=1)
    """[1] Share of what the vehicle itself can do (tyres, wheels that lift, pegs that touch) that target
    speeds take, within the limits above; the reference robot then rides fast. Left out: the limits above
    alone count, less what grip leaves of them."""
    slow_down: SlowDown | None = None
    """Somewhere on an open line it falls, whatever the line. Left out: nowhere but where the line asks."""

    @model_validator(mode="after")
    def _one_lateral_limit(self) -> SpeedProfile:
        either("lateral_limit_m_s2", self.lateral_limit_m_s2, "lean_limit_deg", self.lean_limit_deg)
        down = self.slow_down
        if down is not None and down.to_km_h >= self.top_speed_km_h:
            raise wrong(
                f"expected less than top_speed_km_h {self.top_speed_km_h:g}, got {down.to_km_h:g}",
                "slow_down",
                "to_km_h",
            )
        return self


class Patch(Closed):
    """A piece of road with a grip of its own."""

    name: Name
    """A name no other patch has."""
    from_m: Station | None = None
    """Station where it begins. Left out: the whole line (a wet line, a kerb), without ``to_m`` then."""
    to_m: Station | None = None
    """Station where it ends. Left out: the whole line, without ``from_m`` then."""
    across_start: bool = False
    """Whether it begins before the lap's end, at ``from_m``, and ends in the next lap."""
    left_m: float = Field(default=25.0, ge=-50, le=50)
    """Offset of its left border from the line, positive to the left."""
    right_m: float = Field(default=-25.0, ge=-50, le=50)
    """Offset of its right border from the line, positive to the left; below ``left_m``."""
    grip: float = Field(ge=0, le=2)
    """Friction coefficient of the road in it, in place of the surface's."""
    edge_m: float = Field(default=1.0, ge=0.05, le=50)
    """Distance outside its borders over which it fades into what lies below."""

    @model_validator(mode="after")
    def _has_an_area(self) -> Patch:
        for key, other in (("from_m", self.to_m), ("to_m", self.from_m)):
            if getattr(self, key) is None and other is not None:
                raise missing(f"{key!r}: both from_m and to_m, or none of them for the whole line")
        if self.from_m is not None and self.from_m == self.to_m:
            raise wrong(f"expected another station than from_m, got {self.to_m:g} for both", "to_m")
        left_of(self.left_m, self.right_m)
        return self

    def stretch(self, length_m: float) -> tuple[float, float]:
        """Stations [m] it begins and ends at, on a line of that length."""
        if self.from_m is None or self.to_m is None:
            return 0.0, length_m
        return self.from_m, self.to_m


class Bump(Closed):
    """A bump across the road, one wave of the cosine."""

    name: Name
    """A name no other bump has."""
    at_m: Station
    """Station where it begins."""
    length_m: float = Field(ge=0.2, le=200)
    """Length along the line from its beginning to its end."""
    height_m: float = Field(ge=-0.5, le=0.5)
    """Height of its crest over the road; negative for a dip."""
    left_m: float = Field(default=25.0, ge=-50, le=50)
    """Offset of its left border from the line, positive to the left."""
    right_m: float = Field(default=-25.0, ge=-50, le=50)
    """Offset of its right border from the line, positive to the left; below ``left_m``."""

    @model_validator(mode="after")
    def _has_a_width(self) -> Bump:
        left_of(self.left_m, self.right_m)
        return self


class Roughness(Closed):
    """Unevenness of the whole road as in ISO 8608."""

    iso_class: Literal["A", "B", "C", "D", "E", "F", "G", "H"]
    """Class of the road, A (very good) to H (very poor)."""
    seed: int = Field(default=1, ge=0, le=2**32 - 1)
    """Picks one road of the class; the same number gives the same road."""


class Surface(Closed):
    """The road: friction coefficient, patches, unevenness."""

    grip: float = Field(gt=0, le=2)
    """Friction coefficient of the road where no patch lies; multiplies the tyres' own."""
    patches: tuple[Patch, ...] = ()
    """Pieces of road with another grip; the last one that covers a place wins."""
    bumps: tuple[Bump, ...] = ()
    """Bumps and dips across the road."""
    roughness: Roughness | None = None
    """Unevenness of the whole road. Left out: it is even."""


class Wind(Closed):
    """Steady wind over the whole ride."""

    speed_m_s: float = Field(ge=0, le=40)
    """Speed of the wind."""
    from_deg: float = Field(ge=0, le=360)
    """Where it comes from, clockwise from north."""


class HookFile(Closed):
    """A class in Python that looks at the ride and asks for events: emulator.config.scenario.hook."""

    file: FileName
    """The Python file, path from this file. It is run as a program: only use one you have read."""
    name: Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$"), Words("the name of a class")]
    """Name of the class in it, a subclass of emulator.Hook."""
    every_ms: float = Field(default=20.0, ge=5, le=10_000)
    """From one look at the ride to the next."""
    budget_ms: float = Field(default=50.0, ge=5, le=10_000)
    """On the bench, the longest a look may take; beyond, the ride ends with verdict error."""


class Expected(Closed):
    """How a ride comes out, for regression. The verdict knows nothing of it."""

    former_keys: ClassVar = {"told": "reported"}

    result: Literal["pass", "fail"]
    """The verdict that is expected."""
    robot: Name | None = None
    """Name of the robot whose ride it is, of no other. Left out: it is the reference robot's."""
    reason: Name | None = None
    """Why it fails, in one physical sentence. Left out: it is expected to pass."""
    reported: tuple[Name, ...] = ()
    """Words that each stand in a reason of the verdict or in an event's text, if it fails as meant."""

    @model_validator(mode="after")
    def _a_failure_has_a_reason(self) -> Expected:
        for key in ("reason", "reported"):
            given = bool(getattr(self, key))
            if self.result == "fail" and not given:
                raise missing(f"{key!r}: an expected failure says why and how it shows")
            if self.result == "pass" and given:
                raise wrong(f"expected no {key} beside result pass; remove it", key)
        return self


class Scenario(Closed):
    """One ride: what is ridden, what goes wrong, and what it has to show."""

    elsewhere: ClassVar = {
        "robot": "who rides is told by the rig (device_under_test.virtual), or by --robot FILE:CLASS"
    }

    kind: Literal["scenario"]
    name: Name
    """What the scenario is called in reports."""
    purpose: Name
    """What the ride is to show, in one line for the report."""
    requirements: tuple[Name, ...] = ()
    """Ids of the requirements that the ride is about, as your own list has them; they go through to a
    campaign's table and the evidence. Left out: none."""
    circuit: FileName | None = None
    """The circuit file, path from this file. Left out: ``manoeuvre`` gives the line."""
    manoeuvre: Manoeuvre | None = None
    """A line made from a few numbers. Left out: ``circuit`` gives the line."""
    laps: int = Field(default=1, ge=1, le=1000)
    """How often round; needed on a closed line. Left out: the line is open and has no laps."""
    duration_limit_s: Duration
    """When the ride ends at the latest, after its start."""
    utc: UtcTime
    """Time at the start of the ride, with a zone, such as 2027-05-01T09:30:00Z."""
    leap_second: LeapDay | None = None
    """The day that ends with 23:59:60, within the ride. Left out: no leap second."""
    origin: Origin
    """Where on earth the line's origin lies."""
    start: Start = Start()
    """Where and how the ride starts. Left out: at station 0 in first gear."""
    support: Support
    """What holds the bike until it rides by itself."""
    speed: SpeedProfile
    """Limits of the target speed."""
    surface: Surface
    """Grip and unevenness of the road."""
    wind: Wind | None = None
    """Steady wind over the whole ride. Left out: there is none."""
    vehicle: VehicleChange = VehicleChange()
    """How the bike differs from its file; the robot is not told. Left out: it does not."""
    parameters: dict[ParameterName, Parameter] = Field(default_factory=dict)
    """Numbers that may be set when it is run, by name. Left out: there are none."""
    events: tuple[Event, ...] = ()
    """What happens during the ride: faults, gusts, remarks."""
    hook: HookFile | None = None
    """A class in Python that looks at the ride and asks for events. Left out: there is none."""
    criteria: Annotated[tuple[AnyCriterion, ...], Field(min_length=1)]
    """What the ride has to show to pass."""
    expected: Expected = Expected(result="pass")
    """How the reference robot's ride comes out, for regression. Left out: it passes."""

    @model_validator(mode="after")
    def _one_line(self) -> Scenario:
        if (self.circuit is None) == (self.manoeuvre is None):
            got = "none of them" if self.circuit is None else "both (a base's key is taken away by null)"
            raise wrong(f"expected either circuit or manoeuvre, got {got}")
        given = "laps" in self.model_fields_set
        if self.manoeuvre is None or has_laps(self.manoeuvre):
            if not given:
                raise missing("'laps': a whole number from 1 to 1000")
        elif given:
            raise wrong("expected no laps: the line of this manoeuvre is open; remove it", "laps")
        return self


def circuit_path(scenario: Scenario, source: Source) -> str | None:
    """The circuit file of a scenario, None if it rides a manoeuvre."""
    return None if scenario.circuit is None else beside(source.file_of(("circuit",)), scenario.circuit)


def load_scenario(
    path: File,
    given: Mapping[str, int | float] | None = None,
    *,
    ridden: bool = False,
) -> tuple[Scenario, Source]:
    """Read a scenario and check it against its line. Raises ConfigError with what is wrong in both.

    given   values of its parameters, set for this run
    ridden  it was ridden already, when a stretch across the start of the lap need not be said
    """
    source = put_in(source_of(path, Scenario), given or {})
    scenario = validate(Scenario, source)
    problems = _within_itself(scenario, source)
    try:
        course, _ = load_course(scenario, source)
    except ConfigError as error:
        problems += error.problems
    else:
        problems += _within_course(scenario, source, course)
        if not (ridden and course.line.closed):
            problems += _wrong_stretches(scenario, source, course)
    if problems:
        raise ConfigError(problems)
    gnss = [e.name for e in scenario.events if e.declaration is gnss_faults.KIND]
    unwise = [source.problem(("criteria", *loc), text) for loc, text in cut_short(scenario.criteria, gnss)]
    hook = hook_path(scenario, source)
    if hook is not None:
        unwise += former_names_in(hook)
    return scenario, replace(source, warnings=(*source.warnings, *unwise))


def load_course(scenario: Scenario, source: Source) -> tuple[Course, Source | None]:
    """The course of a scenario and the circuit file it is from. Raises ConfigError."""
    if scenario.manoeuvre is not None:
        try:
            top = scenario.speed.top_speed_km_h / 3.6
            return manoeuvre_course(scenario.manoeuvre, top, scenario.speed.jerk_limit_m_s3), None
        except LineError as error:
            raise ConfigError([source.problem(("manoeuvre",), error.expected)]) from None
    file = circuit_path(scenario, source)
    assert file is not None  # one of both is given: the schema's rule
    if not os.path.exists(file) or os.path.isdir(file):
        text = f"no such file: {file} (paths are relative to this file)"
        raise ConfigError([source.problem(("circuit",), text)])
    if file.lower().endswith(_POINTS):
        text = f"expected a circuit file, got points: emulator circuit import {file} makes one of them"
        raise ConfigError([source.problem(("circuit",), text)])
    try:
        circuit, circuit_source = load_circuit(file)
    except ConfigError:
        other = kind_of(file)
        if other in ("rig", "vehicle", "scenario"):
            text = f"expected a circuit file, {file} is a {other} file"
            raise ConfigError([source.problem(("circuit",), text)]) from None
        raise
    return circuit_course(circuit, scenario.speed.top_speed_km_h / 3.6), circuit_source


def hook_path(scenario: Scenario, source: Source) -> str | None:
    """The file of a scenario's hook, None if it has none."""
    if scenario.hook is None:
        return None
    return beside(source.file_of(("hook", "file")), scenario.hook.file)


def _within_itself(scenario: Scenario, source: Source) -> list[Problem]:
    problems = []
    hook = hook_path(scenario, source)
    if hook is not None and not os.path.exists(hook):
        text = f"no such file: {hook} (paths are relative to this file)"
        problems.append(source.problem(("hook", "file"), text))
    elif hook is not None and scenario.hook is not None and (found := wrong_in(hook, scenario.hook.name)):
        problems.append(source.problem(("hook", found[0]), found[1]))
    names: list[tuple[Loc, list[str]]] = [
        (("surface", "patches"), [p.name for p in scenario.surface.patches]),
        (("surface", "bumps"), [b.name for b in scenario.surface.bumps]),
        (("events",), [e.name for e in scenario.events]),
    ]
    for loc, given in names:
        first: dict[str, int] = {}
        for i, name in enumerate(given):
            if first.setdefault(name, i) != i:
                text = f"expected a name of its own, got {name!r}, which {loc[-1]}.{first[name]} has already"
                problems.append(source.problem((*loc, i, "name"), text))
    if scenario.leap_second is not None:
        last = scenario.utc + timedelta(seconds=scenario.duration_limit_s)
        midnight = datetime(*scenario.leap_second.timetuple()[:3], tzinfo=UTC) + timedelta(days=1)
        if not scenario.utc < midnight <= last:
            text = (
                f"expected a day that ends during the ride ({scenario.utc:%Y-%m-%dT%H:%M:%SZ} and "
                f"duration_limit_s {scenario.duration_limit_s:g}), got {scenario.leap_second}"
            )
            problems.append(source.problem(("leap_second",), text))
    for i, event in enumerate(scenario.events):
        for loc, part in event.at.parts(("events", i, "at")):
            problems += [
                source.problem((*loc, *key), text) for key, text in _wrong_trigger(scenario, i, part)
            ]
    problems += _waiting_for_each_other(scenario, source)
    m = scenario.manoeuvre
    if isinstance(m, Braking):
        slope = math.radians(m.slope_deg)
        most = G * (scenario.surface.grip * math.cos(slope) + math.sin(slope))
        if m.deceleration_m_s2 > most:
            text = (
                f"expected at most {most:.3g} m/s2, what grip {scenario.surface.grip:g} and the slope allow, "
                f"got {m.deceleration_m_s2:g}"
            )
            problems.append(source.problem(("manoeuvre", "deceleration_m_s2"), text))
    asked = contradictions(
        scenario.criteria, [e.name for e in scenario.events], scenario.laps, scenario.duration_limit_s
    )
    problems += [source.problem(("criteria", *loc), text) for loc, text in asked]
    return problems


def _wrong_trigger(scenario: Scenario, i: int, part: Trigger) -> Iterator[tuple[Loc, str]]:
    """Keys of one condition of event ``i`` that don't fit the scenario, with what is wrong."""
    names = [e.name for e in scenario.events]
    end = f"expected a time before the end (duration_limit_s {scenario.duration_limit_s:g})"
    if part.time_s is not None and part.time_s >= scenario.duration_limit_s:
        yield ("time_s",), f"{end}, got {part.time_s:g}"
    if part.between_s is not None and part.between_s[1] > scenario.duration_limit_s:
        yield ("between_s", 1), f"{end}, got {part.between_s[1]:g}"
    if part.lap is not None and part.lap > scenario.laps:
        yield ("lap",), f"expected a lap from 1 to {scenario.laps} (laps), got {part.lap}"
    for key in ("started", "ended"):
        name = getattr(part, key)
        if name is None:
            continue
        if name not in names:
            yield (key,), f"expected the name of another event, got {name!r}{did_you_mean(name, names)}"
        elif names.index(name) == i:
            yield (key,), f"expected the name of another event, got its own, {name!r}"


def _waiting_for_each_other(scenario: Scenario, source: Source) -> list[Problem]:
    """Events none of which can ever start, because each waits for the others alone.

    One that waits for itself, or for what there is not, is told as such and is none of these.
    """
    by_name = {e.name: e for e in scenario.events}

    def can_start(own: str, trigger: Trigger, able: set[str]) -> bool:
        if trigger.first_of is not None:
            return any(can_start(own, part, able) for part in trigger.first_of)
        if trigger.all_of is not None:
            return all(can_start(own, part, able) for part in trigger.all_of)
        name = trigger.started or trigger.ended
        return name is None or name in able or name not in by_name or name == own

    able: set[str] = set()
    while more := {n for n, e in by_name.items() if n not in able and can_start(n, e.at, able)}:
        able |= more
    return [
        source.problem(("events", i, "at"), "expected events that don't all wait for each other: none starts")
        for i, e in enumerate(scenario.events)
        if e.name not in able
    ]


def _within_course(scenario: Scenario, source: Source, course: Course) -> list[Problem]:
    start = scenario.start.station_m
    stations: list[tuple[Loc, float | None]] = [(("start", "station_m"), start)]
    down = scenario.speed.slow_down
    if down is not None:
        stations.append((("speed", "slow_down", "from_m"), down.from_m))
    for i, patch in enumerate(scenario.surface.patches):
        stations += [
            (("surface", "patches", i, "from_m"), patch.from_m),
            (("surface", "patches", i, "to_m"), patch.to_m),
        ]
    stations += [(("surface", "bumps", i, "at_m"), b.at_m) for i, b in enumerate(scenario.surface.bumps)]
    events: list[tuple[Loc, float | None]] = []
    areas: list[tuple[Loc, float | None]] = []
    for i, event in enumerate(scenario.events):
        events += [((*loc, "station_m"), t.station_m) for loc, t in event.at.parts(("events", i, "at"))]
        keys = [key.name for key in event.declaration.keys if key.takes is Takes.STATION]
        areas += [(("events", i, key), getattr(event, key)) for key in keys]
    what = "circuit" if scenario.manoeuvre is None else "line"
    problems = [
        source.problem(
            loc, f"expected a station within the {what} of {course.length_m:.1f} m, got {station:g}"
        )
        for loc, station in [*stations, *events, *areas]
        if station is not None and station > course.length_m
    ]
    sectors = len(course.sector_ends_m)
    problems += _within_sectors(scenario, source, sectors)
    asked = beyond_circuit(scenario.criteria, course.length_m, sectors if course.line.closed else 0)
    problems += [source.problem(("criteria", *loc), text) for loc, text in asked]
    if course.line.closed:
        if down is not None:
            text = "expected none: on a closed line the speed would have to rise at once where a lap begins"
            problems.append(source.problem(("speed", "slow_down"), text))
        return problems
    # an open line is ridden once, from the start on
    if scenario.laps != 1:
        text = f"expected 1: the line of this circuit is open, so it is ridden once; got {scenario.laps}"
        problems.append(source.problem(("laps",), text))
    for loc, station in events:
        if station is not None and station < start:
            text = f"expected a station from the start on ({start:g} m) on an open line, got {station:g}"
            problems.append(source.problem(loc, text))
    if start == course.length_m:
        problems.append(source.problem(("start", "station_m"), "expected a station before the finish"))
    return problems


def _wrong_stretches(scenario: Scenario, source: Source, course: Course) -> list[Problem]:
    parts: list[tuple[Loc, object]] = [
        *((("surface", "patches", i), patch) for i, patch in enumerate(scenario.surface.patches)),
        *((("events", i), event) for i, event in enumerate(scenario.events)),
        *((("criteria", i), criterion) for i, criterion in enumerate(scenario.criteria)),
    ]
    return [
        source.problem(loc, text)
        for stretch in stretches(parts)
        for loc, text in wrong_stretch(stretch, course)
    ]


def _within_sectors(scenario: Scenario, source: Source, sectors: int) -> list[Problem]:
    return [
        source.problem((*loc, "sector"), f"expected a sector from 1 to {sectors}, got {part.sector}")
        for i, event in enumerate(scenario.events)
        for loc, part in event.at.parts(("events", i, "at"))
        if part.sector is not None and part.sector > sectors
    ]
