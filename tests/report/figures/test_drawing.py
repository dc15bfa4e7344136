"""Figures' numbers: nothing an engineer looks for is thinned away."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.report.figures.drawing import MAX_POINTS, keep_extremes


@settings(max_examples=60)
@given(n=st.integers(0, 40_000), limit=st.integers(8, 3000), seed=st.integers(0, 99), holes=st.integers(0, 3))
def test_thinning_keeps_extremes_gaps_ends_and_the_bound(n: int, limit: int, seed: int, holes: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(size=n)
    gaps = rng.integers(0, n, holes) if n else np.empty(0, int)
    values[gaps] = np.nan
    rows = keep_extremes(values, limit)
    assert len(rows) <= max(limit, 0)
    assert (np.diff(rows) > 0).all()
    if n == 0:
        return
    assert rows[0] == 0
    assert rows[-1] == n - 1
    if np.isfinite(values).any():
        assert np.nanmax(values[rows]) == np.nanmax(values)
        assert np.nanmin(values[rows]) == np.nanmin(values)
    assert np.isnan(values[rows]).any() == np.isnan(values).any()


def test_a_one_sample_spike_in_two_minutes_is_drawn() -> None:
    values = np.zeros(120_000)
    values[77_777] = 9.0
    values[50_001] = np.nan
    rows = keep_extremes(values)
    assert len(rows) <= MAX_POINTS
    assert {77_777, 50_001} <= set(rows.tolist())
