"""Products and least squares are numpy's, to rounding."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.track.comparison.small_matrices import Triangle, times


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(1, 40), k=st.integers(1, 40), m=st.integers(1, 40))
def test_a_product_is_numpys(seed, n, k, m):
    draws = np.random.default_rng(seed)
    a, b, product = draws.normal(size=(n, k)), draws.normal(size=(k, m)), np.full((n, m), np.nan)
    times(a, b, product)
    np.testing.assert_allclose(product, a @ b, rtol=0, atol=1e-13 * k)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    n=st.integers(1, 41),
    more=st.integers(0, 60),
    held=st.sampled_from([0.0, 1.0, 1e4]),
    spread=st.sampled_from([0.0, 4.0]),
)
def test_least_squares_are_numpys(seed, n, more, held, spread):
    """Columns of very different sizes, too: each solution beside what it may be off by at that condition."""
    draws = np.random.default_rng(seed)
    matrix = draws.normal(size=(n + more, n)) * 10.0 ** draws.uniform(-spread, spread, n)
    stacked = np.vstack([matrix, np.eye(n)])
    target = draws.normal(size=len(stacked))
    whole = np.vstack([stacked, np.sqrt(held) * np.eye(n)])
    expected = np.linalg.lstsq(whole, np.concatenate([target, np.zeros(n)]), rcond=None)[0]
    found = Triangle(stacked, target).solved(held)
    off = 1e-14 * np.linalg.cond(whole) ** 2 * max(1.0, float(np.abs(expected).max()))
    assert np.abs(found - expected).max() <= max(off, 1e-12)


def test_a_column_of_zeros_and_one_that_stands_already_are_left():
    matrix = np.array([[2.0, 1.0], [0.0, 3.0], [0.0, 0.0]])
    np.testing.assert_allclose(Triangle(matrix, np.array([4.0, 3.0, 5.0])).solved(), [1.5, 1.0])
    with pytest.raises(np.linalg.LinAlgError):
        Triangle(np.array([[0.0, 1.0], [0.0, 1.0]]), np.ones(2)).solved()
