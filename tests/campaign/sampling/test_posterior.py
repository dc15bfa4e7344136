"""Draws of a calibrated vehicle against the posterior they are from."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from emulator.campaign.sampling.posterior import NoPosterior, posterior_of
from emulator.config.vehicle.file import load_vehicle
from tests.support.calibrated_vehicle import BASE, CORRELATION, SDS, calibrated_vehicle

DRAWS = 4000


def test_draws_have_the_mean_and_the_covariance_of_the_posterior(tmp_path: Path) -> None:
    posterior = posterior_of(calibrated_vehicle(tmp_path))
    drawn = np.array([list(posterior.draw(seed).values()) for seed in range(DRAWS)])
    before = load_vehicle(BASE).values
    mean = np.array([before[name.split(".")[0]][name.split(".")[1]] for name in SDS])
    sd = np.array(list(SDS.values()))
    covariance = np.array(CORRELATION) * np.outer(sd, sd)
    # squared distances of normal draws follow chi-square: mean, spread and correlation are in it at once
    off = drawn - mean
    square = np.einsum("ni,ij,nj->n", off, np.linalg.inv(covariance), off)
    assert stats.kstest(square, stats.chi2(len(sd)).cdf).pvalue > 0.01
    # a mean of n is known to sd / sqrt(n), a correlation to (1 - r^2) / sqrt(n): four of them
    assert np.abs(off.mean(axis=0) / sd).max() < 4.0 / np.sqrt(DRAWS)
    known_to = (1.0 - np.array(CORRELATION) ** 2) / np.sqrt(DRAWS)
    assert (np.abs(np.corrcoef(off.T) - CORRELATION) <= 4.0 * known_to + 1e-12).all()


def test_a_seed_has_one_draw_and_a_value_the_same_normal_number_in_any_order(tmp_path: Path) -> None:
    posterior = posterior_of(calibrated_vehicle(tmp_path))
    assert posterior.draw(3) == posterior.draw(3)
    assert posterior.draw(3) != posterior.draw(4)
    names = list(SDS)
    turned = [names[2], names[0], names[1]]
    order = [names.index(name) for name in turned]
    other = posterior_of(
        calibrated_vehicle(
            tmp_path,
            {name: SDS[name] for name in turned},
            np.array(CORRELATION)[np.ix_(order, order)].tolist(),
        )
    )
    again = other.draw(3)
    for name, value in posterior.draw(3).items():
        assert again[name] == pytest.approx(value, rel=1e-12)


def test_a_combination_that_is_known_stays_known(tmp_path: Path) -> None:
    """Two values that only differ together: no draw breaks what the logs know of them."""
    two = {"main_frame.mass": 2.0, "steering.damping": 0.4}
    posterior = posterior_of(calibrated_vehicle(tmp_path, two, ((1.0, -1.0), (-1.0, 1.0))))
    drawn = np.array([list(posterior.draw(seed).values()) for seed in range(50)])
    known = (drawn - posterior.mean) @ (1.0 / np.array(list(two.values())))
    assert np.abs(known).max() < 1e-6
    assert np.std(drawn[:, 0]) > 1.0


def test_rounding_of_correlations_is_no_fault_and_impossible_ones_are(tmp_path: Path) -> None:
    rounded = ((1.0, 1.0, 0.9999), (1.0, 1.0, 1.0), (0.9999, 1.0, 1.0))
    assert posterior_of(calibrated_vehicle(tmp_path, correlation=rounded)).names == tuple(SDS)
    against = ((1.0, 0.9, 0.9), (0.9, 1.0, -0.9), (0.9, -0.9, 1.0))
    with pytest.raises(NoPosterior, match="can't all be"):
        posterior_of(calibrated_vehicle(tmp_path, correlation=against))
    lopsided = ((1.0, 0.1, 0.0), (0.2, 1.0, 0.0), (0.0, 0.0, 1.0))
    with pytest.raises(NoPosterior, match="symmetric"):
        posterior_of(calibrated_vehicle(tmp_path, correlation=lopsided))


def test_a_vehicle_without_a_posterior_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(NoPosterior, match="demo racer has no calibration"):
        posterior_of(BASE)
    calibrated_vehicle(tmp_path)
    later = tmp_path / "later.yaml"
    later.write_text(
        "based_on: calibrated.yaml\nmain_frame: {mass: {value: 170.5, unit: kg, source: on the scales}}\n"
    )
    with pytest.raises(NoPosterior, match=r"main_frame.mass of .* is 170.5, its calibration of 2026-05-06"):
        posterior_of(later)
