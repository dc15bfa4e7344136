"""What is worked out in parts for long logs is what it is for short ones."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.report.figures import detail, drawing, over_time


@pytest.mark.parametrize("at_once", [7, 64, 1 << 17])
def test_angles_are_unwrapped_as_numpy_does(at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(over_time, "_AT_ONCE", at_once)
    rng = np.random.default_rng(1)
    for values in (
        rng.uniform(-np.pi, np.pi, 500),
        (np.cumsum(rng.normal(size=500)) + np.pi) % (2.0 * np.pi) - np.pi,
        np.array([0.0, np.pi, 0.0, -np.pi, np.pi, np.nan, -3.0, 3.0, np.nan]),
        np.zeros(3),
        np.empty(0),
        np.full(4, np.nan),
    ):
        there = np.isfinite(values)
        expected = values.copy()
        expected[there] = np.unwrap(values[there])
        np.testing.assert_array_equal(over_time._unwrapped(values), expected)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), at_once=st.sampled_from([50, 333]), fast=st.booleans())
def test_rows_kept_are_the_same_in_parts(seed: int, at_once: int, fast: bool) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 4000))
    values = np.cumsum(rng.normal(size=n))
    if seed % 2:
        values = np.round(values / 8.0)
    if seed % 3 == 0:
        values[rng.random(n) < 0.05] = np.nan
    tick = np.cumsum(rng.integers(1, 4, n))
    whole = detail.kept_rows(values, tick, fast=fast)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(detail, "_AT_ONCE", at_once)
        parts = detail.kept_rows(values, tick, fast=fast)
    np.testing.assert_array_equal(parts[0], whole[0])
    assert parts[1] == whole[1]


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), at_once=st.sampled_from([1, 50, 333]))
def test_extremes_kept_are_the_same_in_parts(seed: int, at_once: int) -> None:
    rng = np.random.default_rng(seed)
    values = np.cumsum(rng.normal(size=int(rng.integers(1, 4000))))
    values[rng.random(len(values)) < 0.05] = np.nan
    whole = drawing.keep_extremes(values, 60)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(drawing, "_AT_ONCE", at_once)
        np.testing.assert_array_equal(drawing.keep_extremes(values, 60), whole)
