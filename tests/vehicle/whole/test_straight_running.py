"""Coasting, full throttle and lifted wheels, told beforehand: the same as when the plant is ridden so."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.core.constants import GRAVITY
from emulator.vehicle.driveline import TOP_GEAR, overall_ratio
from emulator.vehicle.equilibrium import AIR_DENSITY, NoEquilibrium
from emulator.vehicle.limit_motion import upright_limits
from emulator.vehicle.params import Vehicle
from emulator.vehicle.quasi_steady import Machine, machine
from emulator.vehicle.state import REAR
from emulator.vehicle.whole.straight_running import (
    coast_down_time,
    coasting,
    limiter_speed,
    peak_power,
    peak_torque,
    top_speed,
    wheel_torque,
)
from tests.support.machines import AHEAD, BASE, block_on_wheels, demo
from tests.support.plain_rides import coast, full_throttle, raised_until_lost

FAST, SLOW = 100.0 / 3.6, 90.0 / 3.6


def of(vehicle: Vehicle) -> Machine:
    return machine(vehicle.body, vehicle.tyre, AIR_DENSITY)


def test_a_coast_down_takes_the_time_it_is_told_to() -> None:
    told = coast_down_time(of(demo()), FAST, SLOW)
    assert told == pytest.approx(coast(demo(), FAST, SLOW).times[-1], rel=1e-3)


def test_without_losses_it_coasts_for_ever() -> None:
    free = demo(air__drag_area=0.0, tyre_front__rolling_resistance=0.0, tyre_rear__rolling_resistance=0.0)
    assert abs(coasting(of(free), 30.0).acceleration) < 1e-6


def test_drag_grows_with_the_square_of_the_speed() -> None:
    """Bike of ``demo`` without rolling resistance: mass and the wheels' spin are all that is slowed down."""
    vehicle = demo(tyre_front__rolling_resistance=0.0, tyre_rear__rolling_resistance=0.0)
    slow, fast = (coasting(of(vehicle), v).acceleration for v in (20.0, 40.0))
    assert fast / slow == pytest.approx(4.0, rel=0.01)  # air also lifts and presses a little


def test_at_full_throttle_it_comes_to_the_top_speed_from_both_sides() -> None:
    """In the best gear; no other one holds it."""
    told = top_speed(of(demo()))
    assert full_throttle(demo(), 0.998 * told.speed, told.gear) > 0.0
    for gear in {told.gear - 1, told.gear, told.gear + 1} & set(range(1, TOP_GEAR + 1)):
        assert full_throttle(demo(), 1.002 * told.speed, gear) < 0.0


def test_no_gear_holds_more_than_the_top_speed() -> None:
    c = of(demo(engine__limiter_speed=900.0))
    top = top_speed(c)
    assert top.speed < max(limiter_speed(c, gear) for gear in range(1, TOP_GEAR + 1))
    assert top.engine < 900.0


def test_a_bike_that_drags_too_little_has_no_top_speed_in_reach() -> None:
    free = demo(air__drag_area=0.0, gearbox__gear_6=0.2, engine__drag_torque=0.0)
    with pytest.raises(NoEquilibrium, match="still drives faster"):
        top_speed(of(free))


def test_power_and_torque_at_the_wheel_are_the_engines() -> None:
    """The chain loses nothing: power in any gear is that at the crankshaft."""
    c = of(demo())
    power, torque = peak_power(c), peak_torque(c)
    body = c.body[0]
    speeds, torques = np.array(body["torque_speed"]), np.array(body["torque_value"])
    grid = np.linspace(200.0, 0.98 * float(body["engine_limiter_speed"]), 5000)
    assert power.value == pytest.approx(float(np.max(grid * np.interp(grid, speeds, torques))), rel=1e-3)
    assert torque.value == pytest.approx(float(torques.max()) * overall_ratio(body, 1), rel=1e-3)


def test_the_clutch_ends_the_torque_where_it_holds_less() -> None:
    weak = of(demo(clutch__capacity=50.0))
    gear_and_chain = overall_ratio(weak.body[0], 1) / float(weak.body[0]["gearbox_primary"])
    assert wheel_torque(weak, 1, 30.0) == pytest.approx(50.0 * gear_and_chain)


def test_at_the_limiter_the_wheel_turns_as_the_engine_and_the_gear_say() -> None:
    c = of(demo())
    for gear in (1, 6):
        rate = coasting(c, limiter_speed(c, gear)).rate
        limiter = float(c.body[0]["engine_limiter_speed"])
        assert rate * overall_ratio(c.body[0], gear) == pytest.approx(limiter, rel=1e-5)
    assert 0.9 < limiter_speed(c, 6) * overall_ratio(c.body[0], 6) / limiter / c.tyre[REAR]["radius"] < 1.0


@pytest.mark.parametrize("height", [0.4, 0.5])
def test_a_block_lifts_its_wheels_where_the_lever_says(height: float) -> None:
    """Closed form: the mass centre over the contact that is left, times g; no air, rigid suspension.

    Lifting the front: g times the way from the rear contact over the height; the rear: from the front one.
    """
    limits = upright_limits(machine(*block_on_wheels(height), 0.0), 20.0, 1.0)
    assert limits is not None
    assert limits.front_lifts
    assert limits.rear_lifts
    assert limits.driving == pytest.approx(GRAVITY * AHEAD / height, rel=0.02)
    assert -limits.braking == pytest.approx(GRAVITY * (BASE - AHEAD) / height, rel=0.02)


def test_hardest_driving_and_braking_are_what_a_ride_reaches() -> None:
    told = upright_limits(of(demo()), FAST, 1.0)
    assert told is not None
    driven, braked = (
        raised_until_lost(demo(), FAST, f, equal_use=True) for f in (told.driving, told.braking)
    )
    assert driven.lifted == told.front_lifts
    assert driven.acceleration == pytest.approx(told.driving, rel=0.03)
    # the rear wheel presses so little there that it slides before it is off the road
    assert braked.acceleration == pytest.approx(told.braking, rel=0.03)


def test_on_a_slippery_road_no_wheel_lifts() -> None:
    told = upright_limits(of(demo()), FAST, 0.4)
    assert told is not None
    assert not told.front_lifts
    assert not told.rear_lifts
    assert not math.isclose(told.driving, -told.braking)
