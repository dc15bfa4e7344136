"""Orthogonal arrays after Bush: q^t rows for up to q + 1 factors of q levels, q a power of a prime.

Rows are the polynomials of degree below t over the field of q elements, columns its elements, a cell the
value there; one more column holds the leading coefficient. Two polynomials that agree in t columns are the
same, so every t columns hold each combination exactly once. Factors of fewer levels are levels modulo their
number.

Source: Bush, "Orthogonal arrays of index unity", Ann. Math. Stat. 23(3), 1952; from memory, proved by the
tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray


def orthogonal_array(levels: Sequence[int], strength: int, most_rows: int) -> NDArray[np.int64] | None:
    """(q^t, n) rows for factors of these levels, or None where that were more than ``most_rows``."""
    q = _next_prime_power(max(*levels, len(levels) - 1, 2))
    if strength >= q or q**strength > most_rows:
        return None
    add, multiply = field_tables(q)
    coefficients = np.array(list(product(range(q), repeat=strength)))
    columns = [coefficients[:, 0]]  # the leading coefficient: the value at infinity
    for point in range(min(q, len(levels))):
        value = np.zeros(len(coefficients), dtype=np.int64)
        for coefficient in coefficients.T:  # Horner
            value = add[multiply[value, point], coefficient]
        columns.append(value)
    array = np.stack(columns[: len(levels)], axis=1)
    return np.asarray(array % np.array(levels), dtype=np.int64)


def _next_prime_power(least: int) -> int:
    """The smallest power of a prime that is at least ``least``."""
    while _prime_power(least) is None:
        least += 1
    return least


def _prime_power(q: int) -> tuple[int, int] | None:
    """Prime and exponent of q, None where it is no power of a prime."""
    prime = next(p for p in range(2, q + 1) if q % p == 0)
    exponent = 0
    while q % prime == 0:
        q, exponent = q // prime, exponent + 1
    return (prime, exponent) if q == 1 else None


def field_tables(q: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(q, q) sum and product in the field of q elements; raises ValueError where there is none.

    An element's number, written to the base of the prime, has the coefficients of its polynomial as digits.
    """
    found = _prime_power(q) if q >= 2 else None
    if found is None:
        raise ValueError(f"{q} is no power of a prime")
    prime, exponent = found
    digits = np.array([[number // prime**k % prime for k in range(exponent)] for number in range(q)])
    places = prime ** np.arange(exponent)
    add = ((digits[:, None] + digits[None]) % prime) @ places
    # The field's product is that of polynomials modulo one without divisors: the first for which it has
    # inverses.
    for lower in range(q):
        multiply = np.array([[_product(a, b, digits[lower], prime) @ places for b in digits] for a in digits])
        if all(np.unique(multiply[element]).size == q for element in range(1, q)):
            return add, multiply
    raise AssertionError("there is a polynomial without divisors of every degree")


def _product(
    a: NDArray[np.int64], b: NDArray[np.int64], lower: NDArray[np.int64], prime: int
) -> NDArray[np.int64]:
    """Product of two polynomials modulo x^m + ``lower``, coefficients from the lowest, modulo ``prime``."""
    m = len(lower)
    full = np.convolve(a, b)
    for degree in range(len(full) - 1, m - 1, -1):
        full[degree - m : degree] -= full[degree] * lower
    return np.asarray(full[:m] % prime)
