"""The whole estimate on the linear problem: made-up logs of a bike whose parameters are hidden."""

from __future__ import annotations

import numpy as np
import pytest

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

REPEATS = 100
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


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_intervals_hold_the_hidden_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(7)
    plain = demo_parameters()
    truth = plain.start + np.clip(rng.standard_normal(len(plain)), -1.5, 1.5) * plain.standard
    rides = hidden_bike(Models(plain, NOISE), truth, rng, REPEATS)
    models, found, bound = Models(plain, NOISE), list[Estimate](), np.empty(0)
    for k in range(REPEATS):
        if k and k % 20 == 0:
            print(
                k,
                (np.abs([(one.values - truth) / one.standard for one in found]) < MOST).sum(axis=0),
                flush=True,
            )
        parameters = demo_parameters(measured=measured_anew(truth, plain, rng))
        problem = Calibration(parameters, logs_of(rides, k, rng), NOISE, models=models)
        if k == 0:
            bound = fisher_bound(problem, truth)
        found.append(problem.estimate())
        assert not found[-1].error.cannot
        assert found[-1].left_out > 0
    off = np.abs([(one.values - truth) / one.standard for one in found])
    widths = np.median([one.standard for one in found], axis=0)
    print((off < MOST).sum(axis=0), (off < HALF).sum(axis=0), widths / bound, widths / plain.standard)
    assert (off < MOST).sum(axis=0).min() >= 87
    assert (off < HALF).sum(axis=0).min() >= 34
    assert (off < HALF).sum(axis=0).max() <= 66
    assert (widths / bound).max() <= 2.0
    assert all(one.told[:-1].all() for one in found)
