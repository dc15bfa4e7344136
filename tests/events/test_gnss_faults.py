"""The bias that reflected signals make: its direction or its size, and its memory."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from scipy.stats import chi2

from emulator.core.random_streams import stream_start
from emulator.events.gnss_faults import multipath_bias

RUNS = 2000


def streams(run: int = 0) -> np.ndarray:
    return np.array([stream_start(run, name) for name in ("drift", "white", "course")], np.uint64)


def quantile(checks: int) -> float:
    """Two-sided normal quantile at which all of so many checks hold with 95 %."""
    return NormalDist().inv_cdf(1.0 - 0.05 / (2 * checks))


def variance_bounds(n: int, checks: int) -> tuple[float, float]:
    """Of a sample variance over the true one, joint 95 %."""
    tail = 0.05 / (2 * checks)
    return float(chi2.ppf(tail, n)) / n, float(chi2.ppf(1.0 - tail, n)) / n


def test_a_reflected_bias_has_a_direction_or_a_root_mean_square_and_a_memory() -> None:
    s, u = streams(), np.zeros(3)
    before = s.copy()
    assert multipath_bias(3.0, math.radians(-45.0), u, -1.0, 10.0, s, 1) == pytest.approx(
        (3.0 * math.sqrt(0.5), -3.0 * math.sqrt(0.5))
    )
    assert np.array_equal(s, before)  # nothing is drawn where the direction is given
    pairs = np.zeros((RUNS, 2, 2))
    for run in range(RUNS):
        s, u = streams(30_000 + run), np.zeros(3)
        for k in range(2):
            pairs[run, k] = multipath_bias(3.0, math.nan, u, 1.0 if k else -1.0, 5.0, s, 1)
    low, high = variance_bounds(2 * RUNS, 3)
    for k in range(2):
        assert low < np.mean(np.sum(pairs[:, k] ** 2, axis=1)) / 9.0 < high
    r = np.corrcoef(pairs[:, 0].ravel(), pairs[:, 1].ravel())[0, 1]
    assert abs(math.atanh(r) - math.atanh(math.exp(-1.0 / 5.0))) < quantile(3) / math.sqrt(2 * RUNS - 3)
