"""The greatest lean of a steady turn and the planned one, as a report draws them."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from emulator.lap.ideal_lap import Bike, bike_of
from emulator.lap.lean_envelope import lean_envelope, planned_roll
from emulator.lap.steady_limits import GripLimits, limits_on, steady_limits
from emulator.road.build_line import Turn, build_line
from emulator.road.line import Line
from emulator.vehicle.equilibrium import steady_motion
from tests.support.lines import with_speed
from tests.support.machines import demo


@cache
def limits() -> GripLimits:
    return limits_on(demo(), 0.9, n_angles=5)


@cache
def bike() -> Bike:
    return bike_of(demo(), steady_limits([(0.9, limits())]))


def ring(radius: float, side: float = 1.0) -> Line:
    return build_line([Turn(side * 2.0 * math.pi, radius, 0.0)], closed=True)


def at_speed(line: Line, speed: float) -> Line:
    return with_speed(line, np.full(line.station.size, speed))


def test_planned_roll_is_the_plants_steady_turn() -> None:
    steady = None
    for part in (0.3, 0.6, 1.0):
        steady = steady_motion(demo(), 18.0, -0.6 * part, guess=steady)
    assert steady is not None
    speed = 18.0 / math.cos(steady.drift)
    _, roll = planned_roll(bike(), at_speed(ring(1.0 / steady.curvature), speed))
    assert roll[5] == pytest.approx(-0.6, abs=0.007)


def test_planned_roll_has_the_sign_of_roll_and_the_bank_in_it() -> None:
    def roll(side: float) -> np.ndarray:
        return planned_roll(bike(), at_speed(ring(60.0, side), 15.0))[1]

    assert (roll(1.0) < -0.3).all()  # to the left is negative (ISO 8855)
    np.testing.assert_allclose(roll(1.0), -roll(-1.0), atol=1e-9)
    flat = at_speed(ring(60.0), 15.0)
    banked = flat._replace(bank=np.full(flat.station.size, -0.1))  # left side down
    # The lean against gravity hardly knows the bank; what changes it is the tyres' width (0.08 m of 0.6).
    np.testing.assert_allclose(planned_roll(bike(), banked)[1], planned_roll(bike(), flat)[1], atol=0.03)


def test_as_a_document_it_holds_plain_numbers() -> None:
    told = lean_envelope(bike(), limits(), at_speed(ring(60.0), 25.0), 0.9)
    assert len(told["speed_m_s"]) == len(told["grip_rad"]) == len(told["stop_rad"])
    assert told["speed_m_s"][-1] <= 27.5
    assert len(told["planned_m_s"]) == len(told["planned_roll_rad"]) <= 400
    assert told["peg_rad"] == pytest.approx(bike().lean_limit, abs=1e-5)
    assert all(v is None or type(v) is float for v in told["grip_rad"] + told["stop_rad"])


def test_a_speed_is_ended_by_grip_or_by_the_steering_stop_never_by_both() -> None:
    told = lean_envelope(bike(), limits(), at_speed(ring(60.0), 25.0), 0.9)
    for grip, stop in zip(told["grip_rad"], told["stop_rad"], strict=True):
        assert (grip is None) != (stop is None)
    assert told["grip_rad"][0] is None
    assert told["stop_rad"][-1] is None


def test_air_takes_from_the_limit_at_high_speed_until_nothing_is_left() -> None:
    told = limits_on(demo(), 0.3, speeds=(20.0,), n_angles=3)
    grip = told.held_leans[told.stopped == 0.0]
    held = np.isfinite(grip)
    assert not held[-1]
    assert (np.diff(grip[held][8:]) < 0.0).all()
    assert np.flatnonzero(held)[-1] == held.sum() - 1  # no gap


def test_a_line_at_walking_pace_still_has_two_speeds() -> None:
    assert len(lean_envelope(bike(), limits(), at_speed(ring(60.0), 0.5), 0.9)["speed_m_s"]) >= 2
