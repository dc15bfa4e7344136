"""Nonlinear least squares: the one fitting code of calibration, with covariance and profiles.

The sum of squares of a residual vector is made least by a trust region (scipy's). Gauss and Newton end it,
as long as the sum falls. What is known beforehand goes in as residuals, (value - known) / its standard
deviation.

The covariance is s^2 (J^T J)^-1 with J = Q R D, R from columns scaled to length 1: D^-1 R^-1 R^-T D^-1. J^T J
is never formed, which would halve the digits (A. Bjorck, *Numerical Methods for Least Squares Problems*, SIAM
1996, from memory). A direction that the residuals do not show is told, not hidden by a pseudo-inverse.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, optimize

Values = NDArray[np.float64]

_STEP = float(np.finfo(float).eps) ** (1.0 / 3.0)
_LEAST_PIVOT = 1e-13  # of scaled columns: below it rounding alone makes up a direction
_MOST_POLISHING = 40
_POLISHED = 1e-12  # tolerance up to which Gauss and Newton end a fit
_NORMAL_95 = 1.959964  # its square: chi-square of 95 % with one degree of freedom
_MOST_ENDS = 6


class NotFitted(ValueError):
    """The residuals can't be made least: they are not finite, or too few."""


class _ArrivedError(Exception):
    """A step changed the squares by less than a coarse tolerance: where it led."""


class Fitted(NamedTuple):
    """What a fit came to.

    values      (n,)    parameters
    covariance  (n, n)  of them; infinite where ``unseen`` says that nothing holds a parameter
    standard    (n,)    their standard deviations
    residual    (m,)    at the values
    jacobian    (m, n)  there
    variance            of a residual: 1 if it was said to be known, else sum of squares over m - n
    unseen      (k, n)  unit directions, of parameters over their scale, that change no residual
    converged           whether the solver stopped because nothing gets better
    """

    values: Values
    covariance: Values
    standard: Values
    residual: Values
    jacobian: Values
    variance: float
    unseen: Values
    converged: bool

    @property
    def squares(self) -> float:
        """Sum of the squared residuals."""
        return float(self.residual @ self.residual)

    @property
    def correlation(self) -> Values:
        """(n, n) correlations of the parameters."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(self.covariance / np.outer(self.standard, self.standard))


def fit(
    residual: Callable[[Values], Values],
    start: Values,
    *,
    jacobian: Callable[[Values], Values] | None = None,
    scale: Values | None = None,
    least: Values | None = None,
    most: Values | None = None,
    known_noise: bool = False,
    most_steps: int = 400,
    tolerance: float = 1e-15,
) -> Fitted:
    """Fit parameters to residuals.

    residual    (n,) -> (m,)    m >= n
    start       (n,)            where to begin
    jacobian    (n,) -> (m, n)  its derivative; central differences if left out
    scale       (n,)            a usual size of each parameter, for the differences; |start| if left out
    least, most (n,)            bounds beyond which no try counts
    known_noise                 the residuals are in standard deviations of their noise: variance 1
    most_steps                  Jacobians at most
    tolerance                   at which nothing gets better: of the squares, and of the parameters; a coarse
                one leaves Gauss and Newton out, and a step that changes the squares by less ends it
    Raises NotFitted.
    """
    start = np.asarray(start, float)
    size = np.abs(start) if scale is None else np.asarray(scale, float)
    size = np.where(size > 0.0, size, 1.0)
    derivative = jacobian or (lambda at: differences(residual, at, size))
    low = np.full(len(start), -np.inf) if least is None else np.asarray(least, float)
    high = np.full(len(start), np.inf) if most is None else np.asarray(most, float)
    first = residual(start)
    if not np.isfinite(first).all():
        raise NotFitted("the residuals at the start are not all numbers")
    if len(first) < len(start):
        raise NotFitted(f"{len(first)} residuals can't tell {len(start)} parameters")

    bad, coarse = np.full(len(first), 1e100), tolerance > _POLISHED
    last, began = (
        first,
        (start, first, np.empty((0, 0))),
    )  # began: where a step does, with the derivative there

    def guarded(at: Values) -> Values:
        # A try out of bounds, or one that the model can't be worked out at, is a bad one and not the end. The
        # solver is not told of bounds: it would shorten its steps towards them however far they are.
        if not ((at >= low) & (at <= high)).all():
            return bad
        nonlocal last
        last = residual(at)
        if not np.isfinite(last).all():
            return bad
        if coarse and began[2].size:
            squares = float(began[1] @ began[1])
            if abs(float(last @ last) - squares) < tolerance * squares:
                # Differences know the way down no better than to the tolerance: to look for it on where the
                # squares rise, or from where they hardly fell, takes many more tries and derivatives.
                raise _ArrivedError(at.copy())
        return last

    def slopes_at(at: Values) -> Values:
        nonlocal began
        began = at.copy(), last, derivative(at)
        return began[2]

    with np.errstate(all="ignore"):
        try:
            result = optimize.least_squares(
                guarded, start, jac=slopes_at, method="trf", x_scale="jac",
                ftol=tolerance, xtol=min(tolerance, 1e-8), gtol=min(tolerance, 1e-8), max_nfev=most_steps,
            )  # fmt: skip
            at, there, slopes = (np.asarray(v) for v in (result.x, result.fun, result.jac))
            converged = result.status > 0
        except _ArrivedError as step:
            at, there, slopes = began
            converged = True
            (led_to,) = step.args
            if last @ last < there @ there:
                at, there, slopes = led_to, last, derivative(led_to)
        if not coarse:
            at, small = _polished(guarded, derivative, at)
            there, slopes, converged = residual(at), derivative(at), converged or small
    if not (np.isfinite(there).all() and np.isfinite(slopes).all()):
        raise NotFitted("the residuals where the fit ended are not all numbers")
    free = len(there) - len(at)
    variance = 1.0 if known_noise else float(there @ there) / free if free else np.nan
    covariance, unseen = covariance_of(slopes, size)
    covariance = covariance * variance
    standard = np.sqrt(np.diag(covariance))
    return Fitted(at, covariance, standard, there, slopes, variance, unseen, bool(converged))


def differences(residual: Callable[[Values], Values], at: Values, scale: Values) -> Values:
    """(m, n) derivative of residuals by central differences, steps of eps^(1/3) of each parameter."""
    columns = []
    for k in range(len(at)):
        step = _STEP * max(abs(at[k]), _STEP * scale[k])
        up, down = at.copy(), at.copy()
        up[k] += step
        down[k] -= step
        columns.append((residual(up) - residual(down)) / (up[k] - down[k]))
    return np.column_stack(columns)


def covariance_of(jacobian: Values, scale: Values | None = None) -> tuple[Values, Values]:
    """(J^T J)^-1 (n, n) by scaled QR, and directions (k, n) that J does not see.

    scale  (n,)  of the parameters, in which the directions are told; 1 if left out
    Rows and columns of parameters that take part in such a direction are infinite.
    """
    n = jacobian.shape[1]
    lengths = np.linalg.norm(jacobian, axis=0)
    seen = lengths > 0.0
    lengths = np.where(seen, lengths, 1.0)
    _, triangle, order = linalg.qr(jacobian / lengths, mode="economic", pivoting=True)
    pivots = np.abs(np.diag(triangle))
    rank = int((pivots > _LEAST_PIVOT * max(pivots[0], 1e-300)).sum()) if n else 0
    covariance = np.full((n, n), 0.0)
    inverse = linalg.solve_triangular(triangle[:rank, :rank], np.eye(rank))
    kept = order[:rank]
    covariance[np.ix_(kept, kept)] = inverse @ inverse.T
    covariance /= np.outer(lengths, lengths)
    if rank == n:
        return covariance, np.empty((0, n))
    null = np.zeros((n - rank, n))
    null[:, kept] = -linalg.solve_triangular(triangle[:rank, :rank], triangle[:rank, rank:]).T
    null[np.arange(n - rank), order[rank:]] = 1.0
    null /= lengths * (np.ones(n) if scale is None else scale)
    null /= np.linalg.norm(null, axis=1)[:, None]
    lost = (np.abs(null) > 1e-6).any(axis=0)
    covariance[lost, :] = covariance[:, lost] = np.inf
    return covariance, null


def _polished(
    residual: Callable[[Values], Values],
    jacobian: Callable[[Values], Values],
    at: Values,
) -> tuple[Values, bool]:
    """Gauss and Newton from where the solver stopped, as long as the squares fall."""
    there = residual(at)
    for _ in range(_MOST_POLISHING):
        slopes = jacobian(at)
        lengths = np.linalg.norm(slopes, axis=0)
        lengths[lengths == 0.0] = 1.0
        if not np.isfinite(slopes).all():
            return at, False
        step = np.linalg.lstsq(slopes / lengths, -there, rcond=None)[0] / lengths
        tried = at + step
        new = residual(tried)
        small = bool(np.all(np.abs(step) <= 1e-10 * np.abs(at)))
        if not np.isfinite(new).all() or new @ new >= there @ there:
            return at, small
        at, there = tried, new
        if small:
            return at, True
    return at, False


def profile(
    residual: Callable[[Values], Values],
    fitted: Fitted,
    which: int,
    at: float,
    *,
    jacobian: Callable[[Values], Values] | None = None,
    scale: Values | None = None,
    tolerance: float = 1e-15,
) -> float:
    """Rise of the sum of squares, over its variance, with one parameter held and the others fitted anew.

    Twice the fall of the logarithm of the profile likelihood: k^2 at k standard deviations where the problem
    is linear. Other arguments as of :func:`fit`. Raises NotFitted.
    """
    others = np.flatnonzero(np.arange(len(fitted.values)) != which)
    start = fitted.values.copy()
    start[which] = at
    if np.isfinite(fitted.standard).all() and fitted.standard[which] > 0.0:
        # where the others go if the problem is linear
        slope = fitted.covariance[others, which] / fitted.covariance[which, which]
        start[others] += slope * (at - fitted.values[which])

    def with_it(part: Values) -> Values:
        full = start.copy()
        full[others] = part
        return residual(full)

    def slopes(part: Values) -> Values:
        full = start.copy()
        full[others] = part
        assert jacobian is not None
        return jacobian(full)[:, others]

    if not len(others):
        there = residual(start)
        return (float(there @ there) - fitted.squares) / fitted.variance
    found = fit(
        with_it,
        start[others],
        jacobian=None if jacobian is None else slopes,
        scale=None if scale is None else scale[others],
        known_noise=True,
        tolerance=tolerance,
    )
    return (found.squares - fitted.squares) / fitted.variance


def profile_interval(
    residual: Callable[[Values], Values],
    fitted: Fitted,
    which: int,
    *,
    jacobian: Callable[[Values], Values] | None = None,
    scale: Values | None = None,
    tolerance: float = 1e-15,
) -> tuple[float, float]:
    """Interval of 95 % of one parameter: where the profile has risen by what chance makes of it.

    Arguments as of :func:`profile`; ends to a hundredth of their distance. An end that cannot be reached,
    since there is no model any more before it, is infinite.
    Raises NotFitted where nothing holds the parameter.
    """
    if not (np.isfinite(fitted.standard[which]) and fitted.standard[which] > 0.0):
        raise NotFitted("nothing holds this parameter")
    ends = []
    for side in (-1.0, 1.0):
        far, known = _NORMAL_95 * float(fitted.standard[which]), np.inf
        for _ in range(_MOST_ENDS):
            at = float(fitted.values[which]) + side * far
            try:
                rise = profile(
                    residual, fitted, which, at, jacobian=jacobian, scale=scale, tolerance=tolerance
                )
            except NotFitted:
                break
            known, closer = far, np.sqrt(_NORMAL_95**2 / max(rise, 1e-12))
            far *= float(np.clip(closer, 0.25, 4.0))  # exact where the profile is a parabola
            if abs(closer - 1.0) < 0.01:
                break
        ends.append(float(fitted.values[which]) + side * (far if np.isfinite(known) else np.inf))
    return ends[0], ends[1]
