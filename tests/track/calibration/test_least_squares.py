from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from emulator.track.calibration.least_squares import NotFitted, covariance_of, fit, profile, profile_interval


def test_a_straight_line_has_the_textbook_errors() -> None:
    rng = np.random.default_rng(1)
    x = np.linspace(0.0, 10.0, 30)
    y = 2.0 + 0.5 * x + 0.1 * rng.standard_normal(30)
    found = fit(lambda b: b[0] + b[1] * x - y, np.array([1.0, 1.0]))
    theirs = stats.linregress(x, y)
    assert found.values[1] == pytest.approx(theirs.slope, rel=1e-9)
    assert found.standard[1] == pytest.approx(theirs.stderr, rel=1e-7)
    assert found.standard[0] == pytest.approx(theirs.intercept_stderr, rel=1e-7)


def test_a_covariance_keeps_its_digits_where_the_normal_matrix_loses_them() -> None:
    # columns nearly alike: the condition of J^T J, 1e18, is beyond doubles
    x = np.linspace(0.0, 1.0, 50)
    small = 1e-9
    jacobian = np.column_stack([np.ones(50), 1.0 + small * x])
    # closed form, from the straight line's in the variables b0 + b1 and small b1
    spread = ((x - x.mean()) ** 2).sum()
    covariance, unseen = covariance_of(jacobian)
    assert not len(unseen)
    assert covariance[1, 1] == pytest.approx(1.0 / (small**2 * spread), rel=1e-5)
    wrong = np.linalg.pinv(jacobian.T @ jacobian)[1, 1]
    assert wrong != pytest.approx(1.0 / (small**2 * spread), rel=0.5)


def test_a_direction_that_nothing_shows_is_told() -> None:
    x = np.linspace(0.0, 1.0, 20)
    covariance, unseen = covariance_of(np.column_stack([x, 2.0 * x, np.ones(20)]))
    np.testing.assert_allclose(np.abs(unseen @ [2.0, -1.0, 0.0]), np.sqrt(5.0), rtol=1e-9)
    assert np.isinf(covariance[0, 0])
    assert np.isinf(covariance[1, 1])
    assert covariance[2, 2] == pytest.approx(covariance_of(np.column_stack([x, np.ones(20)]))[0][1, 1])


def test_a_prior_is_a_residual() -> None:
    # n measurements of s around m, prior p of P: the conjugate normal's posterior, closed form
    y, s, prior, wide = np.array([1.2, 0.8, 1.1]), 0.2, 0.0, 0.3
    found = fit(
        lambda b: np.append((y - b[0]) / s, (b[0] - prior) / wide), np.array([0.0]), known_noise=True,
        scale=np.array([1.0]),
    )  # fmt: skip
    precision = 3 / s**2 + 1 / wide**2
    assert found.values[0] == pytest.approx(y.sum() / s**2 / precision)
    assert found.standard[0] == pytest.approx(precision**-0.5)


def test_a_coarse_fit_does_not_look_on_where_its_slopes_know_no_way_down() -> None:
    """From the least sum slopes that are a little off point on: it rises there, by less than counts."""
    rng = np.random.default_rng(2)
    slopes, target = rng.standard_normal((400, 6)), 10.0 * rng.standard_normal(400)
    wrong = slopes + 0.01 * rng.standard_normal(slopes.shape)
    best = np.linalg.lstsq(slopes, target, rcond=None)[0]
    tried: list[np.ndarray] = []

    def residual(at: np.ndarray) -> np.ndarray:
        tried.append(at)
        return slopes @ at - target

    found = fit(residual, best, jacobian=lambda _: wrong, tolerance=1e-5)
    assert len(tried) <= 3
    assert found.converged
    np.testing.assert_array_equal(found.values, best)
    np.testing.assert_array_equal(found.residual, slopes @ best - target)


def test_bounds_hold_and_nonsense_is_refused() -> None:
    found = fit(
        lambda b: np.array([b[0] - 5.0, 0.1]), np.array([1.0]), least=np.array([0.0]), most=np.array([3.0])
    )
    assert found.values[0] <= 3.0
    with pytest.raises(NotFitted, match="not all numbers"):
        fit(lambda b: np.full(3, np.nan), np.array([1.0]))
    with pytest.raises(NotFitted, match="1 residuals can't tell 2 parameters"):
        fit(lambda b: b[:1], np.array([1.0, 1.0]))


def test_a_profile_of_a_linear_problem_is_a_parabola_and_of_a_bent_one_is_not() -> None:
    x = np.linspace(0.1, 4.0, 40)
    y = 2.0 * np.exp(-x / 3.0)

    def line(b: np.ndarray) -> np.ndarray:
        return (b[0] + b[1] * x - y) / 0.1

    found = fit(line, np.array([1.0, -0.5]), known_noise=True)
    for times in (-2.0, 1.0, 3.0):
        at = found.values[1] + times * found.standard[1]
        assert profile(line, found, 1, at) == pytest.approx(times**2, rel=1e-6)

    def decay(b: np.ndarray) -> np.ndarray:
        return (b[0] * np.exp(-x / b[1]) - y) / 0.5

    found = fit(decay, np.array([1.0, 2.0]), known_noise=True)
    # the rate is what is told evenly, so the time constant is told less well upwards
    up, down = (
        profile(decay, found, 1, found.values[1] + side * 2.0 * found.standard[1]) for side in (1, -1)
    )
    assert down > 4.5
    assert up < 3.5


def test_an_interval_by_profile_is_where_the_squares_have_risen() -> None:
    """Linear: 1.96 standard deviations to either side. Bent: both ends are as unlikely, and lie unevenly."""
    x = np.linspace(0.1, 4.0, 40)
    y = 2.0 * np.exp(-x / 3.0)

    def line(b: np.ndarray) -> np.ndarray:
        return (b[0] + b[1] * x - y) / 0.1

    found = fit(line, np.array([1.0, -0.5]), known_noise=True)
    for jacobian in (None, lambda _b: np.column_stack([np.ones(40), x]) / 0.1):
        low, high = profile_interval(line, found, 1, jacobian=jacobian)
        assert (low, high) == pytest.approx(
            found.values[1] + 1.959964 * np.array([-1.0, 1.0]) * found.standard[1]
        )

    def decay(b: np.ndarray) -> np.ndarray:
        return (b[0] * np.exp(-x / b[1]) - y) / 0.3

    found = fit(decay, np.array([1.0, 2.0]), known_noise=True)
    low, high = profile_interval(decay, found, 1)
    assert high - found.values[1] > 1.3 * (found.values[1] - low)
    for end in (low, high):
        assert profile(decay, found, 1, end) == pytest.approx(1.959964**2, rel=0.05)


@pytest.mark.slow
def test_intervals_are_calibrated_by_simulation() -> None:
    """Truth drawn from the prior, data from the truth: its rank in the posterior is uniform.

    S. Talts and others, arXiv 1804.06788, from memory; here of a normal posterior, by its distribution.
    """
    rng = np.random.default_rng(11)
    x = np.linspace(0.0, 2.0, 25)
    middle, wide, noise = np.array([2.0, 1.0, 0.5]), np.array([0.3, 0.15, 0.1]), 0.05

    def model(b: np.ndarray) -> np.ndarray:
        return b[0] * np.exp(-b[1] * x) + b[2]

    shares = []
    for _ in range(400):
        truth = middle + wide * rng.standard_normal(3)
        y = model(truth) + noise * rng.standard_normal(25)
        found = fit(
            lambda b: np.concatenate([(model(b) - y) / noise, (b - middle) / wide]),  # noqa: B023
            middle,
            known_noise=True,
        )
        shares.append(stats.norm.cdf((truth - found.values) / found.standard))
    for of_parameter in np.transpose(shares):
        assert stats.kstest(of_parameter, "uniform").pvalue > 0.001
        counts = np.histogram(of_parameter, bins=10, range=(0.0, 1.0))[0]
        assert stats.chisquare(counts).pvalue > 0.001
