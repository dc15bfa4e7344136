"""The road that a record tells of, beside the line of a scenario: grip used, slides, bumps."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from emulator.config.rig.file import load_rig, vehicle_path
from emulator.config.scenario.course import Course
from emulator.config.scenario.schema import Scenario, load_course, load_scenario
from emulator.config.vehicle.file import load_vehicle
from emulator.record.reader import Run
from emulator.road.iso8608 import along_lap
from emulator.survey.ridden_line.laps import ASIDE_m, beside
from emulator.survey.ridden_line.places import Array, Places, RiddenLineError, places_of
from emulator.survey.ridden_surface import grip_used as used_by
from emulator.survey.ridden_surface.grip_used import Air, ByStation, by_station, grip_used
from emulator.track.findings import seen
from emulator.track.findings.files import Grip, grip_of
from emulator.track.findings.seen import FindingError
from emulator.track.findings.slide import find_slide
from emulator.track.made_of import logs_of
from emulator.track.road_seen.bumps import Bump, Pass, bumps_of, together
from emulator.track.road_seen.road_profile import BAND_hz, ENDS_s, Front, STEP_s, road_under_front
from emulator.vehicle.equilibrium import AIR_DENSITY

_TRAVEL = ("truth.fork_travel_m", "output.force_z_m_s2", "truth.pitch_rate_rad_s", "truth.roll_rad")
_UPRIGHT_rad = 0.35
_SLOWEST_m_s = 5.0
_LEAST_STRETCH_s, _LEAST_SEEN_s = 6.0, 2.0
_LOOK_EVERY_s, _ASKED = 1.5, 0.2
_IN_THE_AIR = 0.15  # of the load it stands with


class Slid(NamedTuple):
    """A slide: instant [s], station [m], length [m] over which it slid, tyre, grip of the road there."""

    at_s: float
    station_m: float
    length_m: float
    tyre: str
    grip: Grip


@dataclass(frozen=True)
class RiddenSurface:
    """What came of a record.

    grip        by station; None: the record can't tell
    friction    [1] the greatest that a tyre has on a road of grip 1
    spread_m_s2 [m/s2] of accelerations across told in two ways; NaN: unknown
    profile     the longest pass whose bumps were looked for; None: there is none
    waves_m     shortest and longest waves that were seen [m], at the usual speed; None likewise
    """

    record: str
    scenario: Scenario
    scenario_file: Path
    course: Course
    grip: ByStation | None
    friction: float
    spread_m_s2: float
    slides: tuple[Slid, ...]
    bumps: tuple[Bump, ...]
    profile: Pass | None
    waves_m: tuple[float, float] | None
    logs: dict[str, str]
    remarks: tuple[str, ...]


def ridden_surface(run: Run, scenario_file: Path, rig_file: Path, every_m: float = 10.0) -> RiddenSurface:
    """The surface. Raises RiddenLineError for the record, ConfigError for scenario and rig.

    rig_file  of the bike that was ridden: its tyres, fork and drag
    every_m   [m] length of a stretch of grip
    """
    scenario, source = load_scenario(scenario_file)
    course, _ = load_course(scenario, source)
    rig, rig_source = load_rig(rig_file)
    values = load_vehicle(vehicle_path(rig, rig_source)).values
    places = places_of(run)
    stations, offsets = beside(course.line, places)
    if (off := float(np.median(np.abs(offsets)))) > ASIDE_m:
        raise RiddenLineError(
            f"the ride lies {off:.0f} m beside the line of {scenario_file}, by the median of its places",
            advice="name the scenario whose line was ridden, with the origin that the map names",
        )
    remarks = list(places.remarks)
    friction = _friction(values)
    grip, slides, spread = None, [], math.nan
    if missing := [name for name in used_by.NEEDED if name not in run.signals]:
        remarks.append(f"no grip: the record has no {', '.join(missing)}")
    else:
        used = grip_used(
            run,
            _bank(run, course, places.time_s, stations),
            _air(values, rig.robot.mass_kg),
            _over_ground(run, places),
        )
        spread = used.spread_m_s2
        at = _where(used.time_s, places.time_s, stations)
        grip = by_station(used, at, course.length_m, every_m, friction)
        if math.isnan(spread):
            remarks.append(
                "no turn rates, or hardly a turn: what the lean is off by is not in the bound of the grip"
            )
        slides = _slides(run, used, values, places.time_s, stations, course, remarks)
    unit_x = _unit_x(run, None if run.manifest.get("stage") == "track" else rig)
    passes: list[Pass] = []
    if missing := [name for name in _TRAVEL if name not in run.signals]:
        remarks.append(f"no bumps: the record has no {', '.join(missing)}")
    elif unit_x is None:
        remarks.append("no bumps: the map does not tell where the inertial unit sits (position_m)")
    else:
        passes = _passes(run, Front.of(values), unit_x, places.time_s, stations, remarks)
    bumps = _bumps(passes, course)
    if any(bump.left_road for bump in bumps):
        remarks.append("behind some bumps the wheel was in the air: their length is known less well")
    profile = max(passes, key=lambda one: int(np.count_nonzero(one.seen)), default=None)
    return RiddenSurface(
        run.folder.name, scenario, scenario_file, course, grip, friction, spread, tuple(slides), tuple(bumps),
        profile, _waves(profile), logs_of(run), tuple(remarks),
    )  # fmt: skip


def _friction(values: dict[str, Any]) -> float:
    """The greatest friction of a tyre under any load, on a road of grip 1."""
    most = 0.0
    for end in ("front", "rear"):
        tyre = values[f"tyre_{end}"]
        by_load = values.get(f"tread_{end}", {}).get("friction_per_load", 0.0)
        most = max(most, max(tyre["friction_x"], tyre["friction_y"]) * (1.0 + by_load))
    return most


def _air(values: dict[str, Any], robot_kg: float) -> Air:
    mass = robot_kg + sum(group["mass"] for group in values.values() if "mass" in group)
    air = values["air"]
    return Air(air["drag_area"] / mass, air["lift_area"] / mass, AIR_DENSITY)


def _where(time_s: Array, known_s: Array, stations: Array) -> Array:
    """(n,) [m] stations at instants, counted on over laps; NaN where no place is known for two seconds."""
    at = np.interp(time_s, known_s, stations, left=np.nan, right=np.nan)
    behind = np.clip(np.searchsorted(known_s, time_s), 1, len(known_s) - 1)
    at[(known_s[behind] - known_s[behind - 1]) > 2.0] = np.nan
    return at


def _over_ground(run: Run, places: Places) -> Array:
    """(n,) [m/s] speed by places a quarter of a second before and behind each row."""
    way = [
        np.interp(run.time_s + 0.25, places.time_s, part) - np.interp(run.time_s - 0.25, places.time_s, part)
        for part in (places.east, places.north)
    ]
    return np.asarray(np.hypot(*way) / 0.5, np.float64)


def _bank(run: Run, course: Course, known_s: Array, stations: Array) -> Array | None:
    if not course.banking:
        return None
    bank, _ = along_lap(course.line, [s for s, _ in course.banking], [b for _, b in course.banking])
    at = np.interp(run.time_s, known_s, stations) % course.line.length
    return np.asarray(np.interp(at, course.line.station, bank), np.float64)


def _unit_x(run: Run, rig: Any) -> float | None:
    """Where the inertial unit sits, forward of the rear contact [m]; None: nobody tells."""
    if rig is not None:
        return float(rig.sensors.imu.position_m[0])
    track = run.manifest.get("track")
    unit = track.get("inertial_unit") if isinstance(track, dict) else None
    position = unit.get("position_m") if isinstance(unit, dict) else None
    return float(position[0]) if position else None


# -- slides ------------------------------------------------------------------------------------------------


def _slides(
    run: Run,
    used: used_by.Used,
    values: dict[str, Any],
    known_s: Array,
    stations: Array,
    course: Course,
    remarks: list[str],
) -> list[Slid]:
    """Slides all along the ride, where grip was asked for."""
    found: list[Slid] = []
    if missing := [name for name in seen.NEEDED if name not in run.signals]:
        remarks.append(f"no slides: the record has no {', '.join(missing)}")
        return found
    at_s = float(run.time_s[0]) + 5.0
    while at_s < float(run.time_s[-1]) - 1.0:
        near = np.abs(used.time_s - at_s) < _LOOK_EVERY_s
        if not (used.used[near] > _ASKED).any():
            at_s += _LOOK_EVERY_s
            continue
        try:
            slide = find_slide(seen.seen_around(run, at_s), at_s)
        except FindingError:
            at_s += _LOOK_EVERY_s
            continue
        lasts = 1.0 if slide.to_s is None else slide.to_s - slide.from_s
        where = _where(np.array([slide.from_s, slide.from_s + lasts]), known_s, stations)
        if np.isfinite(where).all() and not any(abs(slide.from_s - one.at_s) < 1.0 for one in found):
            station = float(where[0]) % course.length_m if course.line.closed else float(where[0])
            grip = grip_of(slide, values[f"tyre_{slide.tyre}"]["friction_y"])
            found.append(Slid(slide.from_s, station, max(float(where[1] - where[0]), 1.0), slide.tyre, grip))
        at_s = slide.from_s + 2.0
    return found


# -- bumps -------------------------------------------------------------------------------------------------


def _passes(
    run: Run, front: Front, unit_x: float, known_s: Array, stations: Array, remarks: list[str]
) -> list[Pass]:
    """Stretches of the ride in which the road under the front wheel can be told."""
    step_s = float(np.median(np.diff(run.time_s[:1000])))
    rows = round(STEP_s / step_s)
    if rows < 1:
        remarks.append(f"no bumps: they take travel and forces at {1.0 / STEP_s:.0f} Hz or more")
        return []
    n = len(run.tick) // rows

    def of(name: str) -> Array:
        return np.asarray(run.signals[name][: n * rows].reshape(n, rows).mean(axis=1), np.float64)

    travel, force_z, pitch_rate, lean = (of(name) for name in _TRAVEL)
    speed = of("truth.speed_m_s")
    time_s = run.time_s[: n * rows].reshape(n, rows).mean(axis=1)
    at = _where(time_s, known_s, stations)
    good = np.isfinite(travel + force_z + pitch_rate + lean + speed + at) & (speed > _SLOWEST_m_s)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    found: list[Pass] = []
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if end - first < _LEAST_STRETCH_s / STEP_s:
            continue
        part = slice(first, end)
        cos = np.cos(lean[part])
        height, load = road_under_front(travel[part], force_z[part], pitch_rate[part], unit_x, front)
        told = np.abs(lean[part]) < _UPRIGHT_rad
        ends = round(ENDS_s / STEP_s)
        told[:ends] = told[len(told) - ends :] = False
        if np.count_nonzero(told) < _LEAST_SEEN_s / STEP_s:
            continue
        along = np.cumsum(speed[part]) * STEP_s
        found.append(
            Pass(along, at[part] + front.axle_x, height / cos, told, load < _IN_THE_AIR * front.load)
        )
    if not found:
        remarks.append("no bumps: nowhere is all that it takes known for six seconds, two of them upright")
    return found


def _bumps(passes: list[Pass], course: Course) -> list[Bump]:
    """Bumps of all laps together, each of those that more than half of the passes over it had."""
    if not course.line.closed:
        return [bump for one in passes for bump in bumps_of(one)][:_MOST_BUMPS]
    laps: dict[int, list[Bump]] = {}
    for one in passes:
        for lap in np.unique(np.floor(one.station[one.seen] / course.length_m)).astype(int).tolist():
            laps.setdefault(lap, [])
        for bump in bumps_of(one):
            laps.setdefault(math.floor(bump.at_m / course.length_m), []).append(bump)
    return together(list(laps.values()), course.length_m, closed=True)[:_MOST_BUMPS]


_MOST_BUMPS = 200


def _waves(profile: Pass | None) -> tuple[float, float] | None:
    """Shortest and longest waves that were seen [m], at the median speed of a pass."""
    if profile is None:
        return None
    speed = float(np.median(np.diff(profile.along))) / STEP_s
    return speed / BAND_hz[1], speed / BAND_hz[0]


def station_of(bump: Bump, course: Course) -> float:
    """Station [m] of a bump's start as a scenario has it."""
    at = bump.at_m % course.length_m if course.line.closed else max(bump.at_m, 0.0)
    return min(round(at, 2), math.floor(course.length_m * 100.0 - 1.0) / 100.0)
