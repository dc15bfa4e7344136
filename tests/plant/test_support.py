"""The support that catches: a bike that was let go and comes to a stop is held, as by legs let down."""

from __future__ import annotations

import math

import pytest

from emulator.core.constants import GRAVITY
from emulator.core.signals import RUNNING
from emulator.plant.states import EV_CATCH, EV_FALL, EV_RELEASE
from emulator.vehicle.dynamics import _SUPPORT_ROLL as STIFFNESS
from emulator.vehicle.state import VELOCITY
from emulator.vehicle.whole.mass_properties import total_mass
from tests.support.falls import kinetic_and_raised
from tests.support.scripted_robot import HELD_CLUTCH, Ride, demo_session, variant

BRAKING = {
    "steering": {"steering_torque_Nm": 2.0},  # upright and left alone it would stand like a pencil
    "drive": {**HELD_CLUTCH["drive"], "front_brake_Pa": 4e5, "rear_brake_Pa": 2e5},
    "gear": HELD_CLUTCH["gear"],
}


def let_go(catch_km_h: float | None = 8.0, torque_Nm: float = 0.0) -> Ride:
    """A bike that was just let go at 15 km/h, its clutch pulled."""
    session = demo_session()
    changes = {"release_speed_km_h": 15.0, "catch_speed_km_h": catch_km_h}
    support = session.scenario.support.model_copy(update=changes)
    ride = Ride(variant(session, scenario={"support": support})).start(1)
    while not told(ride, EV_RELEASE):
        ride.step()
    ride.commands = {**HELD_CLUTCH, "steering": {"steering_torque_Nm": torque_Nm}}
    return ride


def told(ride: Ride, code: int) -> list[tuple[float, str]]:
    return [(value, text) for _, what, _, value, text in ride.events if what == code]


def test_a_bike_that_brakes_to_a_stop_is_caught_and_stands() -> None:
    ride = let_go()
    ride.commands = BRAKING
    assert ride.step(6000) == RUNNING
    ((speed, text),) = told(ride, EV_CATCH)
    assert speed == pytest.approx(8.0 / 3.6, abs=0.01)
    assert text == "support caught the bike at 8.0 km/h"
    assert not told(ride, EV_FALL)
    assert len(told(ride, EV_RELEASE)) == 1
    assert ride["truth.support"] == 1.0
    assert abs(ride["truth.speed_m_s"]) < 0.01
    assert abs(ride["truth.roll_rad"]) < math.radians(0.5)


def test_without_it_the_same_stop_is_a_fall() -> None:
    ride = let_go(None)
    ride.commands = BRAKING
    ride.step(6000)
    assert told(ride, EV_FALL)
    assert not told(ride, EV_CATCH)


def test_one_that_leans_too_far_falls() -> None:
    ride = let_go(torque_Nm=10.0)
    while not told(ride, EV_FALL):
        assert ride.step() == RUNNING
        assert ride.count < 8000
        if abs(ride["truth.roll_rad"]) > math.radians(25.0):
            ride.commands = BRAKING
    ride.step(2000)
    assert ride["truth.speed_m_s"] < 8.0 / 3.6
    assert not told(ride, EV_CATCH)


def test_it_neither_tows_nor_brakes() -> None:
    """What it slows down, caught and not caught, is the same: tyres, air and springs alone."""
    lost = []
    for catch in (8.0, None):
        ride = let_go(catch)
        ride.commands = BRAKING
        while ride["truth.speed_m_s"] > 7.9 / 3.6:
            ride.step()
        before = ride["truth.speed_m_s"]
        ride.step(150)
        lost.append(before - ride["truth.speed_m_s"])
    assert lost[0] > 0.2
    assert lost[0] == pytest.approx(lost[1], rel=0.01)


def test_it_gives_no_more_than_its_spring_holds() -> None:
    """Caught at a lean it pushes the bike up: with half its stiffness times that lean squared at most."""
    ride = let_go(torque_Nm=3.0)
    ride.commands = {**BRAKING, "steering": {"steering_torque_Nm": 3.0}}
    while not told(ride, EV_CATCH):
        ride.step()
    roll = ride["truth.roll_rad"]
    assert abs(roll) > math.radians(0.5)
    ride.commands = BRAKING
    vehicle, most = ride.session.vehicle, 0.5 * STIFFNESS * math.sin(roll) ** 2
    before = kinetic_and_raised(vehicle, ride.plant.x)
    gained = 0.0
    for _ in range(300):
        ride.step(10)
        gained = max(gained, kinetic_and_raised(vehicle, ride.plant.x) - before)
    assert gained < most
    assert abs(ride["truth.roll_rad"]) < math.radians(0.5)


def test_what_it_holds_at_a_stand_weighs_as_much_as_before() -> None:
    ride = let_go()
    ride.commands = BRAKING
    ride.step(6000)
    wheels = ride["truth.load_front_N"] + ride["truth.load_rear_N"]
    assert wheels == pytest.approx(total_mass(ride.session.vehicle) * GRAVITY, rel=1e-3)


def test_a_bike_that_goes_on_is_let_go_again() -> None:
    ride = let_go()
    ride.commands = BRAKING
    ride.step(1500)
    assert told(ride, EV_CATCH)
    ride.plant.x[VELOCITY] = 12.5 / 3.6
    ride.step(1)
    assert len(told(ride, EV_RELEASE)) == 2
    assert ride["truth.support"] == 1.0  # of the tick before
    ride.step(1)
    assert ride["truth.support"] == 0.0
