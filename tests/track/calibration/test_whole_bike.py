from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from emulator.track.calibration.estimate import Models
from emulator.track.calibration.innovations import NO_NUISANCE, Stretch, innovations
from emulator.track.calibration.steady_model import Noise, SETTLING_s
from emulator.track.calibration.whole_bike import whole_innovations
from emulator.vehicle.equilibrium import steady_motion
from tests.support.made_up_logs import LAGGED, PLAN, STEP_s, demo_parameters, where
from tests.support.plant_rides import plant_ride

PLAIN = demo_parameters()
MODELS = Models(PLAIN, LAGGED)
SILENT = Noise(0.0, 0.0, 0.0, (0.0,) * 5, 0.1)
SETTLED = round(SETTLING_s / STEP_s)


@cache
def silent_ride(leg: int, dither: float) -> Stretch:
    """The plant ridden without noise by one who knows it, taken for a lean of 0.02 rad more."""
    there = PLAN[leg]._replace(seconds=6.0, dither=dither)
    known = MODELS.at(PLAIN.start, where(there))
    assert known is not None
    ride = plant_ride(PLAIN.vehicle(PLAIN.start), known, SILENT, there, STEP_s, np.random.default_rng(1))
    return ride._replace(speed=there.speed, lean=there.lean + 0.02)


def left_over(ride: Stretch) -> tuple[np.ndarray, np.ndarray]:
    """Innovations of the whole bike and of the linear model, in their standard deviations."""
    vehicle, model = PLAIN.vehicle(PLAIN.start), MODELS.at(PLAIN.start, ride)
    assert model is not None
    steady = steady_motion(vehicle, ride.speed, ride.lean)
    whole = whole_innovations(vehicle, steady, model, LAGGED, ride, NO_NUISANCE)
    sd = np.sqrt(np.diag(model.S))
    return whole / sd, innovations(model, ride, NO_NUISANCE) / sd


@pytest.mark.parametrize("leg", [0, 5])
def test_nothing_is_left_over_of_a_ride_without_noise(leg: int) -> None:
    whole, linear = left_over(silent_ride(leg, 5.0))
    # a hundredth of the noise; what goes with the squares of the swings is ten times that
    assert np.abs(whole[SETTLED:, :4]).max() < 0.01
    assert np.abs(linear[SETTLED:, :4]).max() > 0.1


def test_of_small_swings_it_is_the_linear_model() -> None:
    """What is left between them falls with the square of the swings."""
    between = []
    for size in (1.0, 0.25):
        ride = silent_ride(0, 5.0)
        mean = MODELS.at(PLAIN.start, ride)
        assert mean is not None
        outputs = mean.outputs + size * (ride.outputs - mean.outputs)
        torque = mean.torque + size * (ride.torque - mean.torque)
        whole, linear = left_over(ride._replace(torque=torque, outputs=outputs))
        between.append(np.abs(whole - linear)[:, :4].max())
    assert between[1] < 1.3 * between[0] / 16.0


def test_after_a_hole_and_after_a_lost_prediction_it_knows_again() -> None:
    ride = silent_ride(0, 5.0)
    outputs = ride.outputs.copy()
    outputs[100:115] = np.nan
    whole, _ = left_over(ride._replace(outputs=outputs))
    assert (whole[100:102] == 0.0).all()
    assert np.isnan(whole[102:115]).all()
    assert np.abs(whole[115 + SETTLED :, :4]).max() < 0.01
    outputs = ride.outputs.copy()
    outputs[100:110, 3] += 30.0  # no bike leans that far: the prediction is lost, and that is told
    whole, _ = left_over(ride._replace(outputs=outputs))
    assert np.isfinite(whole[:100]).all()
    assert np.isnan(whole[112 : 109 + SETTLED]).all()
    assert np.abs(whole[115 + 2 * SETTLED :, :4]).max() < 0.01


def test_where_the_prediction_is_lost_the_linear_one_stands() -> None:
    ride = silent_ride(0, 5.0)
    outputs = ride.outputs.copy()
    outputs[100:110, 3] += 30.0
    left = MODELS.left_out(PLAIN.start, ride._replace(outputs=outputs), NO_NUISANCE)
    assert np.isfinite(left).all()
    assert not left[112 : 109 + SETTLED].any()
    assert left[SETTLED:100].any()
