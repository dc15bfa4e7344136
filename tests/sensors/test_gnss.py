"""The receiver's errors have the size, the memory and the growth that its table gives them."""

from __future__ import annotations

import itertools
import math
from statistics import NormalDist

import numpy as np
import pytest
from scipy.stats import chi2

from emulator.core.random_streams import step_gauss_markov, stream_start
from emulator.sensors.gnss import (
    FIX_QUALITY,
    QUALITIES,
    USUAL_ACCURACY,
    Accuracy,
    moving,
    position_fix,
    reported_sigma,
)

RUNS, STEPS = 2000, 41


def streams(run: int = 0) -> np.ndarray:
    return np.array([stream_start(run, name) for name in ("drift", "white", "course")], np.uint64)


def quantile(checks: int) -> float:
    """Two-sided normal quantile at which all of so many checks hold with 95 %."""
    return NormalDist().inv_cdf(1.0 - 0.05 / (2 * checks))


def variance_bounds(n: int, checks: int) -> tuple[float, float]:
    """Of a sample variance over the true one, joint 95 %."""
    tail = 0.05 / (2 * checks)
    return float(chi2.ppf(tail, n)) / n, float(chi2.ppf(1.0 - tail, n)) / n


@pytest.fixture(scope="module")
def drifts() -> np.ndarray:
    """(RUNS, STEPS, 3) independent drifts, 0.1 s apart, with a correlation time of 2 s."""
    out = np.zeros((RUNS, STEPS, 3))
    for run in range(RUNS):
        s, u = streams(run), np.zeros(3)
        for step in range(STEPS):
            step_gauss_markov(u, -1.0 if step == 0 else 0.1, 2.0, s, 0)
            out[run, step] = u
    return out


def test_the_drift_is_stationary_with_unit_variance_from_its_first_sample(drifts: np.ndarray) -> None:
    steps = (0, 1, 10, 40)
    low, high = variance_bounds(3 * RUNS, len(steps))
    for step in steps:
        assert low < np.mean(drifts[:, step] ** 2) < high


def test_its_autocorrelation_is_that_of_the_correlation_time(drifts: np.ndarray) -> None:
    lags = (1, 5, 10, 20, 40)
    half = quantile(len(lags)) / math.sqrt(3 * RUNS - 3)  # Fisher's z of a correlation: variance 1 / (n - 3)
    for lag in lags:
        r = np.corrcoef(drifts[:, 0].ravel(), drifts[:, lag].ravel())[0, 1]
        assert abs(math.atanh(r) - math.atanh(math.exp(-0.1 * lag / 2.0))) < half


def test_east_north_and_up_drift_apart(drifts: np.ndarray) -> None:
    half = quantile(3) / math.sqrt(RUNS - 3)
    for a, b in itertools.combinations(range(3), 2):
        assert abs(math.atanh(np.corrcoef(drifts[:, 0, a], drifts[:, 0, b])[0, 1])) < half


def test_one_long_interval_forgets_as_much_as_many_short_ones(drifts: np.ndarray) -> None:
    once = np.zeros((RUNS, 3))
    for run in range(RUNS):
        s, u = streams(run + RUNS), drifts[run, 0].copy()
        step_gauss_markov(u, 4.0, 2.0, s, 0)
        once[run] = u
    half = quantile(1) / math.sqrt(3 * RUNS - 3)
    assert (
        abs(math.atanh(np.corrcoef(drifts[:, 0].ravel(), once.ravel())[0, 1]) - math.atanh(math.exp(-2)))
        < half
    )


def test_without_a_correlation_time_the_drift_is_white() -> None:
    s, u, seen = streams(), np.zeros(3), []
    for _ in range(4000):
        step_gauss_markov(u, 0.1, 0.0, s, 0)
        seen.append(u[0])
    assert abs(np.corrcoef(seen[1:], seen[:-1])[0, 1]) < quantile(1) / math.sqrt(4000)


@pytest.mark.parametrize("fix", FIX_QUALITY)
def test_the_position_error_is_drift_and_noise_of_the_fix_and_the_stated_sigma_is_true(fix: str) -> None:
    errors = np.array(USUAL_ACCURACY[fix])
    shown = np.zeros((RUNS, 3))
    for run in range(RUNS):
        # numbers of its own for each fix, or one unlikely sample would fail them all
        s, u = streams(10_000 * FIX_QUALITY[fix] + run), np.zeros(3)
        step_gauss_markov(u, -1.0, errors[2], s, 0)
        shown[run] = position_fix(errors, u, 100.0, -200.0, 3.0, s, 1)
    error = shown - (100.0, -200.0, 3.0)
    horizontal, vertical = reported_sigma(errors)
    a = USUAL_ACCURACY[fix]
    assert horizontal == pytest.approx(math.sqrt(a.drift_m**2 + a.noise_m**2))
    assert vertical == pytest.approx(math.sqrt(a.drift_height_m**2 + a.noise_height_m**2))
    low, high = variance_bounds(2 * RUNS, 2 * len(FIX_QUALITY))
    assert low < np.mean(error[:, :2] ** 2) / horizontal**2 < high
    low, high = variance_bounds(RUNS, 2 * len(FIX_QUALITY))
    assert low < np.mean(error[:, 2] ** 2) / vertical**2 < high


def test_consecutive_errors_share_the_drift_and_not_the_noise() -> None:
    a = Accuracy(drift_m=0.3, correlation_time_s=5.0, noise_m=0.4)
    errors, pairs = np.array(a), np.zeros((RUNS, 2))
    for run in range(RUNS):
        s, u = streams(10_000 + run), np.zeros(3)
        for k in range(2):
            step_gauss_markov(u, 0.1 if k else -1.0, a.correlation_time_s, s, 0)
            pairs[run, k] = position_fix(errors, u, 0.0, 0.0, 0.0, s, 1)[0]
    expected = 0.3**2 * math.exp(-0.1 / 5.0) / (0.3**2 + 0.4**2)
    z = math.atanh(np.corrcoef(pairs.T)[0, 1]) - math.atanh(expected)
    assert abs(z) < quantile(1) / math.sqrt(RUNS - 3)


def test_a_better_fix_is_better_in_everything_by_default() -> None:
    order = [USUAL_ACCURACY[fix] for fix in ("single", "differential", "float", "fixed")]
    for worse, better in itertools.pairwise(order):
        assert all(b < w for w, b in zip(worse, better, strict=True))
    assert set(USUAL_ACCURACY) == set(FIX_QUALITY)
    assert sorted(FIX_QUALITY.values()) == [1, 2, 4, 5]  # NMEA 0183, GGA, from memory
    assert max(FIX_QUALITY.values()) < QUALITIES


@pytest.mark.parametrize(("speed", "own"), [(1.0, 0.0), (4.0, 0.0), (60.0, 0.0), (60.0, 0.01), (4.0, 0.01)])
def test_the_course_error_grows_as_the_speed_falls(speed: float, own: float) -> None:
    s = streams()
    heading = 5.9  # clockwise from north: west of north
    east, north = speed * math.sin(heading), speed * math.cos(heading)
    seen = np.array([moving(0.03, own, 0.3, east, north, s, 1, 2) for _ in range(RUNS)])
    error = (seen[:, 1] - heading + math.pi) % math.tau - math.pi
    low, high = variance_bounds(RUNS, 10)
    assert low < np.mean(error**2) / ((0.03 / speed) ** 2 + own**2) < high
    assert low < np.mean((seen[:, 0] - speed) ** 2) / 0.03**2 < high


def test_courses_lie_in_one_turn_and_there_is_none_below_the_speed() -> None:
    s = streams()
    around = [moving(0.0, 0.5, 0.3, 0.0, 1.0, s, 1, 2)[1] for _ in range(200)]
    assert min(around) >= 0.0
    assert max(around) < math.tau
    assert max(around) > 5.0
    assert moving(0.0, 0.0, 0.3, 0.0, 0.299, s, 1, 2)[0] == pytest.approx(0.299)
    assert math.isnan(moving(0.0, 0.0, 0.3, 0.0, 0.299, s, 1, 2)[1])
    assert moving(0.0, 0.0, 0.3, 0.301, 0.0, s, 1, 2)[1] == pytest.approx(math.pi / 2)
    assert math.isnan(moving(0.0, 0.0, 0.0, 0.0, 0.0, s, 1, 2)[1])


def test_dilution_scales_the_error_and_draws_nothing_more() -> None:
    errors, u = np.array(USUAL_ACCURACY["float"]), np.array([0.3, -1.2, 0.7])
    a, b = streams(), streams()
    plain = np.array(position_fix(errors, u, 0.0, 0.0, 0.0, a, 1))
    diluted = np.array(position_fix(errors, u, 0.0, 0.0, 0.0, b, 1, 1.7))
    np.testing.assert_allclose(diluted, 1.7 * plain, rtol=1e-14)
    assert np.array_equal(a, b)


def test_every_epoch_draws_the_same_numbers_whatever_it_shows() -> None:
    """So that a stream's later numbers do not hang on speed or size of an error."""
    zero = np.zeros(len(Accuracy._fields))
    a, b = streams(), streams()
    moving(0.0, 0.0, 0.3, 0.0, 0.0, a, 1, 2)
    moving(0.1, 0.1, 0.3, 30.0, 0.0, b, 1, 2)
    for s, errors in ((a, zero), (b, np.array(USUAL_ACCURACY["single"]))):
        u = np.zeros(3)
        step_gauss_markov(u, 0.1, errors[2], s, 0)
        position_fix(errors, u, 0.0, 0.0, 0.0, s, 1)
    assert np.array_equal(a, b)
