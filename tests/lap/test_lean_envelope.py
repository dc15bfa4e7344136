"""The greatest lean of a steady turn and the planned one, against closed forms and the ideal lap."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from emulator.config.vehicle.file import load_vehicle
from emulator.lap.ideal_lap import Bike, bike_of, ideal_lap
from emulator.lap.lean_envelope import lean_envelope, limit_lean, planned_roll
from emulator.road.build_line import Turn, build_line
from emulator.road.line import Line
from emulator.vehicle.params import RigidMass, vehicle_record
from tests.support.lines import with_speed

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@cache
def demo() -> Bike:
    file = load_vehicle(SCENARIOS / "vehicles" / "demo_racer.yaml")
    robot = RigidMass(38.0, 0.60, 0.0, 0.78, 2.1, 2.6, 1.6)  # invented for the test
    return bike_of(vehicle_record(file.values, file.tables, robot=robot))


def thin(friction: float) -> Bike:
    """Thin tyres, nothing spins, no air."""
    plain = {"crown": 0.0, "spin": 0.0, "wheels_mass": 0.0, "wheel_inertia": 0.0, "drag": 0.0, "lift": 0.0}
    return demo()._replace(friction=np.full(4, friction), rolling=np.zeros(2), **plain)


def ring(radius: float, side: float = 1.0) -> Line:
    return build_line([Turn(side * 2.0 * math.pi, radius, 0.0)], closed=True)


@pytest.mark.parametrize(("friction", "grip"), [(0.8, 1.0), (1.2, 0.6), (1.3, 1.0)])
def test_on_thin_tyres_the_tangent_of_the_limit_is_the_friction(friction: float, grip: float) -> None:
    # tan(lean) = mu at any speed: the resultant of weight and side force passes through the contact
    found = limit_lean(thin(friction), np.array([8.0, 25.0, 70.0]), grip)
    np.testing.assert_allclose(found, math.atan(friction * grip), rtol=1e-6)


def test_the_limit_is_the_lean_of_the_fastest_turn_on_a_ring() -> None:
    bike = demo()._replace(lean_limit=1.5)
    for radius in (30.0, 120.0):
        line = ring(radius)
        # only grip bounds it: the engine is not asked
        strong = bike._replace(wheel_torque=bike.wheel_torque * 3.0)
        speed = float(ideal_lap(line, strong, grip=0.7).speed[0])
        (limit,) = limit_lean(bike, np.array([speed]), 0.7)
        _, roll = planned_roll(bike, with_speed(line, np.full(line.station.size, speed)))
        assert -roll[5] == pytest.approx(limit, abs=2e-3)


def test_air_takes_from_the_limit_at_high_speed_until_nothing_is_left() -> None:
    found = limit_lean(demo(), np.array([5.0, 30.0, 60.0, 80.0, 400.0]), 1.0)
    assert (np.diff(found[:4]) < 0.0).all()
    assert math.isnan(found[4])


def test_planned_roll_has_the_sign_of_roll_and_the_bank_in_it() -> None:
    def roll(side: float) -> np.ndarray:
        line = ring(60.0, side)
        return planned_roll(demo(), with_speed(line, np.full(line.station.size, 15.0)))[1]

    assert (roll(1.0) < -0.3).all()  # to the left is negative (ISO 8855)
    np.testing.assert_allclose(roll(1.0), -roll(-1.0), atol=1e-9)
    line = ring(60.0)
    flat = with_speed(line, np.full(line.station.size, 15.0))
    banked = flat._replace(bank=np.full(line.station.size, -0.1))  # left side down
    # The lean against gravity hardly knows the bank; what changes it is the tyres' width (0.08 m of 0.6).
    np.testing.assert_allclose(planned_roll(demo(), banked)[1], planned_roll(demo(), flat)[1], atol=0.02)


def test_as_a_document_it_holds_plain_numbers() -> None:
    line = with_speed(ring(60.0), np.full(ring(60.0).station.size, 15.0))
    told = lean_envelope(demo(), line, 0.9)
    assert len(told["speed_m_s"]) == len(told["grip_rad"])
    assert len(told["planned_m_s"]) == len(told["planned_roll_rad"]) <= 400
    assert told["peg_rad"] == pytest.approx(demo().lean_limit, abs=1e-5)
    assert all(v is None or type(v) is float for v in told["grip_rad"])
