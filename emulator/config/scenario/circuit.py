"""The circuit file: a line of straights and turns, or through points; its width, sectors, elevation, bank."""

from __future__ import annotations

import math
import os
from functools import lru_cache
from itertools import pairwise
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import Discriminator, Field, Tag, model_validator

from emulator.config.based_on import load_with_bases
from emulator.config.field_types import Name
from emulator.config.scenario.quantities import Station
from emulator.config.validation import Closed, missing, validate, wrong
from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import ConfigError
from emulator.core.keeping.kept_results import code_of, kept_numbers
from emulator.road import build_line as line
from emulator.road import line as road_line
from emulator.road import through_points
from emulator.road.build_line import LineError
from emulator.road.line import Line
from emulator.road.through_points import FEWEST_POINTS, line_through


class Straight(Closed):
    """A straight."""

    straight_m: float = Field(gt=0, le=5000)
    """Its length; of a free one a guess."""
    free: bool = False
    """Whether its length is solved so that the circuit closes; exactly two straights are free."""


class Turn(Closed):
    """A turn: transition in, arc, transition out."""

    turn_deg: float = Field(ge=-350, le=350)
    """How far the heading turns, transitions included; positive to the left."""
    radius_m: float = Field(ge=3, le=5000)
    """Radius of the arc."""
    transition_m: float = Field(default=0.0, ge=0, le=1000)
    """Length of each of the two transitions, over which the curvature rises and falls evenly."""

    @model_validator(mode="after")
    def _room_for_transitions(self) -> Turn:
        if self.turn_deg == 0:
            raise wrong("expected an angle other than 0; write a straight instead", "turn_deg")
        longest = math.radians(abs(self.turn_deg)) * self.radius_m
        if self.transition_m > longest:
            raise wrong(
                f"expected at most {longest:.4g} m, or the two transitions turn by more than turn_deg, "
                f"got {self.transition_m:g}",
                "transition_m",
            )
        return self


def _segment_tag(value: Any) -> str | None:
    keys = value if isinstance(value, dict) else {type(value): 0}
    if "straight_m" in keys or Straight in keys:
        return "straight_m"
    if "turn_deg" in keys or Turn in keys:
        return "turn_deg"
    return None


Segment: TypeAlias = Annotated[
    Annotated[Straight, Tag("straight_m")] | Annotated[Turn, Tag("turn_deg")], Discriminator(_segment_tag)
]


Point: TypeAlias = tuple[
    Annotated[float, Field(ge=-100_000, le=100_000)], Annotated[float, Field(ge=-100_000, le=100_000)]
]
"""East and north of the scenario's origin [m]."""


class Height(Closed):
    """Height of the line at a station; smooth in between."""

    station_m: Station
    """Where it is, along the line from the start of the lap."""
    height_m: float = Field(ge=-1000, le=1000)
    """Height of the road over the scenario's origin."""


class Banking(Closed):
    """Bank of the road at a station; smooth in between."""

    station_m: Station
    """Where it is, along the line from the start of the lap."""
    bank_deg: float = Field(ge=-35, le=35)
    """How far the road is tilted to the side: positive where its left side is higher (helps a right turn)."""


class Circuit(Closed):
    """A circuit: a closed line of segments, or a line through points."""

    kind: Literal["circuit"]
    name: Name
    """What the circuit is called in reports."""
    closed: bool
    """Whether the line comes back to its start; only one through points may be open, and is ridden once."""
    width_m: float = Field(ge=2, le=50)
    """Width of the road, half of it to each side of the line."""
    sector_marks_m: tuple[Station, ...] = ()
    """Stations where sectors end, rising; the last sector ends with the lap."""
    segments: Annotated[tuple[Segment, ...], Field(min_length=4)] = ()
    """Straights and turns in the order they are ridden; turns add up to 360 or -360 degrees. Or points."""
    points: Annotated[tuple[Point, ...], Field(min_length=FEWEST_POINTS)] = ()
    """East and north of the scenario's origin in metres, in riding order: a smooth line through them."""
    elevation: tuple[Height, ...] = ()
    """Height of the line at rising stations; none: the road is level."""
    banking: tuple[Banking, ...] = ()
    """Bank of the road at rising stations; none: it is not tilted to the side."""

    @model_validator(mode="after")
    def _rising_stations(self) -> Circuit:
        elevation, banking = [p.station_m for p in self.elevation], [p.station_m for p in self.banking]
        for key, stations in (("elevation", elevation), ("banking", banking)):
            for before, after in pairwise(stations):
                if after <= before:
                    raise wrong(f"expected rising stations, got {after:g} behind {before:g}", key)
        return self

    @model_validator(mode="after")
    def _sectors_rise(self) -> Circuit:
        for i, mark in enumerate(self.sector_marks_m):
            before = self.sector_marks_m[i - 1] if i else 0.0
            if mark <= before:
                raise wrong(f"expected a station above {before:g} m, got {mark:g}", "sector_marks_m", i)
        return self

    @model_validator(mode="after")
    def _one_line(self) -> Circuit:
        if self.segments and self.points:
            raise wrong("expected either segments or points, got both", "points")
        if not self.segments and not self.points:
            raise missing("'segments': a list of straights and turns; or 'points': a list of [east, north]")
        if self.segments and not self.closed:
            raise wrong("expected true; an open line is given by points", "closed")
        return self

    @model_validator(mode="after")
    def _closes(self) -> Circuit:
        if not self.segments:
            return self
        free = [i for i, s in enumerate(self.segments) if isinstance(s, Straight) and s.free]
        if len(free) != 2:
            raise wrong(f"expected exactly two straights with free: true, got {len(free)}", "segments")
        total = sum(s.turn_deg for s in self.segments if isinstance(s, Turn))
        if abs(abs(total) - 360.0) > 1e-9:
            raise wrong(f"expected turns that add up to 360 or -360 deg, got {total:g}", "segments")
        return self


def load_circuit(path: str | os.PathLike[str]) -> tuple[Circuit, Source]:
    """Read a circuit file. Raises ConfigError; also when its segments or points give no line."""
    source = load_with_bases(path, Circuit)
    circuit = validate(Circuit, source)
    try:
        length = lap_length(circuit)
    except LineError as error:
        loc: Loc = (error.among,) if error.number is None else (error.among, error.number)
        raise ConfigError([source.problem(loc, error.expected)]) from None
    placed: list[tuple[Loc, float]] = [
        (("sector_marks_m", i), m) for i, m in enumerate(circuit.sector_marks_m)
    ]
    placed += [(("elevation", i, "station_m"), p.station_m) for i, p in enumerate(circuit.elevation)]
    placed += [(("banking", i, "station_m"), p.station_m) for i, p in enumerate(circuit.banking)]
    whole = "lap" if circuit.closed else "line"
    beyond = [
        source.problem(place, f"expected less than the {whole} of {length:.1f} m, got {station:g}")
        for place, station in placed
        if station >= length
    ]
    if beyond:
        raise ConfigError(beyond)
    return circuit, source


def line_segments(circuit: Circuit) -> tuple[line.Segment, ...]:
    """The segments as emulator.road.build_line takes them: radians."""
    return tuple(
        line.Straight(s.straight_m, s.free)
        if isinstance(s, Straight)
        else line.Turn(math.radians(s.turn_deg), s.radius_m, s.transition_m)
        for s in circuit.segments
    )


def lap_length(circuit: Circuit) -> float:
    """Length in metres of a lap, free straights solved, or of an open line. Raises LineError."""
    if circuit.points:
        return line_of_points(circuit, 2.0).length
    return _length_of(line_segments(circuit))


@lru_cache(maxsize=16)  # of the same circuit a session asks twice, and so do many sessions of a process
def _length_of(segments: tuple[line.Segment, ...]) -> float:
    return float(line.build_line(segments, closed=True, ds_m=5.0).length)


def line_of_points(circuit: Circuit, ds_m: float, run_on_m: float = 0.0) -> Line:
    """The line through the points of a circuit, worked out once; see ``through_points.line_through``."""
    return kept_numbers(
        "line",
        (circuit.points, circuit.closed, ds_m, run_on_m),
        code_of((str(through_points.__file__), str(road_line.__file__))),
        lambda: line_through(circuit.points, closed=circuit.closed, ds_m=ds_m, run_on_m=run_on_m),
    )
