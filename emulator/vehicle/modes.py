"""The stability diagram: eigenvalues of steady motions over speed and lean, followed and named.

A root is followed from one speed to the next by what takes part in it. With left vectors l and right
vectors v (left @ right = 1) of two neighbouring matrices, the overlap of root i before and root j after is

    P_ij = (l_i . v'_j) (l'_j . v_i)

Its rows and columns add up to one whatever the units of the states and the length of the vectors (it is the
modal assurance criterion with left vectors in place of transposed right ones). Where it leaves doubt the step
is halved, so two curves that cross or come close are told apart.

Names go by participation, P of a matrix with its own unit vectors: the share of each state in each root
(I. J. Perez-Arriaga, G. C. Verghese, F. C. Schweppe, *Selective modal analysis*, IEEE Trans. PAS-101 (1982);
from memory). What is asked of a mode, R. S. Sharp, J. Mech. Eng. Sci. 13 (1971) 316-329 for the names, limits
common practice, no source:

    weave     oscillation below 5 Hz in roll, yaw and side-slip more than in steer; the least damped such
    wobble    oscillation from 4 to 12 Hz in steer more than in those; the least damped such
    capsize   real root, nearly all roll

Every upright speed votes; the curve with most votes has the name, at every speed and lean it can be followed
to, also where it has stopped to look like it.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.vehicle.equilibrium import NoEquilibrium, Steady, steady_motion
from emulator.vehicle.linearise import (
    D_JOINT_RATE,
    D_OMEGA,
    D_STEER,
    D_VELOCITY,
    LATERAL,
    N_DEVIATIONS,
    ROLL,
    held_steering,
    linearise,
)
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import JOINT, STEER

WEAVE, WOBBLE, CAPSIZE = NAMES = ("weave", "wobble", "capsize")

_STEER_SHARE = (D_STEER, D_JOINT_RATE + STEER)
_TURN_SHARE = (ROLL, D_OMEGA, D_OMEGA + 2, D_VELOCITY + 1)

_SPEED_STEP = 0.5  # [m/s] between followed matrices; halved where in doubt
_LEAN_STEP = math.radians(2.5)
_NEAR = 2.0  # steps from which a steady motion is a fair guess of another
_SMALLEST = 1 / 256  # of a step: closer to a double root nothing can be told apart, nor need be
_SURE = 0.6  # overlap above which a root is the same one
_MATTERS = 100.0  # [1/s] larger roots may swap without being asked
_NAMING = (5.0, 40.0)  # [m/s] speeds that vote, beside those asked for
_ANCHOR = 15.0  # [m/s] where curves at a lean are joined to the upright ones


class Gap(NamedTuple):
    """A speed [m/s] and lean [rad] that are missing from a diagram, and why."""

    speed: float
    lean: float
    reason: str


class Stability(NamedTuple):
    """Roots over speed and lean.

    speeds (n,) [m/s], leans (m,) [rad]  as asked for
    roots  (m, n, k) complex [1/s]       every curve keeps its place on the last axis; NaN in gaps
    names                                curves of each mode found: two of an oscillation, one of a real root
    gaps                                 what is missing
    """

    speeds: NDArray[np.float64]
    leans: NDArray[np.float64]
    roots: NDArray[np.complex128]
    names: dict[str, tuple[int, ...]]
    gaps: tuple[Gap, ...]

    def mode(self, name: str) -> NDArray[np.complex128]:
        """Root (m, n) of a mode [1/s], imaginary part not negative; NaN in gaps or if there is no such mode.

        Where an oscillation has become two real roots it is the larger one.
        """
        curves = self.roots[:, :, list(self.names.get(name, ()))]
        if curves.shape[2] == 0:
            return np.full(self.roots.shape[:2], complex(math.nan, math.nan))
        order = np.where(np.isnan(curves.real), -math.inf, curves.real + 1e-12 * (curves.imag > 0.0))
        found = np.take_along_axis(curves, order.argmax(axis=2)[:, :, None], axis=2)[:, :, 0]
        return np.asarray(found.real + 1j * np.abs(found.imag))


class Eigen(NamedTuple):
    """Eigenvalues (N,), right vectors as columns (N, N), left vectors as rows (N, N): left @ right = 1.

    ``states`` (N,) are the deviations the rows stand for, -1 what is none.
    """

    roots: NDArray[np.complex128]
    right: NDArray[np.complex128]
    left: NDArray[np.complex128]
    states: NDArray[np.int64]

    def ordered(self, order: NDArray[np.int64]) -> Eigen:
        """The same with roots in another order."""
        return Eigen(self.roots[order], self.right[:, order], self.left[order], self.states)


def eigen(matrix: NDArray[np.float64]) -> Eigen:
    """Eigenvalues and vectors of a matrix (N, N) whose first states are the deviations.

    States without row and column (locked joints, what is held) are left out.
    """
    kept = np.flatnonzero(matrix.any(axis=0) | matrix.any(axis=1))
    roots, right = np.linalg.eig(matrix[np.ix_(kept, kept)])
    states = np.where(kept < N_DEVIATIONS, kept, -1)
    return Eigen(roots.astype(complex), right.astype(complex), np.linalg.inv(right).astype(complex), states)


def same_roots(before: Eigen, after: Eigen) -> tuple[NDArray[np.int64], float]:
    """Order (N,) in which the roots of ``after`` continue those of ``before``, and the least overlap.

    Large roots, which nobody asks about, do not count in the least overlap.
    """

    from scipy.optimize import linear_sum_assignment

    overlap = (before.left @ after.right) * (after.left @ before.right).T
    near = np.abs(before.roots[:, None] - after.roots[None, :]) / (1.0 + np.abs(before.roots[:, None]))
    # Of equal overlaps (the two of a fresh pair) the nearer root is the same one.
    rows, order = linear_sum_assignment(1e-3 * np.minimum(near, 1.0) - np.clip(overlap.real, 0.0, 1.0))
    speed_grid = np.abs(before.roots) < _MATTERS
    worst = float(np.min(overlap.real[rows, order][speed_grid], initial=1.0))
    return order.astype(np.int64), worst


def participation(e: Eigen) -> NDArray[np.float64]:
    """Share (N, N) of each state (row) in each root (column); columns add up to one."""
    share = np.abs(e.right * e.left.T)
    return np.asarray(share / share.sum(axis=0))


@lru_cache(maxsize=16)
def _rows(states: bytes) -> tuple[NDArray[np.bool_], ...]:
    """Which states, given as bytes of whole numbers, are lateral, of the turn, of the steer and the roll."""
    rows = np.frombuffer(states, np.int64)
    return tuple(np.isin(rows, which) for which in (LATERAL, _TURN_SHARE, _STEER_SHARE, (ROLL,)))


def looks_like(root: complex, share: NDArray[np.float64], states: NDArray[np.int64]) -> str:
    """What a root [1/s] looks like, '' if like none of the named modes; see the head of this module.

    share (N,)   of each state in the root, adding up to one;  states (N,)  the deviations, -1 what is none
    """

    lateral, turning, steering, rolling = _rows(states.astype(np.int64).tobytes())
    turn, steer = float(share[turning].sum()), float(share[steering].sum())
    hertz = abs(root.imag) / (2.0 * math.pi)
    if turn > steer and 0.05 < hertz < 5.0 and float(share[lateral].sum()) > 1 / 3:
        return WEAVE
    if steer > turn and 4.0 < hertz < 12.0 and float(share[lateral].sum()) > 1 / 3:
        return WOBBLE
    if hertz == 0.0 and abs(root) < 5.0 and float(share[rolling].sum()) > 0.5:
        return CAPSIZE
    return ""


def named_roots(e: Eigen) -> dict[str, int]:
    """Which roots look like weave, wobble and capsize: of several that do, the least stable one."""
    share = participation(e)
    found: dict[str, int] = {}
    for k, root in enumerate(e.roots):
        name = looks_like(root, share[:, k], e.states) if root.imag >= 0.0 else ""
        if name and (name not in found or root.real > e.roots[found[name]].real):
            found[name] = k
    return found


class SteadyTurns:
    """Steady motions of one vehicle, each found from its nearest neighbour and kept.

    A turn has other solutions far from the one that is ridden, so no guess is taken from afar.
    """

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self._found: dict[tuple[float, float], Steady] = {}

    def at(self, speed: float, lean: float) -> Steady:
        """The steady motion at ``speed`` [m/s] and ``lean`` [rad].

        Raises NoEquilibrium; also where the steering would rest on its stop, which is no free motion.
        """
        if (speed, lean) not in self._found:
            steady = self._find(speed, lean)
            steer, stop = (
                abs(float(steady.x[JOINT + STEER])),
                float(self.vehicle.body[0]["steering_stop_angle"]),
            )
            if steer > stop:
                raise NoEquilibrium(
                    f"the turn at {speed:.2f} m/s and {math.degrees(lean):.1f} deg of roll asks for "
                    f"{math.degrees(steer):.0f} deg of steer, the stop is at {math.degrees(stop):.0f}"
                )
            self._found[speed, lean] = steady
        return self._found[speed, lean]

    def _find(self, speed: float, lean: float) -> Steady:
        def steps_away(known: tuple[float, float]) -> float:
            return abs(known[0] - speed) / _SPEED_STEP + abs(known[1] - lean) / _LEAN_STEP

        near = min(self._found, key=steps_away, default=None)
        if near is not None:
            try:
                return self._walk(near, speed, lean, math.ceil(steps_away(near) / _NEAR))
            except NoEquilibrium:
                pass  # the neighbour may be at the edge of what can be ridden: come from upright
        self._found.setdefault((speed, 0.0), steady_motion(self.vehicle, speed))
        return self._walk((speed, 0.0), speed, lean, math.ceil(abs(lean) / _LEAN_STEP))

    def _walk(self, start: tuple[float, float], speed: float, lean: float, steps: int) -> Steady:
        steady = self._found[start]
        for part in np.arange(1, steps + 1) / max(steps, 1):
            v, roll = start[0] + part * (speed - start[0]), start[1] + part * (lean - start[1])
            steady = steady_motion(self.vehicle, float(v), float(roll), guess=steady)
        return steady


def lean_steps(lean: float) -> NDArray[np.float64]:
    """Leans [rad] on the way from upright (left out) to ``lean``."""
    steps = math.ceil(abs(lean) / _LEAN_STEP)
    return np.asarray(lean * np.arange(1, steps + 1) / max(steps, 1))


def stability(
    vehicle: Vehicle,
    speeds: Sequence[float] | NDArray[np.float64],
    leans: Sequence[float] | NDArray[np.float64] = (0.0,),
    *,
    steering_held: bool = False,
) -> Stability:
    """Roots of the bike in steady straight running and turning, hands off and at constant drive.

    speeds  (n,) [m/s]  rising, positive
    leans   (m,) [rad]  positive to the right, below 80 degrees either way
    steering_held  with the steering angle imposed, and held: two roots less. There is no wobble

    About 3 ms for each half metre per second and lean. A speed and lean without a steady motion is left as a
    gap. Raises ValueError for speeds or leans that are none.
    """
    speed_grid, tilts = grid_of(speeds, leans)
    turns = SteadyTurns(vehicle)

    def at(speed: float, lean: float) -> Eigen:
        linear = linearise(vehicle, turns.at(speed, lean))
        return eigen(held_steering(linear).A if steering_held else linear.A)

    voters = _between(np.union1d(speed_grid, np.arange(_NAMING[0], _NAMING[1] + 0.1, 5.0)))
    grid = voters[(voters >= speed_grid[0]) & (voters <= speed_grid[-1])]
    upright, why = _over_speed(at, 0.0, voters, None)
    gaps: list[Gap] = []
    count = next((len(e.roots) for e in upright.values()), 0)
    roots = np.full((len(tilts), len(speed_grid), count), complex(math.nan, math.nan))
    for i, lean in enumerate(float(v) for v in tilts):
        found = upright
        if lean != 0.0:
            found, why = _over_speed(at, lean, grid, upright)
        for j, speed in enumerate(float(v) for v in speed_grid):
            if speed in found:
                roots[i, j] = found[speed].roots
            else:
                gaps.append(Gap(speed, lean, why[speed]))
    return Stability(speed_grid, tilts, roots, _vote(upright.values()), tuple(gaps))


def grid_of(
    speeds: Sequence[float] | NDArray[np.float64], leans: Sequence[float] | NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Speeds (n,) and leans (m,) as arrays. Raises ValueError where they are none."""
    speed_grid, tilts = np.asarray(speeds, float), np.asarray(leans, float)
    if (
        speed_grid.ndim != 1
        or not len(speed_grid)
        or not np.all(np.isfinite(speed_grid) & (speed_grid > 0.0))
    ):
        raise ValueError("expected at least one speed [m/s], all above zero")
    if np.any(np.diff(speed_grid) <= 0.0):
        raise ValueError("expected speeds in rising order, each once")
    if tilts.ndim != 1 or not len(tilts) or not np.all(np.abs(tilts) < math.radians(80.0)):
        raise ValueError("expected at least one lean [rad], all below 80 degrees")
    if len(np.unique(tilts)) < len(tilts):
        raise ValueError("expected each lean once")
    return speed_grid, tilts


def _between(speeds: NDArray[np.float64]) -> NDArray[np.float64]:
    """The speeds and others between them, no further apart than the step."""
    pieces = [speeds[:1]]
    for low, high in itertools.pairwise(speeds):
        n = math.ceil((high - low) / _SPEED_STEP)
        pieces.append(np.append(low + (high - low) * np.arange(1, n) / n, high))
    return np.concatenate(pieces)


def _over_speed(
    at: Callable[[float, float], Eigen],
    lean: float,
    grid: NDArray[np.float64],
    upright: dict[float, Eigen] | None,
) -> tuple[dict[float, Eigen], dict[float, str]]:
    """Ordered roots over the speeds of the grid at one lean, and why some are missing.

    Starts near the anchor speed and goes both ways. Over a gap it comes anew from the upright roots.
    """
    found: dict[float, Eigen] = {}
    why: dict[float, str] = {}
    start = int(np.argmin(np.abs(grid - _ANCHOR)))
    for way in (range(start, len(grid)), range(start, -1, -1)):
        before: float | None = grid[start] if grid[start] in found else None
        for speed in (float(grid[k]) for k in way):
            if speed in found:
                continue
            try:
                if before is not None:
                    found[speed] = follow(lambda v: at(v, lean), found[before], before, speed)
                elif upright is not None and speed in upright:
                    found[speed] = _lean_over(at, upright[speed], speed, lean)
                else:
                    found[speed] = _continued(at(speed, lean), found)
                before = speed
            except NoEquilibrium as error:
                why[speed] = str(error)
                before = None
    return found, why


def _continued(e: Eigen, found: dict[float, Eigen]) -> Eigen:
    """The first roots of all, or those on the other side of an upright gap as like as can be told."""
    if not found:
        return e
    order, _ = same_roots(list(found.values())[-1], e)
    return e.ordered(order)


def _lean_over(at: Callable[[float, float], Eigen], upright: Eigen, speed: float, lean: float) -> Eigen:
    e, before = upright, 0.0
    for part in (float(v) for v in lean_steps(lean)):
        e = follow(lambda x: at(speed, x), e, before, part)
        before = part
    return e


def follow(at: Callable[[float], Eigen], e: Eigen, before: float, after: float, share: float = 1.0) -> Eigen:
    """Roots at ``after`` in the order of those at ``before``; half way first where in doubt."""
    there = at(after)
    order, sure = same_roots(e, there)
    if sure < _SURE and share > _SMALLEST:
        middle = 0.5 * (before + after)
        try:
            half = follow(at, e, before, middle, 0.5 * share)
        except NoEquilibrium:
            return there.ordered(order)
        return follow(at, half, middle, after, 0.5 * share)
    return there.ordered(order)


def _vote(spectra: Iterable[Eigen]) -> dict[str, tuple[int, ...]]:
    """The curves that look most often like each mode; an oscillation has two."""
    votes: dict[str, Counter[int]] = {name: Counter() for name in NAMES}
    partners: dict[int, Counter[int]] = {}
    for e in spectra:
        for name, k in named_roots(e).items():
            votes[name][k] += 1
            if e.roots[k].imag != 0.0:
                partner = int(np.argmin(np.abs(e.roots - e.roots[k].conjugate())))
                partners.setdefault(k, Counter())[partner] += 1
    names: dict[str, tuple[int, ...]] = {}
    taken: set[int] = set()
    for name in NAMES:
        for curve, _ in votes[name].most_common():
            if curve not in taken:
                both = {curve}
                if curve in partners and name != CAPSIZE:
                    both.add(partners[curve].most_common(1)[0][0])
                taken |= both
                names[name] = tuple(sorted(both))
                break
    return names


def ranges_above_zero(at: NDArray[np.float64], value: NDArray[np.float64]) -> list[tuple[float, float]]:
    """Stretches (from, to) of ``at`` (n,), rising, in which ``value`` (n,) is above zero.

    Ends lie where a straight line between neighbours crosses zero, or at the last one before a gap (NaN).
    """
    out: list[tuple[float, float]] = []
    begin: float | None = None
    for k in range(len(at)):
        here, last = float(value[k]), float(value[k - 1]) if k else math.nan
        crossing = math.nan
        if here * last < 0.0:
            crossing = float(at[k - 1] + (at[k] - at[k - 1]) * last / (last - here))
        if here > 0.0 and begin is None:
            begin = float(at[k]) if math.isnan(crossing) else crossing
        elif begin is not None and not here > 0.0:
            out.append((begin, float(at[k - 1]) if math.isnan(crossing) else crossing))
            begin = None
    if begin is not None:
        out.append((begin, float(at[-1])))
    return out
