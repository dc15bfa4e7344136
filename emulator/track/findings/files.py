"""The files of a finding: a circuit file with its piece of line, a scenario that makes it happen again."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple, TypeAlias

from emulator.track.findings.braking_slide import BrakingSlide
from emulator.track.findings.lost_fix import LostFix
from emulator.track.findings.piece import Piece
from emulator.track.findings.slide import Slide
from emulator.track.findings.steering_moved import SteeringMoved
from emulator.track.road_seen.bumps import Bump

_BEGINS_EARLIER_s = 0.05
"""What an axle loses shows that much later than the road changes: smoothing, and relaxation of the tyre."""
_UNENDED_s = 1.0
_WIDTH_m = 10.0
_LIMIT_OFF_m = 1.5
_LEAST_LATERAL_m_s2 = 3.0
_ROOM = 1.1
_SLOWED, _LEAST_SLOWED_m_s = 0.5, 3.0  # of the speed it had
_MOST_BRAKING_m_s2 = 12.0
_WHEELBASE_m = 1.4  # a racing motorcycle's, common practice, no source
_LIMIT_SLIP = 0.3
_CALM_rad_s, _CALM_AFTER_s = 0.25, 1.0
_LEFT = {1: "single", 2: "differential", 5: "float"}
_NOWHERE = {"latitude_deg": 0.0, "longitude_deg": 0.0, "height_m": 0.0}
_SOME_DAY = "2027-01-01T12:00:00Z"


class Grip(NamedTuple):
    """Grip of the road where it slid [1]: least, estimated, most; and the tyre's friction on grip 1."""

    least: float
    estimated: float
    most: float
    tyre_friction: float


Found: TypeAlias = Slide | BrakingSlide | SteeringMoved | LostFix


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
    found: Found,
    grip: Grip | None,
    source: str,
    recorded: Mapping[str, Any],
    way_back_s: Sequence[float],
    bump: Bump | None = None,
) -> str:
    """The scenario file.

    grip      of a slide
    way_back_s  of the rig's receiver, from an outage's end to each fix from single to fixed
    bump      that moved the steering, from where the rear contact was when it moved
    recorded  the record's scenario, for origin and time; empty where it has none
    """
    last = piece.points[-1] - piece.points[-2]
    length = (len(piece.points) - 1) * math.hypot(*last.tolist())
    lines = _scenario(name, line_file, piece, found, grip, source, recorded, length, way_back_s, bump)
    return "\n".join(lines) + "\n"


def _scenario(
    name: str,
    line_file: str,
    piece: Piece,
    found: Found,
    grip: Grip | None,
    source: str,
    recorded: Mapping[str, Any],
    length_m: float,
    way_back_s: Sequence[float],
    bump: Bump | None,
) -> Iterator[str]:
    origin = recorded.get("origin") or _NOWHERE
    if isinstance(found, Slide):
        purpose = f"ride over what made the {found.tyre} tyre slide once more"
    elif isinstance(found, BrakingSlide):
        purpose = f"brake where the {found.tyre} wheel slid under the brakes once more"
    elif isinstance(found, SteeringMoved):
        purpose = "ride on where the steering moved by itself once more"
    else:
        purpose = "ride on where the receiver lost its fix once more"
    braked = found if isinstance(found, BrakingSlide) else None
    fastest = piece.speed_m_s if braked is None else max(braked.before_m_s, piece.speed_m_s)
    lateral = max(_LEAST_LATERAL_m_s2, _ROOM * piece.lateral_m_s2 * (fastest / piece.speed_m_s) ** 2)
    yield f"# {source}"
    yield "kind: scenario"
    yield f"name: {json.dumps(name)}"
    yield f"purpose: {json.dumps(purpose)}"
    yield f"circuit: {line_file}"
    yield "laps: 1"
    slowest = piece.speed_m_s if braked is None else _slowed_to(piece)
    # twice what it takes to get up to speed with half of the acceleration it may have, and to ride on
    yield f"duration_limit_s: {2.0 * (length_m / slowest + fastest / 2.0) + 10.0:.0f}"
    yield f"utc: {recorded.get('utc') or _SOME_DAY}"
    yield "origin: {" + ", ".join(f"{key}: {json.dumps(value)}" for key, value in origin.items()) + "}"
    yield "support: {tow_acceleration_m_s2: 2.0, release_speed_km_h: 15.0}"
    yield "speed: # as it was just before; the line asks for no less"
    yield f"  lateral_limit_m_s2: {min(lateral, 20.0):.2f}"
    yield "  acceleration_limit_m_s2: 4.0"
    yield f"  braking_limit_m_s2: {5.5 if braked is None else max(5.5, _asked(braked)):.2f}"
    yield f"  top_speed_km_h: {3.6 * fastest:.1f}"
    if isinstance(found, Slide):
        yield from _slide(piece, found, grip)
    elif isinstance(found, BrakingSlide):
        yield from _braking_slide(piece, found, grip)
    elif isinstance(found, SteeringMoved):
        yield from _steering_moved(piece, found, bump)
    else:
        yield from _lost_fix(piece, found, way_back_s)


def _slowed_to(piece: Piece) -> float:
    """Speed [m/s] that the bike is braked to, as far as the log was able to."""
    return max(_SLOWED * piece.speed_m_s, _LEAST_SLOWED_m_s)


def _asked(slide: BrakingSlide) -> float:
    return min(max(slide.deceleration, 1.0), _MOST_BRAKING_m_s2)


def _braking_slide(piece: Piece, slide: BrakingSlide, grip: Grip | None) -> Iterator[str]:
    assert grip is not None  # a slide has one
    lasts_s = _UNENDED_s if slide.to_s is None else slide.to_s - slide.from_s
    before_s = slide.from_s - slide.braked_from_s
    let_go_s = slide.from_s + lasts_s if slide.released_s is None else slide.released_s
    applied_s = let_go_s - slide.braked_from_s
    # the target speed may ask for no more than the time there was; a robot's brakes answer later than it
    braked_from = piece.station_m - before_s * 0.5 * (slide.before_m_s + piece.speed_m_s)
    wheel = piece.station_m + (_WHEELBASE_m if slide.tyre == "front" else 0.0)
    if slide.alone is None:
        yield (
            f"  slow_down: {{from_m: {max(braked_from, 0.0):.1f}, deceleration_m_s2: {_asked(slide):.2f}, "
            f"to_km_h: {3.6 * _slowed_to(piece):.1f}}}"
        )
    stood = "stood still" if slide.locked else "turned too slowly"
    yield (
        f"# The {slide.tyre} wheel {stood} under the brakes, {before_s:.2f} s after they were applied"
        f"{', the other one slid as well' if slide.both else ''}."
    )
    yield f"# On a road of grip 1 the tyre holds {grip.tyre_friction:g} of its load, sticking."
    beyond_s = lasts_s + (0.0 if slide.released_s is None else _UNENDED_s)
    yield from _patch(grip, wheel - _BEGINS_EARLIER_s * piece.speed_m_s, wheel + beyond_s * piece.speed_m_s)
    if slide.alone is not None:
        yield f"events: # the {slide.tyre} brake alone, as it was: a robot that brakes with both would not"
        when = f"at: {{station_m: {max(braked_from, 0.0):.1f}}}, duration_s: {max(applied_s, 0.05):.2f}"
        yield (
            f"  - {{kind: actuator, name: {slide.tyre} brake as seen, channel: {slide.tyre}_brake, "
            f"effect: stuck, value: {slide.alone:.4g}, {when}}}"
        )
        yield f"  - {{kind: actuator, name: throttle shut, channel: throttle, effect: no_response, {when}}}"
    yield "criteria:"
    yield "  - {kind: no_fall}"
    yield f"  - {{kind: distance_from_line, limit_m: {_LIMIT_OFF_m:g}, from_s: 8.0}}"
    yield f"  - {{kind: slip_ratio, wheel: {slide.tyre}, limit: {_LIMIT_SLIP:g}, from_s: 8.0}}"


def _patch(grip: Grip, begins_m: float, ends_m: float) -> Iterator[str]:
    """A patch of what was there, with a parameter for it; the rest of the road held what was asked before."""
    rest = max(1.0, round(1.1 * grip.most, 2))
    yield "parameters:"
    yield (
        f"  grip_there: {{default: {grip.estimated:g}, range: [{min(grip.least, grip.estimated):g}, "
        f"{max(grip.most, grip.estimated):g}], unit: 1, meaning: grip of the road where it slid}}"
    )
    yield "surface:"
    yield f"  grip: {rest:g}"
    yield "  patches:"
    yield (
        f"    - {{name: where it slid, from_m: {max(begins_m, 0.0):.1f}, to_m: {ends_m:.1f}, "
        "grip: {parameter: grip_there}, edge_m: 1.0}"
    )


def _slide(piece: Piece, slide: Slide, grip: Grip | None) -> Iterator[str]:
    assert grip is not None  # a slide has one
    lasts_s = _UNENDED_s if slide.to_s is None else slide.to_s - slide.from_s
    begins = piece.station_m - _BEGINS_EARLIER_s * piece.speed_m_s
    yield (
        f"# Of the {slide.tyre} tyre {slide.most:.2f} of its load was asked, {slide.used:.2f} was there "
        f"while it slid, {slide.least:.2f} at least."
    )
    yield f"# On a road of grip 1 the tyre holds {grip.tyre_friction:g} of its load."
    yield from _patch(grip, begins, piece.station_m + lasts_s * piece.speed_m_s)
    yield "criteria:"
    yield "  - {kind: no_fall}"
    yield f"  - {{kind: distance_from_line, limit_m: {_LIMIT_OFF_m:g}, from_s: 8.0}}"
    yield f"  - {{kind: friction_use, wheel: {slide.tyre}, limit: 0.95, from_s: 8.0}}"


def _steering_moved(piece: Piece, moved: SteeringMoved, bump: Bump | None) -> Iterator[str]:
    yield f"# {torque_words(moved)}; {moved.floor:.1f} N m could be noise and friction."
    yield f"# {cause_words(moved)[0].upper()}{cause_words(moved)[1:]}."
    begins = f"at: {{station_m: {piece.station_m:.1f}}}"
    if moved.cause == "bump" and bump is not None:
        yield "surface:"
        yield "  grip: 1.0"
        yield "  bumps:"
        yield (
            f"    - {{name: as seen, at_m: {max(piece.station_m + bump.at_m, 0.0):.1f}, "
            f"length_m: {min(max(bump.length_m, 0.2), 200.0):.2f}, "
            f"height_m: {min(max(bump.height_m, -0.5), 0.5):.4f}}}"
        )
        yield "events:"
        yield f"  - {{kind: mark, name: steering moved, text: the steering moved here, {begins}}}"
    else:
        how = "offset" if moved.delivered is None else moved.delivered
        value = moved.torque if moved.delivered is None else moved.value
        set_to = "" if how == "no_response" else f" value: {value:.2f},"
        yield "surface: {grip: 1.0}"
        yield "events:"
        if moved.delivered is None:
            yield "  # a torque beside what the robot asks for moves it as much, whatever it was"
        yield (
            f"  - {{kind: actuator, name: steering moved, channel: steering, effect: {how},{set_to} "
            f"{begins}, duration_s: {moved.lasts_s:.2f}}}"
        )
    yield "criteria:"
    yield "  - {kind: no_fall}"
    yield f"  - {{kind: distance_from_line, limit_m: {_LIMIT_OFF_m:g}, from_s: 8.0}}"
    yield (
        "  - {kind: settle_time, after: steering moved, signal: truth.steer_rate_rad_s, "
        f"within: {_CALM_rad_s:g}, limit_s: {moved.lasts_s + _CALM_AFTER_s:.2f}, stay_s: 0.5}}"
    )


def torque_words(moved: SteeringMoved) -> str:
    """How large a torque it was, or would have been."""
    side = "left" if moved.torque > 0.0 else "right"
    size = f"{abs(moved.torque):.1f} N m to the {side}"
    if moved.delivered is None:
        return f"{size} for {moved.lasts_s:.2f} s would move it so"
    return f"{size} beside what was asked for {moved.lasts_s:.2f} s, on the mean"


def cause_words(moved: SteeringMoved) -> str:
    """What moved it, as far as the log proves it."""
    if moved.cause == "actuator":
        how = {
            "no_response": "gave no torque",
            "stuck": f"stuck at {moved.value:.1f} N m",
            "offset": f"gave {moved.value:+.1f} N m beside what was asked",
            None: "did not follow",
        }[moved.delivered]
        return f"its actuator {how}, as measured behind it"
    if moved.cause == "bump":
        return "its actuator gave what was asked, and a bump shows in the forces at that instant"
    if not moved.measured:
        seen = "a bump shows in the forces at that instant, but " if moved.bump else ""
        return (
            f"{seen}no torque was measured behind its actuator, so that nobody is accused: the cause is open"
        )
    return "its actuator gave what was asked and no bump shows: the cause is open"


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
