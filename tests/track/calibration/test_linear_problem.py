"""The whole estimate on the linear problem: made-up logs of a bike whose parameters are hidden."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from emulator.track.calibration.estimate import Calibration, Estimate, Models
from emulator.track.calibration.least_squares import covariance_of
from emulator.track.calibration.parameters import Measured, Parameters
from emulator.vehicle.whole.mass_properties import total_mass
from tests.support.made_up_logs import (
    NOISE,
    NUISANCES_OF_LOGS,
    MASS_kg,
    RAKE_rad,
    demo_parameters,
    hidden_bike,
    logs_of,
)

REPEATS, FEW = 100, 10
HALF, MOST = 0.674490, 1.959964
"""Standard deviations of a normal distribution's 50 % and 95 % intervals."""


def measured_anew(truth: np.ndarray, plain: Parameters, rng: np.random.Generator) -> tuple[Measured, ...]:
    """What is measured on the stand, off by its own error each time."""
    rake = truth[[one.name for one in plain.free].index("steering.rake")]
    mass = total_mass(plain.vehicle(truth))
    return (
        Measured("rake", rake + RAKE_rad * rng.standard_normal(), RAKE_rad),
        Measured("mass", mass + MASS_kg * rng.standard_normal(), MASS_kg),
    )


def fisher_bound(problem: Calibration, truth: np.ndarray) -> np.ndarray:
    """Standard deviations (p,) that no unbiased estimate falls below: of the information at the truth.

    That innovations' information is the logs' is checked by dense algebra in test_information.py.
    """
    at = np.concatenate([truth, NUISANCES_OF_LOGS.ravel()])
    problem.whiten_at(at)
    return np.sqrt(np.diag(covariance_of(problem.jacobian(at))[0]))[: len(truth)]


class Repeats:
    """A hidden bike's rides, and what is found of each."""

    def __init__(self) -> None:
        rng = np.random.default_rng(7)
        self.plain = demo_parameters()
        offset = np.clip(rng.standard_normal(len(self.plain)), -1.5, 1.5)
        self.truth = self.plain.start + offset * self.plain.standard
        self.rides = hidden_bike(Models(self.plain, NOISE), self.truth, rng, REPEATS)
        self.models = Models(self.plain, NOISE)

    def problem(self, k: int) -> Calibration:
        """One of them, with what was measured and what its logs suffered."""
        rng = np.random.default_rng((7, k))
        parameters = demo_parameters(measured=measured_anew(self.truth, self.plain, rng))
        return Calibration(parameters, logs_of(self.rides, k, rng), NOISE, models=self.models)

    def found(self, k: int) -> Estimate:
        """What is found of it."""
        return self.problem(k).estimate()


def judge(repeats: Repeats, found: list[Estimate]) -> None:
    """What has to hold of all of them."""
    bound = fisher_bound(repeats.problem(0), repeats.truth)
    off = np.abs([(one.values - repeats.truth) / one.standard for one in found])
    widths = np.median([one.standard for one in found], axis=0)
    in_95, in_50 = (off < MOST).sum(axis=0), (off < HALF).sum(axis=0)
    print(in_95, in_50, (widths / bound).round(3), (widths / repeats.plain.standard).round(3))
    assert not any(one.cannot for one in found)
    assert all(one.left_out > 0 for one in found)
    assert in_95.min() >= 87
    assert in_50.min() >= 34
    assert in_50.max() <= 66
    assert (widths / bound).max() <= 2.0
    assert all(one.told.all() for one in found)


@pytest.mark.slow
def test_a_few_estimates_are_as_near_as_they_say() -> None:
    """The same with a tenth of the repeats: all intervals together, since each by itself says little."""
    repeats = Repeats()
    found = [repeats.found(k) for k in range(FEW)]
    off = np.abs([(one.values - repeats.truth) / one.standard for one in found])
    # of as many independent draws of a normal distribution fewer are inside with a chance of 1e-4
    assert (off < MOST).sum() >= binom.ppf(1e-4, off.size, 0.95)
    assert off.max() < 5.0
    bound = fisher_bound(repeats.problem(0), repeats.truth)
    assert (np.median([one.standard for one in found], axis=0) / bound).max() <= 2.0
    assert all(one.told.all() and not one.cannot for one in found)


@pytest.mark.timing  # for the ordinary run's length only: four minutes
@pytest.mark.timeout(3600)
def test_intervals_hold_the_hidden_truth_as_often_as_they_say() -> None:
    repeats = Repeats()
    judge(repeats, [repeats.found(k) for k in range(REPEATS)])
