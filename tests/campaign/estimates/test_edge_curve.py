"""Edge curves against published regressions, closed forms, a general minimiser; what intervals cover."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import expit
from scipy.stats import chi2

from emulator.campaign.estimates.edge_curve import edge_curve, is_separated, logistic_fit

RIDERS = Path(__file__).parents[2] / "reference" / "handlebar_perturbations.csv"

# Haitjema, Alizadehsaravi, Moore, doi 10.31224/4003, tables of coefficients at 6 and 10 km/h: estimate,
# standard error, two decimals. Order: intercept, impulse, order, assist, roll, steer, and assist times roll,
# steer, impulse, order.
PUBLISHED = {
    6: (
        [-0.29, 1.69, -0.77, -0.64, -0.25, -0.14, 0.52, -0.41, 0.41, -0.53],
        [0.17, 0.27, 0.22, 0.27, 0.21, 0.21, 0.34, 0.34, 0.41, 0.34],
    ),
    10: (
        [-0.24, 2.39, -1.16, -0.44, 0.27, -0.37, -0.61, 0.56, 0.46, -0.37],
        [0.16, 0.29, 0.21, 0.24, 0.22, 0.24, 0.34, 0.35, 0.44, 0.32],
    ),
}

# Joint temperature [deg F] and distress of the primary O-rings in 23 launches: Dalal, Fowlkes, Hoadley, J.
# Am. Stat. Assoc. 84, 1989; data and the logistic fit (15.0429, -0.2322; errors 7.3786, 0.1082) from memory.
JOINT_F = [66, 70, 69, 68, 67, 72, 73, 70, 57, 63, 70, 78, 67, 53, 67, 75, 70, 81, 76, 79, 75, 76, 58]
DISTRESS = [0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1]


def riders(speed_kmh: int) -> tuple[np.ndarray, np.ndarray]:
    with RIDERS.open() as file:
        rows = [
            r
            for r in csv.DictReader(line for line in file if line[0] != "#")
            if int(r["speed_kmh"]) == speed_kmh
        ]
    order, impulse, roll, steer, assist = (
        np.array([float(r[k]) for r in rows]) for k in ("order", "impulse", "roll", "steer", "assist")
    )
    single = [np.ones_like(order), impulse, order, assist, roll, steer]
    design = np.stack([*single, assist * roll, assist * steer, assist * impulse, assist * order], axis=1)
    return design, np.array([r["fall"] == "1" for r in rows])


@pytest.mark.parametrize("speed_kmh", [6, 10])
def test_riders_falls_give_the_published_coefficients_and_errors(speed_kmh: int) -> None:
    fit = logistic_fit(*riders(speed_kmh))
    estimates, errors = PUBLISHED[speed_kmh]
    assert not fit.separated
    np.testing.assert_allclose(fit.coefficients, estimates, atol=0.01)
    np.testing.assert_allclose(fit.errors, errors, atol=0.01)


def test_a_curve_over_one_size_has_its_published_coefficients() -> None:
    found = edge_curve(np.array(JOINT_F, dtype=float), np.array(DISTRESS, dtype=bool))
    assert found is not None
    np.testing.assert_allclose(found.fit.coefficients, [15.0429, -0.2322], atol=5e-4)
    np.testing.assert_allclose(found.fit.errors, [7.3786, 0.1082], atol=5e-4)
    assert found.half_lost == pytest.approx(15.0429 / 0.2322, abs=0.05)
    assert found.chance(found.half_lost) == pytest.approx(0.5)


def drawn(count: int, half: float, slope: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    sizes = rng.uniform(0.0, 2.0 * half, count)
    return sizes, rng.random(count) < expit(slope * (sizes - half))


def deviance(parameters: np.ndarray, sizes: np.ndarray, lost: np.ndarray) -> float:
    log_odds = parameters[0] + parameters[1] * sizes
    return float(np.logaddexp(0.0, np.where(lost, -log_odds, log_odds)).sum())


def penalised(parameters: np.ndarray, sizes: np.ndarray, lost: np.ndarray) -> float:
    """Firth 1993: half the logarithm of the information's determinant goes off."""
    design = np.stack([np.ones_like(sizes), sizes], axis=1)
    chance = expit(design @ parameters)
    _, determinant = np.linalg.slogdet(design.T @ np.diag(chance * (1 - chance)) @ design)
    return deviance(parameters, sizes, lost) - 0.5 * float(determinant)


def test_interval_ends_where_a_general_minimiser_finds_the_likelihood_fallen() -> None:
    sizes, lost = drawn(60, 40.0, 0.15, seed=2)
    found = edge_curve(sizes, lost)
    assert found is not None
    start = found.fit.coefficients
    plain = minimize(deviance, start, args=(sizes, lost), method="Nelder-Mead", tol=1e-12)
    np.testing.assert_allclose(start, plain.x, rtol=1e-4)
    best = minimize(penalised, start, args=(sizes, lost), method="Nelder-Mead", tol=1e-12)
    for bound in (found.half_lost_in.low, found.half_lost_in.high):

        def with_half_there(slope: np.ndarray, at: float = bound) -> float:
            return penalised(np.array([-slope[0] * at, slope[0]]), sizes, lost)

        held = minimize(with_half_there, [0.1], method="Nelder-Mead", tol=1e-12)
        assert 2 * (held.fun - best.fun) == pytest.approx(chi2.ppf(0.95, 1), rel=1e-4)


def covers(count: int, slope: float, seeds: range) -> int:
    found = [edge_curve(*drawn(count, 100.0, slope, seed)) for seed in seeds]
    assert None not in found
    return sum(curve.half_lost_in.holds(100.0) for curve in found if curve is not None)


def test_the_interval_of_the_half_lost_size_covers() -> None:
    # the plain profile likelihood held 87 of the first 100
    assert covers(30, 0.06, range(40)) >= 36  # at 95 % fewer come one time in 72


@pytest.mark.timing
@pytest.mark.parametrize(("count", "slope"), [(15, 0.06), (30, 0.06), (60, 0.06), (20, 0.3)])
def test_the_interval_covers_for_few_runs_and_steep_edges(count: int, slope: float) -> None:
    assert covers(count, slope, range(200)) >= 183  # at 95 % fewer come one time in 60


def test_parted_outcomes_are_told_and_bounded() -> None:
    sizes = np.array([10.0, 20, 30, 40, 50, 60, 70, 80])
    lost = sizes > 45
    found = edge_curve(sizes, lost)
    assert found is not None
    assert found.separated
    assert (found.largest_survived, found.smallest_lost) == (40.0, 50.0)
    assert found.half_lost == pytest.approx(45.0)
    assert np.isfinite(found.fit.coefficients).all()
    # eight runs leave the steepness open: the interval is wider than the gap
    assert 10.0 < found.half_lost_in.low < 40.0
    assert found.half_lost_in.low + found.half_lost_in.high == pytest.approx(90.0, abs=1e-4)
    assert found.chance_in(45.0).holds(0.5)


def test_a_close_gap_far_from_zero_is_found() -> None:
    # what a bisection leaves behind: sizes ever nearer to the edge
    sizes = 1000.0 + np.array([0.0, 100, 50, 25, 37.5, 31.25, 34.375, 32.8125])
    found = edge_curve(sizes, sizes > 1033.0)
    assert found is not None
    assert found.separated
    assert (found.largest_survived, found.smallest_lost) == (1032.8125, 1034.375)
    assert found.half_lost == pytest.approx(0.5 * (1032.8125 + 1034.375))
    assert found.half_lost_in.holds(found.half_lost)


@pytest.mark.parametrize(
    ("sizes", "lost", "separated"),
    [
        ([1, 2, 3, 4], [0, 0, 1, 1], True),
        ([1, 2, 3, 4], [1, 1, 0, 0], True),  # lost below: still parted
        ([1, 2, 2, 3], [0, 0, 1, 1], True),  # parted but for ties at the edge
        ([1, 2, 3, 4], [0, 1, 0, 1], False),
        ([1, 2, 2, 3], [0, 1, 1, 0], False),
    ],
)
def test_separation_is_found_exactly(sizes: list[int], lost: list[int], separated: bool) -> None:
    design = np.stack([np.ones(len(sizes)), np.array(sizes)], axis=1)
    assert is_separated(design, np.array(lost, dtype=bool)) is separated


def test_firth_adds_half_an_outcome_to_each_cell() -> None:
    # closed form of the saturated 2 x 2 table, Firth 1993: 0 of 5 lost below, 6 of 6 above
    design = np.stack([np.ones(11), np.array([0.0] * 5 + [1.0] * 6)], axis=1)
    fit = logistic_fit(design, np.array([0] * 5 + [1] * 6, dtype=bool))
    assert fit.separated
    assert fit.coefficients[0] == pytest.approx(math.log(0.5 / 5.5))
    assert fit.coefficients.sum() == pytest.approx(math.log(6.5 / 0.5))


def test_a_size_that_does_not_matter_has_no_bounds() -> None:
    found = edge_curve(np.arange(8.0), np.array([0, 1, 0, 1, 1, 0, 1, 1], dtype=bool))
    assert found is not None
    assert found.half_lost_in.low == -math.inf
    assert found.half_lost_in.high == math.inf


@pytest.mark.parametrize(
    ("sizes", "lost"), [([1.0, 2.0], [True, True]), ([1.0, 2.0], [False, False]), ([3.0, 3.0], [True, False])]
)
def test_without_both_outcomes_and_two_sizes_there_is_no_curve(sizes: list[float], lost: list[bool]) -> None:
    assert edge_curve(np.array(sizes), np.array(lost)) is None


def test_units_do_not_matter() -> None:
    sizes, lost = drawn(50, 40.0, 0.15, seed=7)
    metres, millimetres = edge_curve(sizes, lost), edge_curve(sizes * 1000.0, lost)
    assert metres is not None
    assert millimetres is not None
    assert millimetres.half_lost == pytest.approx(1000.0 * metres.half_lost)
    assert millimetres.half_lost_in.low == pytest.approx(1000.0 * metres.half_lost_in.low, rel=1e-5)
    assert millimetres.chance_in(30_000.0).high == pytest.approx(metres.chance_in(30.0).high)


def test_what_does_not_fit_is_told() -> None:
    with pytest.raises(ValueError, match="as many sizes as outcomes"):
        edge_curve(np.array([1.0, math.nan]), np.array([True, False]))
    with pytest.raises(ValueError, match="depend on each other"):
        logistic_fit(np.ones((3, 2)), np.array([True, False, True]))
