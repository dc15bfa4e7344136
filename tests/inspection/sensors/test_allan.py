"""Allan deviation against printed tables, and what an estimate of it is worth against many tries."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from emulator.inspection.sensors.allan import (
    Noise,
    allan_deviation,
    mean_sigma,
    rounded,
    values_worth,
    worth_of_allan,
)

TABLE = Path(__file__).parents[2] / "reference" / "allan_reference_values.csv"
NINE = np.array([892.0, 809, 823, 798, 671, 644, 883, 903, 677])
PERIOD_S = 0.01


def thousand() -> np.ndarray:
    """The 1000-point set of NIST SP 1065: n -> 16807 n mod 2147483647."""
    n, out = 1234567890, []
    for _ in range(1000):
        out.append(n / 2147483647)
        n = n * 16807 % 2147483647
    return np.array(out)


def printed() -> list[tuple[str, int, float]]:
    """The adev rows: NIST SP 1065 (Riley 2008), section 12.3, tables 30 and 31."""
    with TABLE.open() as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return [(r["dataset"], int(r["tau_s"]), float(r["value"])) for r in rows if r["statistic"] == "adev"]


@pytest.mark.parametrize(("dataset", "m", "value"), printed())
def test_the_handbooks_sets_give_their_printed_values(dataset: str, m: int, value: float) -> None:
    values = NINE if dataset == "nbs9" else thousand()
    assert allan_deviation(values, m) == pytest.approx(value, rel=5e-7)


def test_too_few_values_have_no_deviation() -> None:
    assert math.isnan(allan_deviation(NINE, 5))


def drawn(noise: Noise, n: int, tries: int, rng: np.random.Generator) -> np.ndarray:
    """(tries, n) of the process, stationary from the start but for its walk."""
    out = noise.white * rng.standard_normal((tries, n))
    for sigma, time_s in noise.drifts:
        keep = math.exp(-PERIOD_S / time_s)
        u = rng.standard_normal(tries)
        for k in range(n):
            out[:, k] += sigma * u
            u = keep * u + math.sqrt(1.0 - keep * keep) * rng.standard_normal(tries)
    if noise.coloured:
        lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        known = np.append(noise.coloured, 0.0)
        covariance = known[np.minimum(lags, len(noise.coloured))]
        out += rng.standard_normal((tries, n)) @ np.linalg.cholesky(covariance).T
    return np.asarray(
        out + noise.walk * math.sqrt(PERIOD_S) * np.cumsum(rng.standard_normal((tries, n)), axis=1)
    )


CASES = {
    "white": Noise(2.0),
    "drift": Noise(0.3, ((1.0, 0.2),)),
    "two drifts": Noise(0.0, ((1.0, 0.05), (0.5, 3.0))),
    "walk": Noise(0.1, (), 1.0),
    "filtered": Noise(0.2, (), 0.0, (1.45, 0.78, 0.3)),
    "all": Noise(1.0, ((0.8, 0.5),), 0.5),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("m", [1, 8, 40])
def test_the_estimates_scatter_as_said(case: str, m: int) -> None:
    """Mean and spread of the Allan variance over 3000 tries: five sigma of each, about 1 in 2 million."""
    noise, n, tries = CASES[case], 400, 3000
    values = drawn(noise, n, tries, np.random.default_rng(17))
    squares = np.array([allan_deviation(row, m) ** 2 for row in values])
    expected, worth = noise.deviation(m, PERIOD_S) ** 2, worth_of_allan(noise, n, m, PERIOD_S)
    spread = expected * math.sqrt(2.0 / worth)
    assert squares.mean() == pytest.approx(expected, abs=5.0 * spread / math.sqrt(tries))
    # the spread of a spread: chi-squared has the kurtosis 12 / worth above a Gaussian's
    slack = 5.0 * math.sqrt((2.0 + 12.0 / worth) / tries) / 2.0
    assert squares.std() == pytest.approx(spread, rel=slack)


@pytest.mark.parametrize("case", ["white", "drift", "two drifts", "filtered"])
def test_a_mean_and_a_mean_square_scatter_as_said(case: str) -> None:
    noise, n, tries = CASES[case], 400, 3000
    values = drawn(noise, n, tries, np.random.default_rng(5))
    covariance = noise.covariance(np.arange(n), PERIOD_S)
    assert covariance[0] == pytest.approx(noise.sigma**2)
    assert values.mean(axis=1).std() == pytest.approx(mean_sigma(covariance), rel=5.0 / math.sqrt(2 * tries))
    squares = (values**2).mean(axis=1)
    worth = values_worth(covariance)
    slack = 5.0 * math.sqrt((2.0 + 12.0 / worth) / tries) / 2.0
    assert squares.std() == pytest.approx(noise.sigma**2 * math.sqrt(2.0 / worth), rel=slack)


def test_the_curves_are_the_textbooks() -> None:
    """IEEE Std 952-1997 annex C, from memory: N / sqrt(tau), K sqrt(tau / 3), a flat part near 0.6 sigma."""
    density, walk = 3e-4, 2e-5
    white = Noise(density / math.sqrt(PERIOD_S))
    wandering = Noise(0.0, (), walk)
    for m in (10, 1000, 100_000):
        tau = m * PERIOD_S
        assert white.deviation(m, PERIOD_S) == pytest.approx(density / math.sqrt(tau), rel=1e-12)
        assert wandering.deviation(m, PERIOD_S) == pytest.approx(walk * math.sqrt(tau / 3.0), rel=0.6 / m**2)
    # Gauss-Markov, 2 T / tau (1 - T / 2 tau (3 - 4 e^(-tau/T) + e^(-2 tau/T))) sigma^2, highest 0.617 sigma
    # at 1.89 T (same annex, from memory)
    time_s = 5.0
    drift = Noise(0.0, ((1.0, time_s),))
    for tau in (0.5, 1.89 * time_s, 100.0):
        r = time_s / tau
        closed = 2.0 * r * (1.0 - 0.5 * r * (3.0 - 4.0 * math.exp(-1.0 / r) + math.exp(-2.0 / r)))
        assert drift.deviation(round(tau / PERIOD_S), PERIOD_S) ** 2 == pytest.approx(closed, rel=0.003)
    assert drift.deviation(round(1.89 * time_s / PERIOD_S), PERIOD_S) == pytest.approx(0.617, abs=0.001)


@pytest.mark.parametrize("sigma", [0.0, 0.02, 0.3, 0.5, 2.0])
@pytest.mark.parametrize("mean", [0.0, 0.26, -3.5])
def test_rounded_noise_has_the_moments_said(mean: float, sigma: float) -> None:
    values = np.rint((mean + sigma * np.random.default_rng(3).standard_normal(400_000)) / 0.5) * 0.5
    centre, spread, kurtosis = rounded(mean, sigma, 0.5)
    assert values.mean() == pytest.approx(centre, abs=5.0 * spread / math.sqrt(values.size) + 1e-12)
    assert values.std() == pytest.approx(spread, rel=0.02, abs=1e-9)
    if spread > 0.0:
        fourth = ((values - values.mean()) ** 4).mean() / values.std() ** 4
        assert fourth == pytest.approx(kurtosis, rel=0.1)
    if sigma == 2.0:  # far above the step it is white noise of step / sqrt(12) on top
        assert spread == pytest.approx(math.hypot(sigma, 0.5 / math.sqrt(12.0)), rel=1e-9)
