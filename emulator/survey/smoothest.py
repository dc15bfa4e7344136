"""The smoothest spline that stays within a distance of given values: a convex problem, solved to its end.

A spline of degree five on evenly spaced knots, smooth where the third differences of its coefficients are
small (P. H. C. Eilers, B. D. Marx, Flexible smoothing with B-splines and penalties, Statistical Science 11,
1996; from memory): along a road that is the change of curvature. Asked is the least sum of their squares
among all splines that come within the distance of every value. Unlike a weight between smoothness and
nearness that is a length which somebody can state, and it takes all noise out of a straight without cutting a
hairpin by more than is allowed.

Solved by the barrier method (S. Boyd, L. Vandenberghe, Convex Optimization, 2004, section 11.3; from memory):
Newton on ``stiffness * roughness - sum log(1 - (error / within)^2)``, stiffness rising. Of values that lie
close together the outermost are taken first, others where it turns out that they matter. Where the first
guess is not within, the distance shrinks to it first. Where nothing is within, the answer is that guess, the
spline of least squares.

A spline of the basis meets five others to each side: Newton's matrix is a band of that, solved by Cholesky.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import LinAlgError, solveh_banded
from scipy.sparse import block_diag, csr_array, diags_array, eye_array, hstack, vstack
from scipy.sparse.linalg import splu

from emulator.core.compiled import jit

Array = NDArray[np.float64]
Sparse: TypeAlias = Any  # scipy's arrays come without types

DEGREE = 5

_GAP = 2e-3  # how far the cost may be above the least, as a share of it
_NO_ROUGHNESS = 1e-9  # and so much in any case
_RISE = 20.0  # of the stiffness from one stage to the next
_MOST_STAGES = 16
_MOST_STEPS = 30  # of Newton in a stage
_BINS = 2.0  # places to a knot step of which the outermost values count
_DECREMENT = 1e-4  # a stage ends where a step would gain less than that
_FEASIBLE = 1e-2  # the stiffness with which a first guess is brought within
_MOST_NEARER = 15  # steps of that
_ROUNDS = 6  # of taking in values that were left out and matter after all
_STILL = 0.98  # the distance shrinks no more: there is nothing nearer
_END_WEIGHT = 100.0  # that an open line's ends are straight


class Knots(NamedTuple):
    """Evenly spaced knots: ``steps`` of one in the parameter, which go round if ``closed``."""

    steps: int
    closed: bool

    @property
    def size(self) -> int:
        """How many coefficients a spline on them has."""
        return self.steps if self.closed else self.steps + DEGREE

    def basis(self, at: Array, derivative: int = 0) -> Sparse:
        """Value of each spline of the basis (n, size), or a derivative of it, at parameters (n,).

        With knots one apart a spline's derivative is the one of the next lower degree whose coefficients are
        the differences of its own.
        """
        inside = at % self.steps if self.closed else np.clip(at, 0.0, self.steps)
        vector = self._vector()[derivative : -derivative or None]
        rows = BSpline.design_matrix(inside, vector, DEGREE - derivative)
        for k in range(self.steps + DEGREE - derivative, self.steps + DEGREE):
            rows = rows @ diags_array([-1.0, 1.0], offsets=[0, 1], shape=(k, k + 1))
        if not self.closed:
            return csr_array(rows)
        # the last splines are the first ones again
        full = self.steps + DEGREE
        fold = csr_array(
            (np.ones(full), (np.arange(full), np.arange(full) % self.steps)), shape=(full, self.steps)
        )
        return csr_array(rows @ fold)

    def spline(self, coefficients: Array) -> BSpline:
        """The spline of coefficients (size,) or (size, d), for parameters from 0 to ``steps``."""
        wrapped = np.concatenate([coefficients, coefficients[:DEGREE]]) if self.closed else coefficients
        return BSpline(self._vector(), wrapped, DEGREE)

    def differences(self, *, straight_ends: bool = False) -> Sparse:
        """Matrix (k, size) that takes coefficients to what is squared and added up as roughness.

        straight_ends  an open line has no second and third derivative at its ends, or dearly
        """
        n = self.size
        if self.closed:
            ahead = csr_array((np.ones(n), (np.arange(n), (np.arange(n) + 1) % n)), shape=(n, n))
            step = ahead - eye_array(n)
            return csr_array(step @ step @ step)
        first, second, third = (
            diags_array([-1.0, 1.0], offsets=[0, 1], shape=(k - 1, k)) for k in (n, n - 1, n - 2)
        )
        second = csr_array(second @ first)
        rows = [third @ second]
        if straight_ends:
            rows.append(_END_WEIGHT * second[[0, 1, 2, -3, -2, -1]])
        return csr_array(vstack(rows))

    def places(self, splines: int) -> NDArray[np.int64]:
        """(splines * size,) where coefficients, spline by spline, stand so that those that meet are near.

        Those of a closed line are told off from where it closes, to both sides by turns.
        """
        k = np.arange(self.size)
        place = np.where(2 * k <= self.size, 2 * k, 2 * (self.size - k) - 1) if self.closed else k
        return np.concatenate([splines * place + which for which in range(splines)])

    def _vector(self) -> Array:
        return np.arange(-DEGREE, self.steps + DEGREE + 1, dtype=np.float64)


class Smoothest(NamedTuple):
    """Coefficients of the spline, and its greatest error; above ``within``: none was found within."""

    coefficients: Array
    greatest: float


def smoothest_values(knots: Knots, at: Array, values: Array, within: float) -> Smoothest:
    """The smoothest spline within a distance of values (n,) at parameters (n,)."""
    basis, differences = knots.basis(at), knots.differences()
    start = _least_squares(basis, differences, values)
    none = np.zeros(differences.shape[0])
    return _solved(at, basis, values, differences, none, start, within, knots.places(1))


def smoothest_path(knots: Knots, at: Array, places: Array, within: float) -> Smoothest:
    """The smoothest path, with coefficients (size, 2), within a distance sideways of places (n, 2).

    at  (n,)  parameters of the places. Along its way a place pulls the path only so much that they stay what
              they are; they are to be lengths of the path, best found by taking its own and solving again.
    """
    basis, differences = knots.basis(at), knots.differences(straight_ends=not knots.closed)
    start = _least_squares(basis, differences, places)
    ways = knots.spline(start).derivative()(at % knots.steps if knots.closed else at)
    ways = ways / np.maximum(np.hypot(*ways.T), 1e-9)[:, None]
    sideways = np.column_stack([-ways[:, 1], ways[:, 0]])

    def part(directions: Array, which: NDArray[np.int64]) -> tuple[Sparse, Array]:
        rows = hstack([diags_array(directions[which, k]) @ basis[which] for k in (0, 1)], format="csr")
        return rows, np.einsum("ij,ij->i", directions[which], places[which])

    every = np.arange(len(at))
    across, wanted = part(sideways, every)
    flat = np.concatenate([start[:, 0], start[:, 1]])
    lengthways, along = part(ways, every)
    # all places together weigh as much as one to a coefficient: metres of way against metres of difference
    pull = math.sqrt(knots.size / len(at))
    rough = block_diag([differences, differences], format="csr")
    cost_rows = csr_array(vstack([rough, pull * lengthways]))
    cost_values = np.concatenate([np.zeros(rough.shape[0]), pull * along])
    found = _solved(at, across, wanted, cost_rows, cost_values, flat, within, knots.places(2))
    return Smoothest(found.coefficients.reshape(2, -1).T.copy(), found.greatest)


def _least_squares(basis: Sparse, differences: Sparse, values: Array) -> Array:
    """Coefficients near the values, with so little smoothness that there is one answer."""
    matrix = basis.T @ basis + 1e-3 * (differences.T @ differences)
    return np.asarray(splu(matrix.tocsc()).solve(basis.T @ values), np.float64)


def _solved(
    at: Array,
    rows: Sparse,
    values: Array,
    cost_rows: Sparse,
    cost_values: Array,
    start: Array,
    within: float,
    places: NDArray[np.int64],
) -> Smoothest:
    """The solution of :class:`_Problem` for all values, most of which need not be looked at.

    places  of coefficients, in which those that meet are near
    Where there is none, the start: what the search ends with is near a few values and wild elsewhere.
    """
    at_first = np.abs(rows @ start - values)
    taken = _outermost(at, rows @ start - values)
    c, errors = start, at_first
    for _ in range(_ROUNDS):
        c = _Problem(rows[taken], values[taken], cost_rows, cost_values, places).solved(start, within)
        errors = np.abs(rows @ c - values)
        if errors[taken].max() >= within:
            break
        beyond = np.setdiff1d(np.flatnonzero(errors >= within), taken)
        if not beyond.size:
            break
        taken = np.union1d(taken, beyond)
    if errors.max() >= within:
        c, errors = start, at_first
    return Smoothest(c, float(errors.max()))


def _outermost(at: Array, errors: Array) -> NDArray[np.int64]:
    """Indices of the least and the greatest error in each of the places that share a bin."""
    bins = np.floor(at * _BINS)
    order = np.lexsort((errors, bins))
    first = np.flatnonzero(np.diff(bins[order], prepend=-np.inf))
    last = np.append(first[1:], len(order)) - 1
    return np.unique(order[np.concatenate([first, last])])


class _Rows(NamedTuple):
    """A sparse matrix for compiled code: where its rows start, columns and values of what is in them."""

    starts: NDArray[np.int64]
    columns: NDArray[np.int64]
    values: Array

    @classmethod
    def of(cls, matrix: Sparse) -> _Rows:
        rows = csr_array(matrix)
        return cls(rows.indptr.astype(np.int64), rows.indices.astype(np.int64), rows.data)


class _Problem:
    """Least ``|cost_rows c - cost_values|^2`` with ``|rows c - values|`` within a distance."""

    def __init__(
        self,
        rows: Sparse,
        values: Array,
        cost_rows: Sparse,
        cost_values: Array,
        places: NDArray[np.int64],
    ) -> None:
        self.rows, self.values = csr_array(rows), values
        self.cost_rows, self.cost_values = csr_array(cost_rows), cost_values
        self.columns, self.cost_columns = csr_array(self.rows.T), csr_array(self.cost_rows.T)
        self.order = np.argsort(places)
        self.placed, cost = (_Rows.of(matrix[:, self.order]) for matrix in (self.rows, self.cost_rows))
        self.form = np.zeros((1 + max(_reach(self.placed), _reach(cost)), len(places)))
        _add_squares(cost, np.ones(len(cost_values)), self.form)

    def solved(self, start: Array, within: float) -> Array:
        """The solution; or, where there is none, what comes nearest."""
        c = start
        for nearer in self._nearer(c, within):
            c = nearer
        if self._greatest(c) >= within:
            return c
        count = len(self.values)
        stiffness = 1e-2 * count / max(self._cost(c), _NO_ROUGHNESS)
        for _ in range(_MOST_STAGES):
            c = self._centred(c, stiffness, within)
            # the duality gap: two inequalities a value
            if 2.0 * count / stiffness <= _GAP * self._cost(c) + _NO_ROUGHNESS:
                break
            stiffness *= _RISE
        return c

    def _nearer(self, c: Array, within: float) -> Iterator[Array]:
        """Coefficients ever nearer to the values, until within the distance or as near as can be."""
        reach = self._greatest(c)
        for _ in range(_MOST_NEARER):
            if reach < within:
                return
            around = 1.02 * reach
            c = self._centred(c, _FEASIBLE * len(self.values) / max(self._cost(c), _NO_ROUGHNESS), around)
            shrunk = self._greatest(c)
            if shrunk < reach:
                yield c
            if shrunk > _STILL * reach:
                return
            reach = shrunk

    def _errors(self, c: Array) -> Array:
        return np.asarray(self.rows @ c - self.values)

    def _greatest(self, c: Array) -> float:
        return float(np.abs(self._errors(c)).max())

    def _cost(self, c: Array) -> float:
        return float(np.square(self.cost_rows @ c - self.cost_values).sum())

    def _centred(self, c: Array, stiffness: float, within: float) -> Array:
        """Newton on cost and barrier from ``c``, which is within."""

        def value(c: Array) -> float:
            part = self._errors(c) / within
            if not (np.abs(part) < 1.0).all():
                return math.inf
            return stiffness * self._cost(c) - float(np.log1p(-part * part).sum())

        here = value(c)
        for _ in range(_MOST_STEPS):
            part = self._errors(c) / within
            room = 1.0 - part * part
            cost_slope = 2.0 * (self.cost_columns @ (self.cost_rows @ c - self.cost_values))
            slope = stiffness * cost_slope + self.columns @ (2.0 * part / room / within)
            bend = 2.0 * (1.0 + part * part) / (room * within) ** 2
            matrix = 2.0 * stiffness * self.form
            _add_squares(self.placed, bend, matrix)
            step = np.empty_like(c)
            try:
                step[self.order] = -solveh_banded(matrix, slope[self.order], overwrite_ab=True, lower=True)
            except LinAlgError:  # so stiff that rounding hides the barrier
                break
            gain = -float(slope @ step)
            if not gain > 2.0 * _DECREMENT:
                break
            size = 1.0
            while (there := value(c + size * step)) > here - 0.1 * size * gain:
                size *= 0.5
                if size < 1e-9:
                    return c
            c, here = c + size * step, there
        return c


@jit
def _reach(rows: _Rows) -> int:
    """How far apart columns of one row are, at most."""
    reach = 0
    for row in range(len(rows.starts) - 1):
        for i in range(rows.starts[row], rows.starts[row + 1]):
            for j in range(rows.starts[row], i):
                reach = max(reach, abs(rows.columns[i] - rows.columns[j]))
    return reach


@jit
def _add_squares(rows: _Rows, weights: Array, band: Array) -> None:
    """Add ``rows.T @ diag(weights) @ rows`` to a symmetric band, whose row k is k below the diagonal."""
    columns = rows.columns
    for row in range(len(weights)):
        for i in range(rows.starts[row], rows.starts[row + 1]):
            weighted = weights[row] * rows.values[i]
            for j in range(rows.starts[row], rows.starts[row + 1]):
                if columns[i] >= columns[j]:
                    band[columns[i] - columns[j], columns[j]] += weighted * rows.values[j]
