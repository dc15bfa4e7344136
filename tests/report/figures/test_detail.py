"""What a report keeps of a signal: gaps to the tick, peaks, swings; what holds its value at its changes."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.report.figures.detail import FAST_ms, SLOW_ms, full_rate, kept_rows

N = 12_000
TICK = np.arange(-500, N - 500)


@settings(max_examples=40)
@given(seed=st.integers(0, 10_000), fast=st.booleans())
def test_even_rows_gaps_and_spikes_are_kept(seed: int, fast: bool) -> None:
    rng = np.random.default_rng(seed)
    values = np.cumsum(rng.normal(size=N)) * 1e-3
    spike = int(rng.integers(20, N - 20))
    values[spike] += 50.0
    first = int(rng.integers(100, N - 600))
    last = first + int(rng.integers(1, 400))
    if first <= spike < last:
        values[spike] -= 50.0
        spike = 0
    values[first:last] = np.nan
    rows, held = kept_rows(values, TICK, fast=fast)
    assert not held
    assert (np.diff(rows) > 0).all()
    assert np.diff(rows).max() <= (FAST_ms if fast else SLOW_ms)
    assert {first - 1, first, last - 1, last, 0, N - 1, spike} <= set(rows.tolist())
    assert len(rows) < 1.5 * N / (FAST_ms if fast else SLOW_ms)


def test_a_signal_that_holds_its_value_is_kept_at_every_change() -> None:
    values = np.repeat(np.arange(N // 40), 40).astype(float)
    values[3000:3100] = np.nan
    rows, held = kept_rows(values, TICK, fast=True)
    assert held
    last = np.searchsorted(rows, np.arange(N), side="right") - 1
    np.testing.assert_array_equal(values[rows][last], values)  # every sample follows from the kept ones


def test_half_a_second_round_an_instant_is_whole() -> None:
    whole = full_rate(TICK, [3.0, 5.25])
    assert np.flatnonzero(whole)[0] == 3000
    assert whole.sum() == 2 * 1001
    rows, _ = kept_rows(np.sin(np.arange(N) * 0.02), TICK, fast=False, whole=whole)
    assert set(np.flatnonzero(whole)) <= set(rows.tolist())


def test_nothing_is_kept_of_nothing() -> None:
    assert kept_rows(np.empty(0), np.empty(0, np.int64), fast=True)[0].tolist() == []
    rows, held = kept_rows(np.full(5, np.nan), np.arange(5), fast=True)
    assert rows.tolist() == [0, 4]
    assert held
