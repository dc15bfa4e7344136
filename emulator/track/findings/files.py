"""The files of a finding: a circuit file with its piece of line, a scenario that makes it happen again."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from emulator.track.findings.lost_fix import LostFix
from emulator.track.findings.piece import Piece
from emulator.track.findings.slide import Slide

_BEGINS_EARLIER_s = 0.05
"""What an axle loses shows that much later than the road changes: smoothing, and relaxation of the tyre."""
_UNENDED_s = 1.0
_WIDTH_m = 10.0
_LIMIT_OFF_m = 1.5
_LEAST_LATERAL_m_s2 = 3.0
_ROOM = 1.1
_LEFT = {1: "single", 2: "differential", 5: "float"}
_NOWHERE = {"latitude_deg": 0.0, "longitude_deg": 0.0, "height_m": 0.0}
_SOME_DAY = "2027-01-01T12:00:00Z"


class Grip(NamedTuple):
    """Grip of the road where it slid [1]: least, estimated, most; and the tyre's friction on grip 1."""

    least: float
    estimated: float
    most: float
    tyre_friction: float


def grip_of(slide: Slide, tyre_friction: float) -> Grip:
    """What the road gave, from what the tyre used."""
    least, estimated, most = (round(v / tyre_friction, 3) for v in (slide.least, slide.used, slide.most))
    return Grip(least, estimated, most, tyre_friction)


def line_text(name: str, piece: Piece, source: str) -> str:
    """The circuit file."""
    rows = [
        f"# {source}",
        f"# The ridden path to station {piece.station_m:.1f} m, within {piece.off_m:.2f} m of the recorded "
        "places; before it a straight to get up to",
        "# speed, behind it the curvature of the last moment, which fades into a straight.",
        "kind: circuit",
        f"name: {json.dumps(f'line of {name}')}",
        "closed: false",
        f"width_m: {_WIDTH_m:g}",
        "points:",
        *(f"  - [{x:.3f}, {y:.3f}]" for x, y in piece.points.tolist()),
    ]
    return "\n".join(rows) + "\n"


def scenario_text(
    name: str,
    line_file: str,
    piece: Piece,
    found: Slide | LostFix,
    grip: Grip | None,
    source: str,
    recorded: Mapping[str, Any],
    way_back_s: Sequence[float],
) -> str:
    """The scenario file.

    grip      of a slide
    way_back_s  of the rig's receiver, from an outage's end to each fix from single to fixed
    recorded  the record's scenario, for origin and time; empty where it has none
    """
    last = piece.points[-1] - piece.points[-2]
    length = (len(piece.points) - 1) * math.hypot(*last.tolist())
    lines = _scenario(name, line_file, piece, found, grip, source, recorded, length, way_back_s)
    return "\n".join(lines) + "\n"


def _scenario(
    name: str,
    line_file: str,
    piece: Piece,
    found: Slide | LostFix,
    grip: Grip | None,
    source: str,
    recorded: Mapping[str, Any],
    length_m: float,
    way_back_s: Sequence[float],
) -> Iterator[str]:
    origin = recorded.get("origin") or _NOWHERE
    if isinstance(found, Slide):
        purpose = f"ride over what made the {found.tyre} tyre slide once more"
    else:
        purpose = "ride on where the receiver lost its fix once more"
    lateral = max(_LEAST_LATERAL_m_s2, _ROOM * piece.lateral_m_s2)
    yield f"# {source}"
    yield "kind: scenario"
    yield f"name: {json.dumps(name)}"
    yield f"purpose: {json.dumps(purpose)}"
    yield f"circuit: {line_file}"
    yield "laps: 1"
    # twice what it takes to get up to speed with half of the acceleration it may have, and to ride on
    yield f"duration_limit_s: {2.0 * (length_m / piece.speed_m_s + piece.speed_m_s / 2.0) + 10.0:.0f}"
    yield f"utc: {recorded.get('utc') or _SOME_DAY}"
    yield "origin: {" + ", ".join(f"{key}: {json.dumps(value)}" for key, value in origin.items()) + "}"
    yield "support: {tow_acceleration_m_s2: 2.0, release_speed_km_h: 15.0}"
    yield "speed: # as it was just before; nothing on this piece asks for less"
    yield f"  lateral_limit_m_s2: {min(lateral, 20.0):.2f}"
    yield "  acceleration_limit_m_s2: 4.0"
    yield "  braking_limit_m_s2: 5.5"
    yield f"  top_speed_km_h: {3.6 * piece.speed_m_s:.1f}"
    yield from _slide(piece, found, grip) if isinstance(found, Slide) else _lost_fix(piece, found, way_back_s)


def _slide(piece: Piece, slide: Slide, grip: Grip | None) -> Iterator[str]:
    assert grip is not None  # a slide has one
    lasts_s = _UNENDED_s if slide.to_s is None else slide.to_s - slide.from_s
    begins = piece.station_m - _BEGINS_EARLIER_s * piece.speed_m_s
    # the rest of the road held what was asked before it slid
    rest = max(1.0, round(1.1 * grip.most, 2))
    yield (
        f"# Of the {slide.tyre} tyre {slide.most:.2f} of its load was asked, {slide.used:.2f} was there "
        f"while it slid, {slide.least:.2f} at least."
    )
    yield f"# On a road of grip 1 the tyre holds {grip.tyre_friction:g} of its load."
    yield "parameters:"
    yield (
        f"  grip_there: {{default: {grip.estimated:g}, range: [{min(grip.least, grip.estimated):g}, "
        f"{max(grip.most, grip.estimated):g}], unit: 1, meaning: grip of the road where it slid}}"
    )
    yield "surface:"
    yield f"  grip: {rest:g}"
    yield "  patches:"
    yield (
        f"    - {{name: where it slid, from_m: {max(begins, 0.0):.1f}, "
        f"to_m: {piece.station_m + lasts_s * piece.speed_m_s:.1f}, grip: {{parameter: grip_there}}, "
        "edge_m: 1.0}"
    )
    yield "criteria:"
    yield "  - {kind: no_fall}"
    yield f"  - {{kind: distance_from_line, limit_m: {_LIMIT_OFF_m:g}, from_s: 8.0}}"
    yield f"  - {{kind: friction_use, wheel: {slide.tyre}, limit: 0.95, from_s: 8.0}}"


def _lost_fix(piece: Piece, lost: LostFix, way_back_s: Sequence[float]) -> Iterator[str]:
    effect = "outage"
    if lost.left:
        effect = f"degraded, best_fix: {_LEFT.get(lost.left, 'single')}"
    yield "surface: {grip: 1.0}"
    yield f"# Nothing better for {lost.worst_s:.2f} s, of which the receiver's own way back is a part."
    yield "events:"
    yield (
        f"  - {{kind: gnss, name: fix lost, effect: {effect}, at: {{station_m: {piece.station_m:.1f}}}, "
        f"duration_s: {lost.without_way_back(way_back_s):.2f}}}"
    )
    yield "criteria:"
    yield "  - {kind: no_fall}"
    yield f"  - {{kind: distance_from_line, limit_m: {_LIMIT_OFF_m:g}, from_s: 8.0}}"
    yield "  - {kind: position_error, limit_m: 0.75, of: max, during_event: fix lost, recovery_s: 3.0}"
