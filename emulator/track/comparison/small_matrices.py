"""Products and least squares of matrices of some tens of columns, compiled.

A library's threads take longer to start and to wait for each other than such a matrix takes: of a record laid
beside the model they were two thirds of the processor's time.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from emulator.core.compiled import jit

Values = NDArray[np.float64]


@jit
def times(a: Values, b: Values, product: Values) -> None:
    """Product (n, m), out, of (n, k) and (k, m)."""
    for i in range(a.shape[0]):
        for j in range(b.shape[1]):
            product[i, j] = 0.0
        for k in range(a.shape[1]):
            of = a[i, k]
            for j in range(b.shape[1]):
                product[i, j] += of * b[k, j]


class Triangle:
    """Least squares of a matrix (m, n) and a target (m,) in n rows, m >= n, by reflections.

    Source: Householder (1958), Journal of the ACM 5:339-342, from memory; checked against numpy's.
    """

    def __init__(self, matrix: Values, target: Values) -> None:
        n = matrix.shape[1]
        both = np.column_stack([matrix, target])
        _reflect(both, np.empty(n + 1))
        self._rows, self._target = both[:n, :n], both[:n, n]

    def solved(self, held: float = 0.0) -> Values:
        """(n,) where the sum of squares is least; ``held`` times the sum of its own squares added."""
        if held:
            n = len(self._target)
            stacked = np.vstack([np.triu(self._rows), math.sqrt(held) * np.eye(n)])
            return Triangle(stacked, np.concatenate([self._target, np.zeros(n)])).solved()
        return np.asarray(linalg.solve_triangular(self._rows, self._target))


@jit
def _reflect(both: Values, room: Values) -> None:
    """Turn all columns (m, n + 1) but the last into a triangle, in place; what stands below means nothing."""
    m, n = both.shape[0], both.shape[1] - 1
    for k in range(n):
        square = 0.0
        for i in range(k, m):
            square += both[i, k] * both[i, k]
        size = math.sqrt(square)
        if size == 0.0:
            continue
        first = both[k, k]
        end = -size if first > 0.0 else size
        ahead = first - end
        for j in range(k + 1, n + 1):
            room[j] = ahead * both[k, j]
        for i in range(k + 1, m):
            of = both[i, k]
            for j in range(k + 1, n + 1):
                room[j] += of * both[i, j]
        half = size * (size + abs(first))
        for j in range(k + 1, n + 1):
            room[j] /= half
            both[k, j] -= ahead * room[j]
        for i in range(k + 1, m):
            of = both[i, k]
            for j in range(k + 1, n + 1):
                both[i, j] -= of * room[j]
        both[k, k] = end
