"""Target paths through points: a curve whose curvature and curvature slope are continuous.

Through the points goes a spline of degree five over the length of their chords (parametrised so, an uneven
spacing makes no loops). Its fourth derivative is continuous, so curvature has a continuous slope and roll,
which follows the curvature, a continuous rate: what ``blend_m`` does for segments holds here without one.
A closed line is periodic. An open one begins and ends straight, curvature and its slope zero, so that it can
be followed straight on.

Source of the spline: C. de Boor, A Practical Guide to Splines (1978), by way of scipy. Curvature of a
parametric curve and its slope: definition.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from emulator.road.build_line import LineError
from emulator.road.line import Line

Array = NDArray[np.float64]

FEWEST_POINTS = 8
"""Fewest points of a line."""
NEAREST_m = 0.5
"""Neighbouring points are at least so far apart [m]: what was rounded off would bend the line."""
LEAST_RADIUS_m = 3.0
"""Tightest curve of a line [m], as of a turn in a circuit file."""
LONGEST_m = 100_000.0
"""Longest line [m]."""

_DEGREE = 5
_PARTS = 4  # stretches between two points, of each of which the length is a Gauss sum
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(6)


def line_through(points: ArrayLike, *, closed: bool, ds_m: float = 0.5, run_on_m: float = 0.0) -> Line:
    """The sampled line through points (n, 2) [m], east and north, in riding order.

    closed    from the last point it goes back to the first one, which is not repeated
    ds_m      [m] longest step; the step used divides the length evenly
    run_on_m  [m] how far an open line goes straight on behind its last point

    Returns the line with bank, slope and target speed zero; station 0 is the first point. Lengths are right
    to 1e-6 m where neighbouring points turn by less than a radian.
    Raises LineError (a ValueError) that names the point: too few, not finite, too near each other; a closed
    line that does not turn by 360 degrees in all; a curve tighter than ``LEAST_RADIUS_m``; a line longer than
    ``LONGEST_m``.
    """
    if not (math.isfinite(ds_m) and ds_m > 0.0):
        raise LineError(None, f"ds_m: expected a step above 0 m, got {ds_m}", "points")
    at = _checked(points, closed)
    with np.errstate(all="ignore"):  # where the curve stands still: told below as a curve too tight
        curve = _Curve(at, closed)
        length = curve.length + run_on_m
        if not curve.length <= LONGEST_m:
            raise LineError(
                None, f"expected a line of at most {LONGEST_m:.0f} m, got {curve.length:.0f} m", "points"
            )
        count = max(math.ceil(length / ds_m - 1e-9), 2)
        station = np.linspace(0.0, length, count + 1)
        x, y, heading, kappa, dkappa = curve.at(station)
    tightest = int(np.argmax(np.abs(kappa)))  # the first that is no number, if there is one
    if not abs(kappa[tightest]) * LEAST_RADIUS_m <= 1.0:
        raise LineError(
            None,
            f"at station {station[tightest]:.1f} m the line through the points has a radius of "
            f"{1.0 / abs(kappa[tightest]):.2f} m; expected {LEAST_RADIUS_m:g} m or more",
            "points",
        )
    if closed:
        turned = math.degrees(heading[-1] - heading[0])
        if abs(abs(turned) - 360.0) > 1.0:
            raise LineError(
                None,
                "the points of a closed line must turn by +360 or -360 degrees in all, they turn by "
                f"{turned:.0f}: expected one lap that does not cross itself",
                "points",
            )
        # Rounding apart both ends are one.
        heading[-1] = heading[0] + math.copysign(2.0 * math.pi, turned)
        for values in (x, y, kappa, dkappa):
            values[-1] = values[0]
    nothing = np.zeros(count + 1)
    return Line(
        station, x, y, heading, kappa, dkappa, nothing, nothing.copy(), nothing.copy(), length, closed
    )


def _checked(points: ArrayLike, closed: bool) -> Array:
    """The points as an array, with the first one again behind those of a closed line. Raises LineError."""
    at = np.asarray(points, np.float64)
    if at.ndim != 2 or at.shape[1] != 2 or len(at) < FEWEST_POINTS:
        raise LineError(None, f"expected at least {FEWEST_POINTS} points of two numbers", "points")
    if not np.isfinite(at).all():
        number = int(np.argmin(np.isfinite(at).all(axis=1)))
        raise LineError(number, f"expected finite numbers, got {tuple(at[number].tolist())}", "points")
    if closed:
        at = np.vstack([at, at[:1]])
    steps = np.hypot(*np.diff(at, axis=0).T)
    nearest = int(np.argmin(steps))
    if steps[nearest] < NEAREST_m:
        number, whom, hint = nearest, "the one behind it", ""
        if closed and nearest == len(at) - 2:
            number, whom, hint = 0, "the last one", "; a closed line does not repeat its first point"
        text = f"expected {NEAREST_m:g} m or more from {whom}, got {steps[nearest]:.3f} m{hint}"
        raise LineError(number, text, "points")
    return at


class _Curve:
    """The spline with the length of its curve: places by station, not by parameter."""

    def __init__(self, at: Array, closed: bool) -> None:
        from scipy.interpolate import make_interp_spline

        knots = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(at, axis=0).T))])
        straight = [(2, np.zeros(2)), (3, np.zeros(2))]  # second and third derivative at an open line's ends
        ends = "periodic" if closed else (straight, straight)
        spline = make_interp_spline(knots, at, k=_DEGREE, bc_type=ends)
        self.derivatives = [spline, *(spline.derivative(order) for order in (1, 2, 3))]
        parts = np.linspace(knots[:-1], knots[1:], _PARTS, endpoint=False, axis=1).ravel()
        self.grid = np.append(parts, knots[-1])
        lengths = self._length(self.grid[:-1], self.grid[1:])
        self.stations = np.concatenate([[0.0], np.cumsum(lengths)])
        self.length = float(self.stations[-1])

    def _length(self, start: Array, end: Array) -> Array:
        """Lengths of the curve between parameters (k,) [m]."""
        half, middle = (end - start) / 2.0, (end + start) / 2.0
        rates = self.derivatives[1](middle[:, None] + half[:, None] * _NODES)
        return np.asarray(half * (np.hypot(rates[..., 0], rates[..., 1]) @ _WEIGHTS), np.float64)

    def _parameter(self, station: Array) -> Array:
        """Parameters of stations within the curve: Newton, since the length is their integral."""
        k = np.clip(np.searchsorted(self.stations, station, side="right") - 1, 0, self.grid.size - 2)
        u = np.interp(station, self.stations, self.grid)
        for _ in range(4):
            short = station - self.stations[k] - self._length(self.grid[k], u)
            rate = self.derivatives[1](u)
            u = u + short / np.hypot(rate[:, 0], rate[:, 1])
        return np.clip(u, self.grid[0], self.grid[-1])

    def at(self, station: Array) -> tuple[Array, Array, Array, Array, Array]:
        """x, y [m], heading [rad] unwrapped, curvature [1/m], curvature slope [1/m^2], each (k,).

        Stations past the end lie straight on.
        """
        inside = np.minimum(station, self.length)
        u = self._parameter(inside)
        place, d1, d2, d3 = (derivative(u) for derivative in self.derivatives)
        speed2 = np.einsum("ij,ij->i", d1, d1)
        speed = np.sqrt(speed2)
        bend = _cross(d1, d2)
        kappa = bend / speed**3
        # d kappa / du = (r' x r''') / v^3 - 3 (r' x r'') (r' . r'') / v^5, and ds = v du
        slope = (_cross(d1, d3) - 3.0 * bend * np.einsum("ij,ij->i", d1, d2) / speed2) / speed2**2
        heading = np.unwrap(np.arctan2(d1[:, 1], d1[:, 0]))
        beyond = station - inside
        x = place[:, 0] + beyond * np.cos(heading)
        y = place[:, 1] + beyond * np.sin(heading)
        past = beyond > 0.0
        kappa[past] = slope[past] = 0.0
        return x, y, heading, kappa, slope


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
