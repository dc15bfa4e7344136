"""How fast wind and drive change is found by likelihood: closed forms, then made-up logs."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.track.calibration.estimate import Calibration, Estimate, Models
from emulator.track.calibration.wind_lag import (
    GIVE_OR_TAKE,
    SURE,
    LONGEST_s,
    SHORTEST_s,
    likeliest,
)
from tests.support.made_up_logs import LAGGED, NOISE, PLAN, demo_parameters, hidden_bike, logs_of

WIDTH = math.log(GIVE_OR_TAKE)


def parabola(middle: float, off: float, floor: float = 1000.0):
    """Minus twice a logarithm that is normal in the logarithm of the lag."""
    return lambda lag: floor + (math.log(lag / middle) / off) ** 2


def test_of_normal_likelihoods_it_is_the_weighted_mean() -> None:
    for middle, off, stated in ((0.02, 0.2, 0.1), (0.7, 0.1, 0.005), (0.1, 0.5, 0.1)):
        found = likeliest(parabola(middle, off), stated)
        # two normal distributions of the logarithm: closed form
        weights = np.array([off**-2.0, WIDTH**-2.0])
        expected = weights @ np.log([middle, stated]) / weights.sum()
        assert math.log(found.found) == pytest.approx(expected, abs=0.01)
        assert found.off == pytest.approx(weights.sum() ** -0.5, rel=1e-3)
        gained = (math.log(stated / middle) / off) ** 2 - ((expected - math.log(middle)) / off) ** 2
        assert found.preferred == pytest.approx(gained, abs=0.5)
        assert found.wrong == (gained > SURE)
        low, high = found.interval
        assert math.log(high / low) == pytest.approx(2.0 * 1.959964 * found.off)


def test_where_a_log_says_nothing_what_was_stated_stays() -> None:
    found = likeliest(lambda _: 5.0, 0.3)
    assert found.found == pytest.approx(0.3, rel=0.02)
    assert found.off == pytest.approx(WIDTH, rel=0.02)
    assert not found.wrong


def test_lags_without_a_predictor_are_none_and_at_once_is_a_tick() -> None:
    def cost(lag: float) -> float:
        return math.inf if lag > 0.5 else parabola(0.2, 0.1)(lag)

    found = likeliest(cost, 0.0)
    assert found.found == pytest.approx(0.2, rel=0.1)
    assert found.wrong
    assert likeliest(parabola(1e-5, 0.1), 0.0).found == pytest.approx(SHORTEST_s, rel=0.05)
    assert likeliest(parabola(1e3, 0.1), 1.0).found == pytest.approx(LONGEST_s, rel=0.05)


def test_near_one_that_is_known_it_is_the_same_with_fewer_looks() -> None:
    looks = 0

    def cost(lag: float) -> float:
        nonlocal looks
        looks += 1
        return parabola(0.04, 0.15)(lag)

    far = likeliest(cost, 0.1)
    many, looks = looks, 0
    near = likeliest(cost, 0.1, near=0.05)
    assert near.found == pytest.approx(far.found, rel=0.02)
    assert looks < many / 2


def found_of(ridden: float, stated: float, repeat: int = 0) -> tuple[np.ndarray, Estimate]:
    """Truth and estimate of a linear ride whose wind and drive change within a time, stated as another."""
    parameters = demo_parameters()
    rng = np.random.default_rng((5, repeat))
    offset = np.clip(rng.standard_normal(len(parameters)), -1.5, 1.5)
    truth = parameters.start + 0.7 * offset * parameters.standard
    rides = hidden_bike(Models(parameters, NOISE._replace(lag=ridden)), truth, rng, 1)
    noise = NOISE._replace(lag=stated)
    return truth, Calibration(parameters, logs_of(rides, 0), noise, seek_lag=True).estimate()


@pytest.mark.slow
def test_a_lag_that_is_right_is_not_said_to_be_wrong() -> None:
    truth, found = found_of(LAGGED.lag, LAGGED.lag)
    assert len(found.lags) == 1 + max(k % 2 for k in range(len(PLAN)))
    for lag in found.lags:
        assert abs(math.log(lag.found / LAGGED.lag)) < 3.0 * lag.off
        assert lag.off < 0.25
        assert not lag.wrong
    assert np.abs((found.values - truth) / found.standard).max() < 3.5
    assert not found.cannot


@pytest.mark.slow
@pytest.mark.parametrize("stated", [0.005, 0.5])
def test_a_wrong_lag_is_told_and_intervals_hold(stated: float) -> None:
    truth, found = found_of(LAGGED.lag, stated)
    for lag in found.lags:
        assert abs(math.log(lag.found / LAGGED.lag)) < 3.0 * lag.off
        assert lag.wrong
        assert lag.preferred > 50.0
    assert np.abs((found.values - truth) / found.standard).max() < 3.5
    assert not found.cannot
