"""The estimate on logs of the whole plant, which the predictor takes for linear."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.track.calibration.estimate import Calibration, Estimate, Models
from tests.support.made_up_logs import NOISE, PLAN, STEP_s, demo_parameters, where
from tests.support.plant_rides import plant_ride

REPEATS = 10


def ridden(repeat: int, models: Models) -> tuple[np.ndarray, Estimate]:
    """Parameters drawn anew, and what is found of them."""
    rng, parameters = np.random.default_rng((17, repeat)), models.parameters
    offset = np.clip(rng.standard_normal(len(parameters)), -1.5, 1.5)
    truth = parameters.start + 0.7 * offset * parameters.standard
    bike = parameters.vehicle(truth)
    stretches = []
    for k, leg in enumerate(PLAN):
        known = models.at(parameters.start, where(leg))
        assert known is not None
        stretches.append(plant_ride(bike, known, NOISE, leg, STEP_s, rng)._replace(log=k % 2))
    return truth, Calibration(parameters, stretches, NOISE, models=models).estimate()


@pytest.mark.timing  # for the ordinary run's length only: ten rides of minutes
@pytest.mark.timeout(3600)
def test_estimates_of_the_whole_plant_are_near_its_parameters() -> None:
    """Not as near as intervals say: see the known limits."""
    models = Models(demo_parameters(), NOISE)
    off = []
    for k in range(REPEATS):
        truth, found = ridden(k, models)
        off.append(np.abs(found.values - truth) / found.standard)
        assert found.error.variance < 1.1
    inside = (np.array(off) < 1.959964).sum(axis=0)
    print(inside, (np.array(off) < 0.67449).mean())
    # Intervals of 95 % would hold 71 of 80 and more with a chance of 99 %; these hold 70, and fewer than
    # 80 % would be worse than is told.
    assert inside.sum() >= 64
    assert np.max(off) < 4.0
