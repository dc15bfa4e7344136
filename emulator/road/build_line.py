"""Target paths from segments: straights and turns with clothoid transitions, blended and closed.

The curvature of straights and turns joined by clothoids is continuous, but its slope jumps. A motorcycle's
roll angle follows the curvature, so such a jump asks for a step in roll rate. ``blend_m`` therefore
replaces the curvature by its moving average over that length: its slope is then continuous, its peak slope
no greater, and every change of heading exactly what it was, because an average keeps the integral.

Source of the clothoid (curvature linear in arc length; coordinates are Fresnel integrals): Abramowitz and
Stegun, Handbook of Mathematical Functions, section 7.3. The rest: definition; common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.road.line import Line

Array = NDArray[np.float64]

PARALLEL = 1e-3
"""Free straights whose headings differ by less than this (sine of the angle) can't close a circuit."""
SHORTEST_BLEND = 0.1
"""Shortest blend [m]. The average is a difference divided by the window: a tiny window loses its digits."""


class LineError(ValueError):
    """What gives no line. ``number`` of the segment or point counts from 0; None: it is about all of them.

    among  what is numbered: ``segments``, or ``points`` (emulator.road.through_points)
    """

    def __init__(self, number: int | None, expected: str, among: str = "segments") -> None:
        super().__init__(expected if number is None else f"{among}.{number}: {expected}")
        self.number = number
        self.expected = expected
        self.among = among


class Straight(NamedTuple):
    """A straight of ``length_m``; ``free``: the length is solved so that the circuit closes."""

    length_m: float
    free: bool = False


class Turn(NamedTuple):
    """Clothoid of ``transition_m``, arc of ``radius_m``, clothoid; ``angle_rad`` in all, positive left.

    Each transition takes transition / (2 radius) of the angle.
    """

    angle_rad: float
    radius_m: float
    transition_m: float


Segment = Straight | Turn


class _Curvature:
    """Curvature as a polyline in station, averaged over a window; heading and slope in closed form.

    With theta the integral of the polyline and Theta that of theta, the average over a window w is
    (theta(s + w/2) - theta(s - w/2)) / w, its integral the same with Theta, its derivative the same with
    the curvature itself. ``turned`` is the heading gained in a lap of a closed line, 0 for an open one.
    """

    def __init__(self, knots: Array, values_left: Array, values_right: Array, window: float, closed: bool):
        # values_left[k] and values_right[k] are the curvature at the start and the end of piece k.
        self.knots = knots
        self.length = float(knots[-1])
        self.closed = closed
        self.window = window
        self.start = values_left
        pieces = np.diff(knots)
        self.rate = np.divide(values_right - values_left, pieces, out=np.zeros_like(pieces), where=pieces > 0)
        turn = 0.5 * (values_left + values_right) * pieces
        self.theta0 = np.concatenate([[0.0], np.cumsum(turn)])
        area = pieces * (self.theta0[:-1] + pieces * (values_left / 2.0 + self.rate * pieces / 6.0))
        self.area0 = np.concatenate([[0.0], np.cumsum(area)])
        self.turned = float(self.theta0[-1])

    def _raw(self, station: Array) -> tuple[Array, Array, Array, Array]:
        """(curvature slope, curvature, theta, Theta) of the polyline, beyond the ends as well."""
        if self.closed:
            lap = np.floor(station / self.length)
            inside = station - lap * self.length
        else:
            lap = np.zeros_like(station)
            inside = np.clip(station, 0.0, self.length)
        k = np.clip(np.searchsorted(self.knots, inside, side="right") - 1, 0, self.start.size - 1)
        u = inside - self.knots[k]
        rate, kappa0 = self.rate[k], self.start[k]
        kappa = kappa0 + rate * u
        theta = self.theta0[k] + u * (kappa0 + rate * u / 2.0)
        area = self.area0[k] + u * (self.theta0[k] + u * (kappa0 / 2.0 + rate * u / 6.0))
        if self.closed:
            # Theta over whole laps: each earlier lap's area plus the heading it hands on.
            area = (
                area
                + lap * self.area0[-1]
                + self.turned * (lap * inside + self.length * lap * (lap - 1.0) / 2.0)
            )
            theta = theta + lap * self.turned
            return rate, kappa, theta, area
        # An open line goes straight on before its start and past its end.
        outside = station - inside
        beyond = outside != 0.0
        return (
            np.where(beyond, 0.0, rate),
            np.where(beyond, 0.0, kappa),
            theta,
            area + outside * theta,
        )

    def at(self, station: Array) -> tuple[Array, Array, Array]:
        """(heading less that of station 0 unblended, curvature, curvature slope) of the blended line."""
        if self.window == 0.0:
            rate, kappa, theta, _area = self._raw(station)
            return theta, kappa, rate
        _r1, kappa1, theta1, area1 = self._raw(station + self.window / 2.0)
        _r0, kappa0, theta0, area0 = self._raw(station - self.window / 2.0)
        w = self.window
        return (area1 - area0) / w, (theta1 - theta0) / w, (kappa1 - kappa0) / w

    def breaks(self) -> Array:
        """Stations in 0..length where a derivative of the blended curvature jumps."""
        if self.window == 0.0:
            return self.knots
        shifted = np.concatenate([self.knots - self.window / 2.0, self.knots + self.window / 2.0])
        return shifted % self.length if self.closed else shifted


def _curvature(segments: Sequence[Segment], blend_m: float, closed: bool) -> _Curvature:
    """Polyline of curvature over all segments."""
    knots, left, right = [0.0], [], []

    def piece(length: float, start: float, end: float) -> None:
        if length > 0.0:
            knots.append(knots[-1] + length)
            left.append(start)
            right.append(end)

    for segment in segments:
        if isinstance(segment, Straight):
            piece(segment.length_m, 0.0, 0.0)
        else:
            kappa = math.copysign(1.0 / segment.radius_m, segment.angle_rad)
            piece(segment.transition_m, 0.0, kappa)
            piece(segment.radius_m * abs(segment.angle_rad) - segment.transition_m, kappa, kappa)
            piece(segment.transition_m, kappa, 0.0)
    return _Curvature(np.array(knots), np.array(left), np.array(right), blend_m, closed)


def _check(segments: Sequence[Segment], closed: bool, ds_m: float, blend_m: float) -> None:
    """Raise LineError for the first thing that can't be built."""
    if not (math.isfinite(ds_m) and ds_m > 0.0):
        raise LineError(None, f"ds_m: expected a step above 0 m, got {ds_m}")
    if blend_m != 0.0 and not (math.isfinite(blend_m) and blend_m >= SHORTEST_BLEND):
        raise LineError(None, f"blend_m: expected 0, or {SHORTEST_BLEND:g} m or more, got {blend_m}")
    if not segments:
        raise LineError(None, "expected at least one segment, got none")
    for number, segment in enumerate(segments):
        if not all(math.isfinite(value) for value in segment):
            raise LineError(number, f"expected finite numbers, got {tuple(segment)}")
        if isinstance(segment, Straight):
            if segment.length_m <= 0.0:
                raise LineError(number, f"expected a straight longer than 0 m, got {segment.length_m}")
            continue
        if segment.radius_m <= 0.0:
            raise LineError(
                number, f"expected a radius above 0 m, got {segment.radius_m}; the angle has the sign"
            )
        if segment.angle_rad == 0.0:
            raise LineError(number, "expected a turn other than 0 degrees; use a straight")
        if segment.transition_m < 0.0:
            raise LineError(number, f"expected a transition from 0 m up, got {segment.transition_m}")
        longest = segment.radius_m * abs(segment.angle_rad)
        if segment.transition_m > longest * (1.0 + 1e-12):
            raise LineError(
                number,
                f"two transitions of {segment.transition_m:g} m turn further than "
                f"{abs(math.degrees(segment.angle_rad)):g} degrees at {segment.radius_m:g} m radius; "
                f"expected transition_m of at most {longest:.3f}",
            )
    free = [
        number for number, segment in enumerate(segments) if isinstance(segment, Straight) and segment.free
    ]
    if not closed:
        if free:
            raise LineError(free[0], "an open line has nothing to close; take free away")
        return
    turned = math.degrees(math.fsum(s.angle_rad for s in segments if isinstance(s, Turn)))
    if abs(abs(turned) - 360.0) > 1e-9:
        nearest = math.copysign(360.0, turned)
        raise LineError(
            None,
            "the turns of a closed circuit must add up to +360 or -360 degrees, "
            f"they add up to {turned:.9g}; change them by {nearest - turned:+.9g}",
        )
    if free and len(free) != 2:
        raise LineError(free[0], f"expected two free straights to close the circuit with, got {len(free)}")


def _positions(curvature: _Curvature, station: Array, heading0: float) -> tuple[Array, Array]:
    """Integrals of the cosine and sine of the heading at each station, from the first one.

    Five-point Gauss-Legendre between neighbouring samples and breaks, so that each piece is smooth.
    """
    breaks = curvature.breaks()
    inside = breaks[(breaks > station[0]) & (breaks < station[-1])]
    grid = np.unique(np.concatenate([station, inside]))
    nodes, weights = np.polynomial.legendre.leggauss(5)
    half = np.diff(grid) / 2.0
    middle = (grid[:-1] + grid[1:]) / 2.0
    at = middle[:, None] + half[:, None] * nodes
    heading = heading0 + curvature.at(at.ravel())[0].reshape(at.shape)
    where = np.searchsorted(grid, station)
    east = np.concatenate([[0.0], np.cumsum(half * (np.cos(heading) @ weights))])
    north = np.concatenate([[0.0], np.cumsum(half * (np.sin(heading) @ weights))])
    return east[where], north[where]


def _closed_up(segments: Sequence[Segment], blend_m: float) -> tuple[Segment, ...]:
    """The segments with the two free straights as long as it takes to come back to the start.

    Lengthening a straight by d moves all that follows by d along its heading, so the two lengths solve
    two linear equations; a blend changes nothing about that while the straight is longer than the blend.
    """
    free = [number for number, s in enumerate(segments) if isinstance(s, Straight) and s.free]
    turned = [s.angle_rad if isinstance(s, Turn) else 0.0 for s in segments]
    headings = [math.fsum(turned[:number]) for number in free]
    if abs(math.sin(headings[1] - headings[0])) < PARALLEL:
        raise LineError(
            free[1],
            f"the two free straights are parallel (headings {math.degrees(headings[0]):.3f} and "
            f"{math.degrees(headings[1]):.3f} degrees), so they can't close the circuit; "
            "free another straight",
        )
    trial = [
        Straight(max(s.length_m, blend_m), True) if isinstance(s, Straight) and s.free else s
        for s in segments
    ]
    curvature = _curvature(trial, blend_m, True)
    ends = np.array([0.0, curvature.length])
    # The blend may turn the line at station 0 a little; the segments' own headings count from the polyline.
    east, north = _positions(curvature, ends, 0.0)
    matrix = np.array([[math.cos(h) for h in headings], [math.sin(h) for h in headings]])
    change = np.linalg.solve(matrix, -np.array([east[1], north[1]]))
    for number, more in zip(free, change, strict=True):
        straight = trial[number]
        assert isinstance(straight, Straight)
        length = straight.length_m + float(more)
        if length <= blend_m:
            raise LineError(
                number,
                f"closing the circuit takes a free straight of {length:.3f} m here; expected more than "
                f"{blend_m:g} m (blend_m): change a turn, or lengthen the straights on the other side",
            )
        trial[number] = Straight(length, True)
    return tuple(trial)


def build_line(
    segments: Sequence[Segment],
    *,
    closed: bool,
    ds_m: float = 0.5,
    blend_m: float = 0.0,
    start: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> Line:
    """Build the sampled line from its segments, in riding order.

    segments  straights and turns; a closed circuit may have two free straights (none if it closes as is)
    closed    the line comes back to its start
    ds_m      [m] longest step; the step used divides the length evenly
    blend_m   [m] window of the moving average of curvature; 0 (as they are) or 0.1 m and more
    start     x [m], y [m], heading [rad] at station 0

    Returns the line with bank, slope and target speed zero. Headings and the heading gained are exact to
    1e-9 rad, positions to 1e-9 m a kilometre; a closed line ends where it starts within 1 mm or is refused.
    Raises LineError (a ValueError) naming the segment and the figure.
    """
    _check(segments, closed, ds_m, blend_m)
    if closed and any(isinstance(s, Straight) and s.free for s in segments):
        segments = _closed_up(segments, blend_m)
    curvature = _curvature(segments, blend_m, closed)
    length = curvature.length
    if blend_m > 0.0 and not closed:
        # Otherwise half a window of curvature would be averaged away at the ends.
        for number in (0, len(segments) - 1):
            end = segments[number]
            if not (isinstance(end, Straight) and end.length_m >= blend_m / 2.0):
                raise LineError(
                    number,
                    f"an open line blended over {blend_m:g} m must start and end with a straight of "
                    f"{blend_m / 2.0:g} m or more",
                )
    if closed and blend_m >= length:
        raise LineError(None, f"blend_m {blend_m:g} is longer than the whole line ({length:.3f} m)")
    count = max(math.ceil(length / ds_m - 1e-9), 2)
    station = np.linspace(0.0, length, count + 1)
    turned, kappa, dkappa = curvature.at(station)
    x0, y0, heading0 = start
    offset = heading0 - float(turned[0])
    east, north = _positions(curvature, station, offset)
    if closed:
        gap = math.hypot(east[-1], north[-1])
        if gap > 1e-3:
            raise LineError(
                None,
                f"the circuit misses its start by {gap:.3f} m; mark two straights that are not parallel "
                "as free",
            )
        # What rounding left (far below a micrometre) is spread along the lap, so that both ends are one.
        east = east - station / length * east[-1]
        north = north - station / length * north[-1]
        kappa[-1], dkappa[-1] = kappa[0], dkappa[0]
    return Line(
        station=station,
        x=x0 + east,
        y=y0 + north,
        heading=offset + turned,
        curvature=kappa,
        dcurvature=dkappa,
        bank=np.zeros(count + 1),
        slope=np.zeros(count + 1),
        target_speed=np.zeros(count + 1),
        length=length,
        closed=closed,
    )
