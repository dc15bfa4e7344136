"""A smooth function through noisy values, with the interval in which it lies.

A spline of degree five on evenly spaced knots whose coefficients have small third differences (P. H. C.
Eilers, B. D. Marx, Statistical Science 11, 1996). How small, and how large the noise is, is what makes the
values likeliest with the coefficients integrated out (restricted maximum likelihood: H. D. Patterson, R.
Thompson, Biometrika 58, 1971); the same view gives the function a posterior, whose 95 % intervals hold it at
95 % of the places, its bias included (D. Nychka, J. Am. Stat. Assoc. 83, 1988). All from memory. The
intervals leave out that the two numbers are estimates themselves, which hundreds of values know well.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.sparse.linalg import splu

from emulator.survey.smoothest import Array, Knots

_LEAST, _MOST = -8.0, 14.0  # of the logarithm of the weight
_NO_NOISE = 1e-12


class Fit(NamedTuple):
    """A spline with what it was fitted to.

    noise      standard deviation of a value about it
    alike      correlation of neighbouring errors; 0 where it is within chance
    errors     (n,) values less the spline
    """

    knots: Knots
    coefficients: Array
    weight: float
    noise: float
    alike: float
    errors: Array
    system: Any

    def at(self, parameters: Array, derivative: int = 0) -> tuple[Array, Array]:
        """The function (m,) or a derivative by the parameter, and its standard deviation (m,).

        Errors that are alike count as fewer: n values tell as much as n (1 - r) / (1 + r).
        """
        rows = self.knots.basis(parameters, derivative)
        solved = self.system.solve(rows.T.toarray())
        spread = np.einsum("ij,ji->i", rows.toarray(), solved)
        fewer = (1.0 + self.alike) / (1.0 - self.alike)
        return (
            np.asarray(rows @ self.coefficients),
            self.noise * np.sqrt(np.maximum(spread, 0.0) * fewer),
        )


def fit(knots: Knots, at: Array, values: Array, weight: float | None = None) -> Fit:
    """The spline through values (n,) at parameters (n,), in the order they were measured.

    weight  of smoothness over nearness; None: the likeliest
    """
    basis = knots.basis(at)
    differences = knots.differences()
    rough = differences.T @ differences
    squares, pulled = basis.T @ basis, basis.T @ values
    free = 1 if knots.closed else 3  # constants, or parabolas, cost nothing
    count = max(len(values) - free, 1)

    def solved(log_weight: float) -> tuple[float, Any, Array, float]:
        weight = math.exp(log_weight)
        system = splu((squares + weight * rough).tocsc())
        coefficients = system.solve(pulled)
        errors = values - basis @ coefficients
        cost = float(errors @ errors) + weight * float(coefficients @ (rough @ coefficients))
        variance = max(cost / count, _NO_NOISE)
        size = float(np.log(np.abs(system.U.diagonal())).sum())
        unlikely = count * math.log(variance) + size - (knots.size - free) * log_weight
        return unlikely, system, coefficients, variance

    if weight is None:
        found = minimize_scalar(
            lambda w: solved(w)[0], bounds=(_LEAST, _MOST), method="bounded", options={"xatol": 0.05}
        )
        weight = math.exp(float(found.x))
    _, system, coefficients, variance = solved(math.log(weight))
    errors = np.asarray(values - basis @ coefficients)
    return Fit(knots, coefficients, weight, math.sqrt(variance), _alike(errors), errors, system)


def _alike(errors: Array) -> float:
    """Correlation of each error with the one before; 0 where it is none beyond chance."""
    total = float(errors @ errors)
    if len(errors) < 20 or not total:
        return 0.0
    r = float(errors[1:] @ errors[:-1]) / total
    return min(r, 0.95) if r > 2.0 / math.sqrt(len(errors)) else 0.0
