"""A circuit file's line from a record: laid beside a circuit or by itself, and measured on what is ridden."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from emulator.config.scenario.circuit import Banking, Circuit, Height, load_circuit
from emulator.config.scenario.course import Course, circuit_course
from emulator.record.reader import Run
from emulator.road.build_line import LineError
from emulator.road.iso8608 import along_lap
from emulator.road.line import Line, sample
from emulator.survey.fit import offsets_from
from emulator.survey.ridden_line.guide import own_line
from emulator.survey.ridden_line.heights import RiddenHeights, ridden_heights
from emulator.survey.ridden_line.laps import Lap, whole_laps
from emulator.survey.ridden_line.offsets import Offsets, ridden_offsets
from emulator.survey.ridden_line.places import Array, Places, RiddenLineError, places_of
from emulator.track.made_of import logs_of

USUAL_WIDTH_m = 10.0
"""Of a road whose width nobody told; common practice, no source."""
_MOST_BEND_m = (
    0.1  # at least so far is a place on the inside of a curve from its centre, as a share of the radius
)
_DRAWN_EVERY_m = 2.0


@dataclass(frozen=True)
class LineWishes:
    """What a line is asked for.

    onto                   circuit file to lay it beside; None: a new circuit is made
    lap                    number of the one lap to take; None: all that are whole
    closed                 None: as the circuit, or where the ride comes back
    width_m                [m] None: the circuit's, or ``USUAL_WIDTH_m``
    start                  east and north [m] of station 0 of a new closed one
    off_m                  [m] standard deviation of what the receiver may be off by all day
    elevation_deviation_m  [m] how well heights have to be known
    """

    name: str
    onto: Path | None = None
    lap: int | None = None
    closed: bool | None = None
    width_m: float | None = None
    start: tuple[float, float] | None = None
    off_m: float = 0.0
    elevation_deviation_m: float = 0.5
    flat: bool = False


@dataclass(frozen=True)
class RiddenLine:
    """A circuit with what it was made of.

    beside     what it was laid beside
    course     as it is ridden
    station    (m,) [m]  on it, of the places where ``offsets`` are told
    places_at  (n,) [m] stations on it, and places_off (n,) [m] offsets, of all places of the laps that count
    worst      the place that is furthest off
    logs       SHA-256 by name
    origin     of east and north, as the record's scenario or map has it; None: it has none
    """

    record: str
    wishes: LineWishes
    circuit: Circuit
    course: Course
    beside: Course
    beside_name: str
    offsets: Offsets
    laps: tuple[Lap, ...]
    station: Array
    places: Places
    places_at: Array
    places_off: Array
    heights: RiddenHeights | None
    logs: dict[str, str]
    origin: Mapping[str, float] | None
    remarks: tuple[str, ...]

    @property
    def worst(self) -> int:
        """The place that lies furthest from the line."""
        return int(np.argmax(np.abs(self.places_off)))

    @property
    def rms_m(self) -> float:
        """Root mean square of the places' distances [m]."""
        return float(np.sqrt(np.mean(self.places_off**2)))

    @property
    def bend_half(self) -> Array:
        """(m,) [1/m] half of the 95 % interval of the line's curvature."""
        bend = curvature_along(self.beside.line, self.offsets.station)
        inside = np.maximum(np.abs(1.0 - bend * self.offsets.offset), _MOST_BEND_m)
        return np.asarray(self.offsets.bend_half / inside**2, np.float64)


def ridden_line(run: Run, wishes: LineWishes) -> RiddenLine:
    """The line. Raises RiddenLineError for the record, ConfigError for the circuit."""
    places = places_of(run)
    remarks = list(places.remarks)
    if wishes.onto is None:
        guide = own_line(
            places, closed=wishes.closed, width_m=wishes.width_m or USUAL_WIDTH_m, start=wishes.start
        )
        if wishes.width_m is None:
            remarks.append(f"nobody tells the road's width: it is taken as {USUAL_WIDTH_m:g} m (--width-m)")
        name = "a first line through its own places"
    else:
        guide, _ = load_circuit(wishes.onto)
        name = guide.name
        if wishes.width_m is None:
            remarks.append(
                "the width is the circuit's, half of it to each side of the line ridden: the road's edges "
                "are where the circuit has them"
            )
    beside = circuit_course(guide, 0.0)
    laps, left = whole_laps(beside.line, beside.length_m, places)
    remarks += left
    if wishes.lap is not None:
        if not (asked := [lap for lap in laps if lap.number == wishes.lap]):
            raise RiddenLineError(
                f"--lap {wishes.lap}: the whole laps are {', '.join(str(lap.number) for lap in laps)}",
                advice="name one of these, or leave --lap out",
            )
        laps = asked
    if len(laps) == 1:
        remarks.append("one lap: its interval holds what places differ by from each other, no drift of a lap")
    elif len(laps) == 2:
        remarks.append("two laps: what they differ by is a poor measure, the interval is wide; take three")
    if not wishes.off_m:
        remarks.append("what the receiver is off by all day is in no log and not in the interval (--off-m)")
    if _antenna(run) is None and run.manifest.get("stage") == "track":
        remarks.append(
            "the map tells no antenna: the line is that of the receiver, inside of the bike's in bends"
        )
    offsets = ridden_offsets(beside.line, beside.length_m, laps, off_m=wishes.off_m)
    points = _points(beside.line, offsets)
    circuit, course, station = _circuit(points, guide, wishes, offsets)
    heights: RiddenHeights | None = None
    listed: tuple[Height, ...] = ()
    if wishes.onto is not None and guide.elevation:
        listed = _raised(beside, offsets, station, course)
    elif not wishes.flat:
        found = ridden_heights(
            beside.line, beside.length_m, laps, places, _antenna(run) or 0.0, wishes.elevation_deviation_m
        )
        if isinstance(found, str):
            remarks.append(found)
        else:
            heights = found
            at = np.interp(found.station, offsets.station, station)
            listed = _listed(at, found.height, course)
    circuit = circuit.model_copy(
        update={
            "elevation": listed,
            "banking": _banks(guide, offsets, station, course),
            "sector_marks_m": _marks(guide, offsets, station),
        }
    )
    course = circuit_course(circuit, 0.0)
    rows = [lap.rows for lap in laps]
    own = [(lap.stations >= 0.0) & (lap.stations < beside.length_m) for lap in laps]
    plane = np.concatenate([places.plane[part][keep] for part, keep in zip(rows, own, strict=True)])
    hints = np.concatenate(
        [np.interp(lap.stations[keep], offsets.station, station) for lap, keep in zip(laps, own, strict=True)]
    )
    places_at, places_off = offsets_from(course.line, plane, hints)
    return RiddenLine(
        run.folder.name, wishes, circuit, course, beside, name, offsets, tuple(laps), station,
        places, places_at, places_off, heights, logs_of(run), _origin(run), tuple(remarks),
    )  # fmt: skip


def curvature_along(line: Line, stations: Array) -> Array:
    """(m,) [1/m] curvature of a line at stations of it."""
    return np.asarray(np.interp(stations, line.station, line.curvature), np.float64)


def _antenna(run: Run) -> float | None:
    """Height of the antenna over the road [m], as the map tells it; None: it does not."""
    track = run.manifest.get("track")
    antenna = track.get("antenna") if isinstance(track, Mapping) else None
    position = antenna.get("position_m") if isinstance(antenna, Mapping) else None
    return float(position[2]) if position else None


def _origin(run: Run) -> Mapping[str, float] | None:
    for part in ("scenario", "track"):
        told = run.manifest.get(part)
        origin = told.get("origin") if isinstance(told, Mapping) else None
        if isinstance(origin, Mapping):
            return origin
    return None


def _points(line: Line, offsets: Offsets) -> Array:
    """East and north (m, 2) [m] of the line ridden."""
    out = np.empty((len(offsets.station), 2))
    for k, (s, o) in enumerate(zip(offsets.station.tolist(), offsets.offset.tolist(), strict=True)):
        x, y, heading, curvature, _ = sample(line, s)
        if curvature * o > 1.0 - _MOST_BEND_m:
            raise RiddenLineError(
                f"at station {s:.0f} m the ride is beyond the centre of the line's curve",
                advice="name the circuit that was ridden by --onto",
            )
        out[k] = x - o * math.sin(heading), y + o * math.cos(heading)
    return np.round(out, 4) + 0.0


def _circuit(
    points: Array, guide: Circuit, wishes: LineWishes, offsets: Offsets
) -> tuple[Circuit, Course, Array]:
    """The circuit on the level, its course, and stations (m,) of its points. Raises RiddenLineError."""
    circuit = Circuit(
        kind="circuit",
        name=wishes.name,
        closed=guide.closed,
        width_m=guide.width_m if wishes.width_m is None else wishes.width_m,
        points=tuple((x, y) for x, y in points.tolist()),
    )
    try:
        course = circuit_course(circuit, 0.0)
    except LineError as error:
        raise RiddenLineError(
            f"the ride gives no line that can be ridden: {error.expected}",
            advice="take more laps, or see the places in the report",
        ) from error
    chords = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    station, _ = offsets_from(course.line, points, chords)
    station[0] = 0.0
    if not guide.closed:
        station[-1] = course.length_m
    return circuit, course, station


def _listed(at: Array, height: Array, course: Course) -> tuple[Height, ...]:
    """Heights over station 0 as a circuit file has them; stations lie before its end."""
    at = np.round(np.minimum(at, np.floor(course.length_m * 100.0 - 1.0) / 100.0), 2)
    keep = np.concatenate([[True], np.diff(at) > 0.0])
    return tuple(
        Height(station_m=s, height_m=z)
        for s, z in zip(at[keep].tolist(), np.round(height[keep], 3).tolist(), strict=True)
    )


def _raised(beside: Course, offsets: Offsets, station: Array, course: Course) -> tuple[Height, ...]:
    """Heights of a circuit's road under a line beside its own."""
    line = beside.line
    elevation, _ = along_lap(line, [s for s, _ in beside.elevation], [z for _, z in beside.elevation])
    bank, _ = along_lap(line, [s for s, _ in beside.banking], [b for _, b in beside.banking])
    under = np.interp(offsets.station, line.station, elevation)
    under = under + offsets.offset * np.tan(np.interp(offsets.station, line.station, bank))
    every = slice(None, None, max(1, round(10.0 * len(station) / course.length_m)))
    return _listed(station[every], under[every], course)


def _banks(guide: Circuit, offsets: Offsets, station: Array, course: Course) -> tuple[Banking, ...]:
    """A circuit's bank at the same places of the line ridden."""
    at = np.interp([p.station_m for p in guide.banking], offsets.station, station)
    return tuple(
        Banking(station_m=round(min(s, course.length_m - 0.01), 2), bank_deg=p.bank_deg)
        for s, p in zip(at.tolist(), guide.banking, strict=True)
    )


def _marks(guide: Circuit, offsets: Offsets, station: Array) -> tuple[float, ...]:
    """A circuit's sectors, which end at the same places."""
    at = np.interp(guide.sector_marks_m, offsets.station, station) if guide.sector_marks_m else np.empty(0)
    return tuple(round(s, 2) for s in at.tolist())
