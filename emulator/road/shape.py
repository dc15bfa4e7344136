"""The shape of the road: elevation and bank along the line, bumps, roughness; and the plane under a tyre.

Heights are over the plane z = 0 of the world. Along the line the road rises and falls with its elevation,
across it tilts with its bank; bumps and roughness lie on top::

    z(s, o) = elevation(s) + o tan(bank(s)) + sum of bumps(s, o) + roughness(s)

s station, o lateral offset (positive left). Bank is positive where the road is rolled like a bike leaning to
the right: its left side is the higher one, a right turn is helped. The sections of a lap join smoothly:
elevation is a cubic between samples, roughness as well, so height and slope have no steps.

A tyre meets the road as one plane a tick: the chord over the next tick's way along its travel, the tangent
across it. Planes of one tick after another meet at the contact, so the tyre sees no step either. The
footprint's own smoothing of what is shorter than itself is left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.road.line import Line, curvature_at, folded, heading_at, hermite, interval_of, wrap_station


class RoadProfile(NamedTuple):
    """The shape of a road beside its line.

    uneven           False: flat, nothing below is looked at
    elevation        (n+1,) [m]  height at the samples of the line
    rise             (n+1,) [1]  d elevation / d station
    tilt             (n+1,) [1]  tangent of the bank
    bump             (k, 5)      station of the start [m], length [m], height [m], left [m], right [m]
    rough            (m,)   [m]  roughness at equal steps of station from 0; on a closed line for one lap
    rough_step_m     [m]
    """

    uneven: bool
    elevation: NDArray[np.float64]
    rise: NDArray[np.float64]
    tilt: NDArray[np.float64]
    bump: NDArray[np.float64]
    rough: NDArray[np.float64]
    rough_step_m: float


class Bump(NamedTuple):
    """A bump as long as ``length_m`` along the line, a whole wave of the cosine high; a dip if negative."""

    at_m: float
    length_m: float
    height_m: float
    left_m: float
    right_m: float


_SIDE_m = 0.2  # how far a bump fades out beyond its sides
_SHORTEST_m = 0.01  # chord of a tyre that hardly moves


def flat(line: Line) -> RoadProfile:
    """A road without relief."""
    n = line.station.size
    return RoadProfile(False, np.zeros(n), np.zeros(n), np.zeros(n), np.zeros((0, 5)), np.zeros(0), 1.0)


def road_profile(
    line: Line,
    elevation: NDArray[np.float64],
    rise: NDArray[np.float64],
    bank: NDArray[np.float64],
    bumps: Sequence[Bump] = (),
    rough: NDArray[np.float64] | None = None,
    rough_step_m: float = 1.0,
) -> RoadProfile:
    """The relief of a road from elevation [m], its slope [1] and bank [rad] at the line's samples (n+1,).

    rough  (m,) [m] heights every ``rough_step_m`` from station 0; a closed line takes a whole number a lap

    Raises ValueError where shapes differ, a number is not finite, or a bump has no length.
    """
    n = line.station.size
    for name, values in (("elevation", elevation), ("rise", rise), ("bank", bank)):
        if values.shape != (n,) or not np.isfinite(values).all():
            raise ValueError(f"{name}: expected {n} finite numbers, got shape {values.shape}")
    rough = np.zeros(0) if rough is None else np.ascontiguousarray(rough, np.float64)
    if not np.isfinite(rough).all() or not rough_step_m > 0.0:
        raise ValueError("roughness: expected finite heights and a step above 0 m")
    for number, bump in enumerate(bumps):
        if not (all(math.isfinite(v) for v in bump) and bump.length_m > 0.0 and bump.left_m >= bump.right_m):
            raise ValueError(
                f"bump {number}: expected a length above 0 and left_m from right_m up, got {bump}"
            )
    table = np.array([tuple(b) for b in bumps], np.float64).reshape(len(bumps), 5)
    uneven = bool(np.any(elevation) or np.any(bank) or len(bumps) or np.any(rough))
    return RoadProfile(
        uneven,
        np.ascontiguousarray(elevation, np.float64),
        np.ascontiguousarray(rise, np.float64),
        np.tan(bank),
        table,
        rough,
        float(rough_step_m),
    )


@jit
def _roughness(r: RoadProfile, line: Line, station: float) -> float:
    """Roughness [m] by a cubic through the neighbouring heights; an open line ends level."""
    m = r.rough.size
    if m < 2:
        return 0.0
    p = station / r.rough_step_m
    i = math.floor(p)
    t = p - i
    if line.closed:
        if not 0 <= i < m:
            i %= m
        f0, f1 = r.rough[i], r.rough[i + 1 if i + 1 < m else 0]
        before, after = r.rough[i - 1 if i > 0 else m - 1], r.rough[i + 2 if i + 2 < m else i + 2 - m]
    else:
        f0, f1 = r.rough[min(max(i, 0), m - 1)], r.rough[min(max(i + 1, 0), m - 1)]
        before, after = r.rough[min(max(i - 1, 0), m - 1)], r.rough[min(max(i + 2, 0), m - 1)]
    return hermite(f0, f1, 0.5 * (f1 - before), 0.5 * (after - f0), 1.0, t)


@jit
def height_at(r: RoadProfile, line: Line, station: float, offset: float) -> float:
    """Height of the road [m] at a station (any number of laps) and lateral offset [m].

    Fails: never; NaN in gives NaN out.
    """
    if math.isnan(station) or math.isnan(offset):
        return math.nan
    wrapped = wrap_station(line, station)
    i, t, step = interval_of(line, wrapped)
    z = hermite(r.elevation[i], r.elevation[i + 1], r.rise[i], r.rise[i + 1], step, t)
    z += offset * (r.tilt[i] + t * (r.tilt[i + 1] - r.tilt[i]))
    for k in range(r.bump.shape[0]):
        ahead = wrapped - r.bump[k, 0]
        if line.closed:
            ahead = folded(ahead, line.length)
        if 0.0 < ahead < r.bump[k, 1]:
            beside = max(r.bump[k, 4] - offset, offset - r.bump[k, 3], 0.0) / _SIDE_m
            if beside < 1.0:
                side = 0.5 * (1.0 + math.cos(math.pi * beside))
                z += r.bump[k, 2] * side * 0.5 * (1.0 - math.cos(2.0 * math.pi * ahead / r.bump[k, 1]))
    return float(z + _roughness(r, line, wrapped))


@jit
def plane_under(
    r: RoadProfile,
    line: Line,
    station: float,
    offset: float,
    x: float,
    y: float,
    vx: float,
    vy: float,
    dt: float,
) -> tuple[float, float, float]:
    """Road plane under a tyre at (x, y) [m] that moves with (vx, vy) [m/s] for the next ``dt`` [s].

    station, offset [m] are those of (x, y). Returns (height of the plane at the world's origin [m], slope
    along x, slope along y [1]). Along the way of the tyre it is the chord to where the tyre will be, across
    it the tangent.
    """
    heading, curvature = heading_at(line, station), curvature_at(line, station)
    c, n = math.cos(heading), math.sin(heading)
    speed = math.hypot(vx, vy)
    way = max(speed * dt, _SHORTEST_m)
    tx, ty = (vx / speed, vy / speed) if speed * dt > 1e-6 else (c, n)
    stretch = 1.0 - curvature * offset
    stretch = max(stretch, 0.1)  # beyond the centre of curvature there is no road worth the name
    here = height_at(r, line, station, offset)
    along, across = way * (tx * c + ty * n), way * (ty * c - tx * n)
    ahead = height_at(r, line, station + along / stretch, offset + across)
    # a step to the left of the way: minus `across` along the line, `along` to its left
    beside = height_at(r, line, station - across / stretch, offset + along)
    up, tilt = (ahead - here) / way, (beside - here) / way
    gx, gy = up * tx - tilt * ty, up * ty + tilt * tx
    return here - gx * x - gy * y, gx, gy
