"""Manoeuvres: straight, circle, slalom, lane change and braking, as lines that are made and not drawn.

A manoeuvre begins at the end of its run-up and is over at the beginning of its run-out; the ride is complete
at the run-out's end. Stations count from the beginning of the run-up. All but the circle are open lines:
they have no laps. The speed is the scenario's ``speed.top_speed_km_h``, which the run-up has to be long
enough for, or what its other limits leave.

Slalom and lane change are made of turns whose curvature rises and falls linearly, blended like a circuit's;
angle and radius are solved so that the blended line passes where it is asked to.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from typing import Annotated, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from emulator.config.scenario.course import BLEND, STATION_STEP, Course, open_course, overrun
from emulator.config.scenario.quantities import Station
from emulator.config.validation import Closed
from emulator.core.keeping.kept_results import code_of, kept_numbers
from emulator.lap.target_speed import braked
from emulator.road import build_line as build_line_module
from emulator.road.build_line import LineError, Segment, Straight, Turn, build_line
from emulator.road.line import Line

_FINE = 0.1  # [m] between samples while solving
_SIDES = {"left": 1.0, "right": -1.0}


class _Manoeuvre(Closed):
    """What every manoeuvre has: a road of constant width and bank."""

    width_m: float = Field(default=10.0, ge=2, le=50)
    """Width of the road, half of it to each side of the line."""
    bank_deg: float = Field(default=0.0, ge=-35, le=35)
    """How far the road is tilted to the side all along; positive: its left side is higher."""


class _Open(_Manoeuvre):
    """One that starts and ends somewhere, on a constant slope."""

    slope_deg: float = Field(default=0.0, ge=-15, le=15)
    """Slope of the road all along; positive uphill."""


class StraightOn(_Open):
    """Straight on; all of it is the manoeuvre."""

    kind: Literal["straight"]
    length_m: float = Field(ge=20, le=20_000)
    """Length from start to finish."""


class Circle(_Manoeuvre):
    """Round and round to one side: a closed line, ridden for ``laps``."""

    kind: Literal["circle"]
    radius_m: float = Field(ge=8, le=5000)
    """Radius of the circle."""
    side: Literal["left", "right"]
    """To which side it turns."""


class Slalom(_Open):
    """Round cones in a row, the first one passed on its left.

    The row is parallel to run-up and run-out, a little beside them.
    """

    kind: Literal["slalom"]
    gates: int = Field(ge=2, le=100)
    """Number of cones."""
    spacing_m: float = Field(ge=8, le=200)
    """From one cone to the next."""
    offset_m: float = Field(ge=0.1, le=5)
    """How far beside each cone the line passes, left and right in turn."""
    run_up_m: float = Field(default=200.0, ge=20, le=10_000)
    """Straight before it; long enough to reach the speed."""
    run_out_m: float = Field(default=30.0, ge=0, le=10_000)
    """Straight behind it; the ride is complete at its end."""


class LaneChange(_Open):
    """To a parallel line within a length."""

    kind: Literal["lane_change"]
    offset_m: float = Field(ge=-20, le=20)
    """How far beside the new line is, positive to the left; not 0."""
    length_m: float = Field(ge=8, le=1000)
    """Length along the old line within which it is done."""
    run_up_m: float = Field(default=200.0, ge=20, le=10_000)
    """Straight before it; long enough to reach the speed."""
    run_out_m: float = Field(default=50.0, ge=0, le=10_000)
    """Straight behind it; the ride is complete at its end."""


class Braking(_Open):
    """On a straight from the approach speed to a lower one, beginning where the run-up ends."""

    kind: Literal["braking"]
    deceleration_m_s2: float = Field(gt=0, le=15)
    """Deceleration of the bike, a slope included; built up and let go at the jerk of every target speed."""
    to_km_h: float = Field(ge=5, le=300)
    """Speed it is braked to, below ``speed.top_speed_km_h``."""
    run_up_m: Station = 300.0
    """Straight before it; long enough to reach the speed."""
    run_out_m: float = Field(default=10.0, ge=0, le=10_000)
    """Straight behind it; the ride is complete at its end."""


Manoeuvre: TypeAlias = Annotated[
    StraightOn | Circle | Slalom | LaneChange | Braking, Field(discriminator="kind")
]


def has_laps(manoeuvre: Manoeuvre) -> bool:
    """Whether its line is closed."""
    return isinstance(manoeuvre, Circle)


def manoeuvre_course(m: Manoeuvre, top_speed_m_s: float, jerk_m_s3: float) -> Course:
    """The course of a manoeuvre that is approached at a speed.

    jerk_m_s3  [m/s^3] of the target speed: braking takes it into account

    Raises LineError (its ``expected`` names no segment) for one that has no line of our kind or speed.
    """
    bank = math.radians(m.bank_deg)
    if isinstance(m, Circle):
        turn = Turn(_SIDES[m.side] * 2.0 * math.pi, m.radius_m, 0.0)
        line = build_line([turn], closed=True, ds_m=STATION_STEP)
        return Course(line, m.width_m, (line.length,), None, (), ((0.0, bank),) if bank else ())
    begin, blend = 0.0, BLEND
    body: tuple[Segment, ...]
    if isinstance(m, StraightOn):
        length, after = m.length_m, 0.0
        body = (Straight(m.length_m),)
    elif isinstance(m, Braking):
        begin, after = m.run_up_m, m.run_out_m
        length = float(brake_profile(m, top_speed_m_s, jerk_m_s3)[0][-1])
        body = (Straight(begin + length),)
    else:
        begin, after = m.run_up_m, m.run_out_m
        blend = min(BLEND, m.spacing_m / 3.0 if isinstance(m, Slalom) else m.length_m / 6.0)
        if isinstance(m, Slalom):
            turns = _slalom(m.gates, m.spacing_m, m.offset_m, blend)
        elif m.offset_m == 0.0:
            raise LineError(None, "expected an offset_m other than 0; write a straight instead")
        else:
            turns = _lane_change(m.offset_m, m.length_m, blend)
        length = sum(2.0 * t.transition_m for t in turns)
        body = (Straight(begin), *turns)
    ends = tuple(e for e in (begin, begin + length, begin + length + after) if e > 0.0)
    return open_course(
        (*body, Straight(after + overrun(top_speed_m_s))),
        tuple(sorted(set(ends))),
        width_m=m.width_m,
        bank_deg=m.bank_deg,
        slope_deg=m.slope_deg,
        blend_m=blend,
    )


def brake_profile(
    m: Braking, top_speed_m_s: float, jerk_m_s3: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Ways from where braking begins [m] and the speeds there [m/s]. Raises LineError: nothing to brake."""
    to = m.to_km_h / 3.6
    if to >= top_speed_m_s:
        raise LineError(
            None,
            f"expected a to_km_h below the approach speed of {3.6 * top_speed_m_s:g} km/h "
            f"(speed.top_speed_km_h), got {m.to_km_h:g}",
        )
    return braked(top_speed_m_s, to, m.deceleration_m_s2, jerk_m_s3)


def most_speed(
    m: Manoeuvre | None, line: Line, top_speed_m_s: float, jerk_m_s3: float
) -> NDArray[np.float64]:
    """Speed (n+1,) [m/s] that a manoeuvre leaves at the line's samples: the top one, less after braking."""
    if not isinstance(m, Braking):
        return np.full(line.station.size, top_speed_m_s)
    return fallen_speed(line, m.run_up_m, *brake_profile(m, top_speed_m_s, jerk_m_s3))


def fallen_speed(
    line: Line, from_m: float, way: NDArray[np.float64], speed: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Speed (n+1,) [m/s] at the line's samples, by ways (k,) [m] from a station on and speeds there (k,)."""
    # in the squares, which a constant deceleration takes down evenly by the way
    return np.asarray(np.sqrt(np.interp(line.station - from_m, way, speed**2)))


def _wave(angle: float, radius: float, sign: float = 1.0) -> Turn:
    """A turn of all transition: curvature up to 1/radius and down again."""
    return Turn(sign * angle, radius, angle * radius)


def _slalom(gates: int, spacing_m: float, offset_m: float, blend_m: float) -> tuple[Turn, ...]:
    """Half a wave into the row, one wave a gate, half a wave out of it."""
    angle, radius = _slalom_wave(spacing_m, offset_m, blend_m)
    turns = [_wave(angle, radius)]
    turns += [_wave(2.0 * angle, radius, -1.0 if k % 2 == 0 else 1.0) for k in range(gates)]
    turns.append(_wave(angle, radius, -1.0 if gates % 2 == 0 else 1.0))
    return tuple(turns)


@cache
def _slalom_wave(spacing_m: float, offset_m: float, blend_m: float) -> tuple[float, float]:
    """Heading [rad] across the cones' row and least radius [m] of the waves between two gates."""
    angle = math.atan(math.pi * offset_m / spacing_m)

    def miss(unknown: NDArray[np.float64]) -> list[float]:
        theta, radius = float(unknown[0]), math.exp(float(unknown[1]))
        turns = [_wave(theta, radius), *(_wave(2.0 * theta, radius, (-1.0) ** (k + 1)) for k in range(4))]
        half = 2.0 * theta * radius  # of a wave, and the whole way in
        line = build_line(
            [Straight(blend_m), *turns, Straight(blend_m)], closed=False, ds_m=_FINE, blend_m=blend_m
        )
        # gates are passed in the middle of a wave: the second and the third one, away from the ends
        at = blend_m + half + 2.0 * half * np.array([1.5, 2.5])
        x, y = (np.interp(at, line.station, v) for v in (line.x, line.y))
        return [(x[1] - x[0]) / spacing_m - 1.0, abs(y[1] - y[0]) / (2.0 * offset_m) - 1.0]

    # a wave's way is four times angle times radius, about the spacing
    return _kept(
        (1, spacing_m, offset_m, blend_m),
        lambda: _solved(miss, angle, spacing_m / (4.0 * angle), "a slalom of this spacing_m and offset_m"),
    )


def _lane_change(offset_m: float, length_m: float, blend_m: float) -> tuple[Turn, Turn]:
    """There and back again: two turns of one angle."""
    angle, radius = _lane_wave(abs(offset_m), length_m, blend_m)
    side = math.copysign(1.0, offset_m)
    return _wave(angle, radius, side), _wave(angle, radius, -side)


@cache
def _lane_wave(offset_m: float, length_m: float, blend_m: float) -> tuple[float, float]:
    """Greatest heading [rad] and least radius [m] of a lane change."""

    def miss(unknown: NDArray[np.float64]) -> list[float]:
        theta, radius = float(unknown[0]), math.exp(float(unknown[1]))
        ends = Straight(blend_m)
        line = build_line(
            [ends, _wave(theta, radius), _wave(theta, radius, -1.0), ends],
            closed=False,
            ds_m=_FINE,
            blend_m=blend_m,
        )
        return [(line.x[-1] - 2.0 * blend_m) / length_m - 1.0, line.y[-1] / offset_m - 1.0]

    angle = math.atan(2.0 * offset_m / length_m)
    return _kept(
        (2, offset_m, length_m, blend_m),
        lambda: _solved(miss, angle, length_m / (4.0 * angle), "a lane change of this offset_m and length_m"),
    )


def _kept(of: tuple[float, ...], solve: Callable[[], tuple[float, float]]) -> tuple[float, float]:
    return kept_numbers("wave", of, code_of((__file__, str(build_line_module.__file__))), solve)


def _solved(
    miss: Callable[[NDArray[np.float64]], list[float]], angle: float, radius: float, what: str
) -> tuple[float, float]:
    """Angle and radius at which nothing is missed, from a guess. Raises LineError: there are none."""

    from scipy.optimize import root

    for method in ("hybr", "lm"):  # where the first gets stuck, the second often does not
        try:
            found = root(miss, [angle, math.log(radius)], tol=1e-10, method=method)
            theta, least = float(found.x[0]), math.exp(float(found.x[1]))
            left = max(map(abs, miss(np.array([theta, math.log(least)]))))
        except (LineError, OverflowError, ValueError):
            continue
        if 0.0 < theta < math.pi / 2.0 and left < 1e-6:
            return theta, least
    raise LineError(None, f"found no line for {what}: longer or less to the side")
