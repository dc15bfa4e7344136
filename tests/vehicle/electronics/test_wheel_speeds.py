"""What units make of two wheels and an accelerometer."""

from __future__ import annotations

import math

import pytest

from emulator.vehicle.electronics.wheel_speeds import FRONT, REAR, along, at_axle, follow_bike, follow_wheels
from tests.support.own_units import TICK, units


def test_a_leaning_wheel_rolls_on_a_smaller_radius() -> None:
    """R = 0.299 m, crown 0.078 m, 40 degrees: 0.280751 m, the reading is 6.50 % high (handbook checks, closed
    form R - t (1 - cos lean))."""
    read = at_axle(10.0, 0.299, 0.078, math.radians(40.0))
    assert read == pytest.approx(10.0 * 0.280751 / 0.299, rel=2e-6)
    assert 10.0 / read - 1.0 == pytest.approx(0.0650, abs=5e-5)
    assert at_axle(10.0, 0.299, 0.078, 0.0) == 10.0


def test_what_a_turn_leaves_along_is_on_the_ellipse() -> None:
    full = math.radians(50.0)
    for lean in (0.0, 0.2, 0.5, 0.8):
        assert along(full, lean) ** 2 + (math.tan(lean) / math.tan(full)) ** 2 == pytest.approx(1.0)
    assert along(full, full) == 0.0
    assert along(full, full + 0.1) == 0.0


def _brake(b, wheel_front: float, wheel_rear: float, felt: float, ticks: int) -> list[float]:
    speeds = []
    for n in range(ticks):
        t = n * TICK
        follow_wheels(b, max(0.0, wheel_front * t + 20.0), max(0.0, wheel_rear * t + 20.0), 0.0, TICK)
        follow_bike(b, n > 0, felt, TICK)
        speeds.append(b.reference)
    return speeds


def test_while_one_wheel_rolls_it_tells_the_speed() -> None:
    """The front one locks at 100 m/s^2, the bike slows at 6 as the rear wheel does."""
    speeds = _brake(units("antilock"), -100.0, -6.0, -6.0, 1000)
    for n, speed in enumerate(speeds):
        assert speed == pytest.approx(20.0 - 6.0 * n * TICK, abs=0.02)


def test_while_both_slip_it_is_carried_on_by_what_is_felt() -> None:
    speeds = _brake(units("antilock"), -100.0, -100.0, -6.0, 500)
    for n, speed in enumerate(speeds):
        true = 20.0 - 6.0 * n * TICK
        assert true - 0.7 * n * TICK - 0.2 <= speed <= true + 1e-9


def test_without_an_accelerometer_it_falls_as_on_dry_asphalt() -> None:
    speeds = _brake(units("antilock"), -100.0, -100.0, math.nan, 500)
    assert 20.0 - speeds[-1] == pytest.approx(11.0 * 0.5, rel=0.05)


def test_nobody_brakes_the_front_wheel_tells_it() -> None:
    b = units("antilock")
    follow_wheels(b, 12.0, 19.0, 0.0, TICK)
    follow_bike(b, False, 3.0, TICK)
    assert b.reference == 12.0


@pytest.mark.parametrize("dead", [FRONT, REAR])
def test_a_wheel_that_stands_on_a_moving_bike_switches_off_after_its_time(dead: int) -> None:
    b = units("antilock", control_unit__fault_time=0.1995)
    readings = [15.0, 15.0]
    readings[dead] = 0.0
    for n in range(300):
        follow_wheels(b, readings[0], readings[1], 0.0, TICK)
        assert bool(b.failed) == (n >= 199)
    for _ in range(50):  # for the ride, although it turns again
        follow_wheels(b, 15.0, 15.0, 0.0, TICK)
    assert b.failed


def test_wheels_that_both_stand_are_those_of_a_standing_bike() -> None:
    b = units("antilock", control_unit__fault_time=0.05)
    for _ in range(500):
        follow_wheels(b, 0.0, 0.0, 0.0, TICK)
    assert not b.failed


def test_an_unknown_lean_counts_as_upright() -> None:
    b = units("antilock")
    follow_wheels(b, 10.0, 10.0, math.nan, TICK)
    assert b.tilt == 0.0
    assert b.speed[FRONT] == 10.0
