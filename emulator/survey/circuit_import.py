"""A circuit file from a file of surveyed points, with how far each point is from its line.

Read, put in order, fitted, and then measured on the very line that a ride of the file gets: what is told of
deviations is not the fit's own word.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from emulator.config.scenario.circuit import Circuit
from emulator.config.scenario.course import Course, circuit_course
from emulator.core.errors import ConfigError
from emulator.road.build_line import LineError
from emulator.road.line import Line
from emulator.survey.csv_points import read_csv
from emulator.survey.fit import SmoothPath, offsets_from, rough_length, smooth_path
from emulator.survey.gpx_points import read_gpx
from emulator.survey.heights import Heights, road_heights
from emulator.survey.in_order import Ordered, ends_apart, in_time, one_lap, without_spikes
from emulator.survey.points import FEWEST_POINTS, Array, Points, in_plane
from emulator.wire.geodesy import Origin

MOST_ASIDE_m = 100.0
"""A start lies no further than this from the points."""

_TIGHTER = (1.0, 0.9)  # shares of the deviation that are tried: rounding may take a little
_NEARLY = 1.1  # times the deviation, up to which the second of them may help
_ROUGH_PERCENT = 3.0  # as much may smoothing change of the length
_HOLE_TIMES_MEDIAN, _HOLE_m = 10.0, 50.0


@dataclass(frozen=True)
class Wishes:
    """What an import is asked for.

    deviation_m            [m] no point lies further from the line
    elevation_deviation_m  [m] nor its height from the road's
    close_m                [m] a line that comes back so near to its first point is closed
    open_line              an open line is wanted, whatever its ends
    width_m                [m] None: the least one of the file
    start                  station [m] of the line as it would be else, or a place as the file has them, where
                           station 0 is to be; None: at the first point
    reverse                ridden against the order of the points
    length_m               [m] that it has to be long; None: any
    length_percent         and how far off that it may be
    """

    name: str
    deviation_m: float = 0.2
    elevation_deviation_m: float = 0.5
    close_m: float = 5.0
    open_line: bool = False
    width_m: float | None = None
    start: float | tuple[float, float] | None = None
    reverse: bool = False
    length_m: float | None = None
    length_percent: float = 2.0
    refuse_spikes: bool = False
    flat: bool = False


@dataclass(frozen=True)
class Imported:
    """A circuit with the points it was made of.

    line               as it is ridden
    length_m           [m]   of a lap, or of an open line to its finish
    survey             the points that are used (n,)
    stations, offsets  (n,) [m]  where they lie beside the line, positive left; after a gap was shared out
    heights            None: flat
    origin             of east and north; None if the file doesn't say
    remarks            sentences on what was done to the points
    """

    source: str
    wishes: Wishes
    circuit: Circuit
    line: Line
    length_m: float
    survey: Ordered
    stations: Array
    offsets: Array
    heights: Heights | None
    origin: Origin | None
    remarks: tuple[str, ...]

    @property
    def worst(self) -> int:
        """The point that lies furthest from the line."""
        return int(np.argmax(np.abs(self.offsets)))

    @property
    def rms_m(self) -> float:
        """Root mean square of the points' distances [m]."""
        return float(np.sqrt(np.mean(self.offsets**2)))


def read_points(path: str) -> Points:
    """The points of a file: GPX by its name's ending, else CSV. Raises ConfigError."""
    return read_gpx(path) if path.lower().endswith(".gpx") else read_csv(path)


def import_circuit(path: str, wishes: Wishes) -> Imported:
    """The circuit. Raises ConfigError with what is wrong, at the line of the file where it is."""
    points = read_points(path)
    plane, origin = in_plane(points)
    survey = _directed(_ordered(points, plane, wishes), wishes)
    # First roughly: points that were swapped may give no line at all, which says nothing of why.
    rough = rough_length(survey.plane, closed=survey.closed, within_m=wishes.deviation_m)
    _check_length(rough, survey, wishes, _ROUGH_PERCENT)
    circuit, course, stations, offsets = _fitted(survey, origin, wishes)
    _check_length(course.length_m, survey, wishes)
    remarks = [*points.remarks, *survey.remarks, *_holes(survey), *_moved(survey, course.line, stations)]
    if wishes.width_m is None:
        remarks.append(f"the road is {circuit.width_m:g} m wide, the least width of a point")
    heights: Heights | str = "heights are not used: the road is flat"
    if not wishes.flat:
        heights = road_heights(
            survey.points, stations, course.line, course.length_m, wishes.elevation_deviation_m
        )
    if isinstance(heights, str):
        remarks.append(heights)
    else:
        circuit = circuit.model_copy(update={"elevation": heights.listed})
        remarks += heights.remarks
    return Imported(
        path,
        wishes,
        circuit,
        course.line,
        course.length_m,
        survey,
        stations,
        offsets,
        None if isinstance(heights, str) else heights,
        origin,
        tuple(remarks),
    )


def _ordered(points: Points, plane: Array, wishes: Wishes) -> Ordered:
    """In riding order. Raises ConfigError: spikes, or ends that are apart."""
    points, plane, remarks = in_time(points, plane)
    if len(plane) < FEWEST_POINTS:
        raise points.refused(f"expected at least {FEWEST_POINTS} places that differ, got {len(plane)}")
    points, plane, more = without_spikes(points, plane, wishes.deviation_m, refuse=wishes.refuse_spikes)
    remarks += more
    reach_m = float(np.hypot(*(plane - plane[0]).T).max())
    if reach_m <= wishes.close_m:
        raise points.refused(
            f"expected a line that leads away from its first point, got points that all lie within "
            f"{reach_m:.2g} m of it; east and north are in metres: if these are kilometres, write 1000 times "
            "as much"
        )
    if wishes.open_line:
        return Ordered(points, plane, plane, False, tuple(remarks))
    lap = one_lap(points, plane, wishes.close_m, wishes.deviation_m)
    if lap is None:
        raise points.refused(
            f"the last point lies {ends_apart(plane):.1f} m from the first one, and the line does not come "
            f"back to it within --close-m ({wishes.close_m:g} m): take more of the lap, raise --close-m, or "
            "make an open line of it by --open",
            len(plane) - 1,
        )
    return lap._replace(remarks=(*remarks, *lap.remarks))


def _directed(survey: Ordered, wishes: Wishes) -> Ordered:
    """Against the order of the points if so wished; a lap then begins at the same point."""
    if not wishes.reverse:
        return survey
    order = np.arange(len(survey.plane))[::-1]
    if survey.closed:
        order = np.roll(order, 1)
    return Ordered(
        survey.points.taken(order), survey.given[order], survey.plane[order], survey.closed, survey.remarks
    )


def _fitted(survey: Ordered, origin: Origin | None, wishes: Wishes) -> tuple[Circuit, Course, Array, Array]:
    """The circuit, its course, and the points' stations and offsets on it. Raises ConfigError."""
    width = _width(survey.points, wishes)
    for share in _TIGHTER:
        smooth = smooth_path(survey.plane, closed=survey.closed, within_m=share * wishes.deviation_m)
        if smooth.misses.max() > _NEARLY * wishes.deviation_m:
            raise _too_far(survey, smooth.misses, wishes)
        start = _start(smooth, survey, origin, wishes)
        circuit = Circuit(
            kind="circuit",
            name=wishes.name,
            closed=survey.closed,
            width_m=width,
            points=tuple((x, y) for x, y in smooth.nodes(start, closed=survey.closed).tolist()),
        )
        try:
            course = circuit_course(circuit, 0.0)
        except LineError as error:
            text = f"{error.expected}; is it one lap, and are the points in order?"
            raise survey.points.refused(text) from None
        hints = (smooth.feet - start) * course.length_m / smooth.length
        stations, offsets = offsets_from(course.line, survey.plane, hints)
        if np.abs(offsets).max() <= wishes.deviation_m:
            return circuit, course, stations, offsets
    raise _too_far(survey, np.abs(offsets), wishes)


def _too_far(survey: Ordered, misses: Array, wishes: Wishes) -> ConfigError:
    """What to say where a line is further from points (n,) [m] than was asked for."""
    worst = int(np.argmax(misses))
    return survey.points.refused(
        f"no smooth line comes within {wishes.deviation_m:g} m of all points; the one found lies "
        f"{misses[worst]:.2f} m beside this one: raise --deviation-m well above the noise of the points, "
        "correct them here, or see whether they are in riding order",
        worst,
    )


def _start(smooth: SmoothPath, survey: Ordered, origin: Origin | None, wishes: Wishes) -> float:
    """Station of the smooth path at which the circuit's station 0 is to be. Raises ConfigError."""
    first = float(smooth.feet[0])
    if wishes.start is None or not survey.closed:
        return first if survey.closed else 0.0
    if isinstance(wishes.start, float):
        if not 0.0 <= wishes.start < smooth.length:
            raise survey.points.refused(
                f"--start: expected a station within the lap of {smooth.length:.1f} m, got {wishes.start:g}"
            )
        return first + wishes.start
    if origin is None:
        place = np.array(wishes.start) - (survey.points.places[0] - survey.given[0])
    else:
        latitude, longitude = np.radians(wishes.start).tolist()
        place = np.array(origin.geodetic_to_enu(latitude, longitude, origin.height_m)[:2])
    drawn = smooth.spline(smooth.parameters)
    away = np.hypot(*(drawn - place).T)
    nearest = int(np.argmin(away))
    if away[nearest] > MOST_ASIDE_m:
        raise survey.points.refused(
            f"--start: expected a place within {MOST_ASIDE_m:g} m of the line, got one {away[nearest]:.0f} m "
            "off" + ("; latitude comes first" if origin is not None else "; east comes first")
        )
    return float(smooth.stations[nearest])


def _width(points: Points, wishes: Wishes) -> float:
    """Width of the road [m]. Raises ConfigError where nobody says it."""
    if wishes.width_m is not None:
        return wishes.width_m
    known = points.width[np.isfinite(points.width)]
    if not known.size:
        raise points.refused("no column of width: say how wide the road is by --width-m")
    if not 2.0 <= known.min() <= 50.0:
        narrowest = int(np.nanargmin(points.width))
        text = f"expected a width from 2 to 50 m, got {known.min():g}; or say it by --width-m"
        raise points.refused(text, narrowest)
    return float(known.min())


def _check_length(length: float, survey: Ordered, wishes: Wishes, more_percent: float = 0.0) -> None:
    """Raises ConfigError where the line is not as long as it has to be."""
    if wishes.length_m is None:
        return
    off = length / wishes.length_m - 1.0
    if abs(off) * 100.0 <= wishes.length_percent + more_percent:
        return
    text = (
        f"expected a line of {wishes.length_m:g} m within {wishes.length_percent:g} % (--length-m), got "
        f"{length:.1f} m, {abs(off) * 100.0:.1f} % {'more' if off > 0.0 else 'less'}"
    )
    if survey.points.geodetic:
        swapped = _length_if_swapped(survey.points)
        if abs(swapped / wishes.length_m - 1.0) < min(abs(off), 0.05):
            text += f"; with latitude and longitude swapped it is about {swapped:.0f} m: swap them there"
    raise survey.points.refused(text)


def _length_if_swapped(points: Points) -> float:
    """Length [m] of the line through the points with latitude and longitude the other way round."""
    latitude, longitude = points.places[:, 1], points.places[:, 0]
    if np.abs(latitude).max() > 89.0:
        return math.inf
    origin = Origin(math.radians(latitude[0]), math.radians(longitude[0]), 0.0)
    plane = np.array(
        [
            origin.geodetic_to_enu(math.radians(a), math.radians(b), 0.0)[:2]
            for a, b in zip(latitude, longitude, strict=True)
        ]
    )
    return float(np.hypot(*np.diff(plane, axis=0).T).sum())


def _holes(survey: Ordered) -> list[str]:
    """Where the line goes far without a point."""
    steps = np.hypot(*np.diff(survey.plane, axis=0).T)
    k = int(np.argmax(steps))
    if steps[k] <= max(_HOLE_m, _HOLE_TIMES_MEDIAN * float(np.median(steps))):
        return []
    return [
        f"between line {survey.points.lines[k]} and line {survey.points.lines[k + 1]} of the file there is "
        f"no point for {steps[k]:.0f} m: there the line is a guess"
    ]


def _moved(survey: Ordered, line: Line, stations: Array) -> list[str]:
    """How far the line is from points that were moved."""
    if np.array_equal(survey.given, survey.plane):
        return []
    _, offsets = offsets_from(line, survey.given, stations)
    return [f"from the points as the file gives them the line is up to {np.abs(offsets).max():.2f} m away"]
