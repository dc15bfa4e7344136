"""How hard the plant can turn, drive and brake: against rides into the limit, steady motions, closed
forms."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest

from emulator.core.constants import GRAVITY
from emulator.lap.steady_limits import drag_of, lateral_limit, limits_on, steady_limits
from emulator.vehicle.equilibrium import AIR_DENSITY, NoEquilibrium, Steady, steady_motion
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.limit_motion import fill_held, upright_limits
from emulator.vehicle.params import Vehicle
from emulator.vehicle.quasi_steady import machine
from emulator.vehicle.state import (
    FRONT,
    JOINT,
    REAR,
    STEER,
    T_LOAD,
    T_SLIP_RATIO,
    U_DRIVE_TORQUE,
    VELOCITY,
    scratch,
)
from tests.support.limit_ride import ridden_limit
from tests.support.machines import AHEAD, BASE, block_on_wheels, demo, trainer, without_parts


@cache
def held(grip: float, *speeds: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lean [rad] and lateral acceleration [m/s^2] at the limit of steady turns, and where it is the
    stop's."""
    vehicle = demo()
    c = machine(vehicle.body, vehicle.tyre, AIR_DENSITY)
    v = np.array(speeds)
    leans, lateral, stopped = np.empty((3, v.size))
    fill_held(c, v, np.zeros(v.size), grip, GRAVITY, leans, lateral, stopped)
    return leans, lateral * GRAVITY, stopped


def leaned(vehicle: Vehicle, speed: float, roll: float, grip: float) -> Steady:
    steady = steady_motion(vehicle, speed, grip=grip)
    for part in np.linspace(0.0, 1.0, 30)[1:]:
        steady = steady_motion(vehicle, speed, roll * float(part), grip=grip, guess=steady)
    return steady


@pytest.mark.slow
@pytest.mark.parametrize("grip", [1.0, 0.5])
@pytest.mark.parametrize("speed", [8.0, 20.0, 30.0, 50.0])
def test_a_turn_ridden_to_its_limit_meets_it(speed: float, grip: float) -> None:
    """Within 1 % of the grip, told by the tangent of the lean and by what it turns with.

    Nothing beyond it lasts. The limit is that of the tyres: no peg scrapes, and the treads stay as warm as
    they grip best. Near the limit slip grows fast with lean, and stays behind a lean that goes on growing.
    See the slower ride below.
    """
    vehicle = without_parts(demo())
    vehicle.tyre["tread_heat_capacity"] = math.inf
    reached = ridden_limit(vehicle, speed, grip)
    assert reached.lost
    assert reached.speed == pytest.approx(speed, rel=0.02)
    (lean,), (lateral,), _ = held(grip, reached.speed)
    assert math.tan(reached.lean) == pytest.approx(math.tan(lean), abs=0.01 * grip)
    assert reached.lateral / GRAVITY == pytest.approx(lateral / GRAVITY, abs=0.01 * grip)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("speed", "grip"),
    [
        (30.0, 0.5),
        *[
            pytest.param(speed, grip, marks=pytest.mark.timing)  # for the ordinary run's length only
            for speed, grip in (
                (8.0, 1.0),
                (20.0, 1.0),
                (30.0, 1.0),
                (50.0, 1.0),
                (8.0, 0.5),
                (20.0, 0.5),
                (50.0, 0.5),
            )
        ],
    ],
)
def test_leaned_over_slower_it_turns_as_hard_as_its_limit(speed: float, grip: float) -> None:
    """At 0.05 instead of 0.2 deg/s: within 1 % of the grip by what it turns with, too.

    The treads stay as warm as they grip best, which is what limits are told for: in the minute that this
    takes, a tread that is hardly worked cools by ten kelvin.
    """
    vehicle = without_parts(demo())
    vehicle.tyre["tread_heat_capacity"] = math.inf
    reached = ridden_limit(vehicle, speed, grip, lean_rate=math.radians(0.05), most_s=240.0)
    assert reached.lost
    (lean,), (lateral,), _ = held(grip, reached.speed)
    assert math.tan(reached.lean) == pytest.approx(math.tan(lean), abs=0.006 * grip)
    assert reached.lateral / GRAVITY == pytest.approx(lateral / GRAVITY, abs=0.009 * grip)


@pytest.mark.parametrize(("speed", "grip"), [(8.0, 1.0), (20.0, 0.5), (30.0, 1.0), (50.0, 0.5)])
def test_the_plant_has_a_steady_turn_just_short_of_the_limit_and_none_beyond(
    speed: float, grip: float
) -> None:
    vehicle = without_parts(demo())
    (lean,), _, (stopped,) = held(grip, speed)
    assert stopped == 0.0
    steady = leaned(vehicle, speed, float(lean) - math.radians(0.3), grip)
    steps = 0
    while steps < 10:
        try:
            next_ = steady_motion(vehicle, speed, steady.roll + math.radians(0.08), grip=grip, guess=steady)
        except NoEquilibrium:
            break
        if next_.yaw_rate / steady.yaw_rate > 1.03:  # the search went off to another motion
            break
        steady = next_
        steps += 1
    assert 0 < steps < 10


def test_at_walking_pace_the_steering_stop_comes_first() -> None:
    vehicle = demo()
    stop = float(vehicle.body[0]["steering_stop_angle"])
    leans, _, stopped = held(1.0, 1.0, 2.0, 3.0, 12.0)
    assert list(stopped) == [1.0, 1.0, 1.0, 0.0]
    assert (np.diff(leans) > 0.0).all()
    steady = leaned(vehicle, 2.0, float(leans[1]), 1.0)
    assert abs(float(steady.x[JOINT + STEER])) == pytest.approx(stop, rel=1e-3)


def test_no_speed_is_held_that_the_rear_tyre_can_not_push_through_the_air() -> None:
    leans, _, _ = held(0.3, 20.0, 200.0)
    assert math.isfinite(leans[0])
    assert math.isnan(leans[1])


def test_at_held_speed_the_table_says_the_same() -> None:
    vehicle, grip = demo(), 0.5
    table = steady_limits([(grip, limits_on(vehicle, grip))])
    for speed in (20.0, 30.0, 40.0):
        _, (lateral,), _ = held(grip, speed)
        f = drag_of(vehicle) * speed**2 / GRAVITY
        assert lateral_limit(table, grip, speed, f) == pytest.approx(lateral / GRAVITY, abs=0.01 * grip)


def test_upright_a_block_brakes_and_drives_as_friction_and_lift_allow() -> None:
    height = 0.6
    vehicle = block_on_wheels(height)
    vehicle.body[0]["air_drag_area"] = 0.0
    for which in (0, 1):
        vehicle.tyre[which]["friction_x"] = vehicle.tyre[which]["friction_y"] = 1.0
    low = limits_on(vehicle, 0.4, speeds=(20.0,), n_angles=9)
    high = limits_on(vehicle, 3.0, speeds=(20.0,), n_angles=9)
    # drive: F = mu N_r, N_r = m (g (p - b) + a h) / p; braking: both tyres
    drive = 0.4 * (BASE - AHEAD) / (BASE - 0.4 * height)
    assert low.ends[0, 1] == pytest.approx(drive, rel=0.01)
    assert low.ends[0, 0] == pytest.approx(-0.4, rel=0.01)
    assert high.ends[0, 1] == pytest.approx(AHEAD / height, rel=0.02)
    assert high.ends[0, 0] == pytest.approx(-(BASE - AHEAD) / height, rel=0.02)


@pytest.mark.parametrize(("grip", "speed"), [(1.0, 15.0), (1.0, 40.0), (0.5, 15.0)])
def test_the_hardest_drive_is_the_plants(grip: float, speed: float) -> None:
    """Ridden straight on by a torque on the chain: held just short of it, lost a little beyond."""
    vehicle = demo()
    found = limits_on(vehicle, grip, speeds=(speed,))
    most = float(found.ends[0, 1]) * GRAVITY
    gained, lifted, spun = [], [], []
    for share in (0.93, 1.12):
        steady = steady_motion(vehicle, speed, grip=grip)
        x, u, s = steady.x.copy(), steady.u.copy(), scratch()
        for k in range(1000):
            u[U_DRIVE_TORQUE] = share * float(found.torque[0, -1]) * min(1.0, k / 400.0)
            if k == 600:
                before = float(x[VELOCITY])
            begin(vehicle.body, vehicle.tyre, x, u, s)
            finish(vehicle.body, vehicle.tyre, x, u, 1e-3, s)
        gained.append((float(x[VELOCITY]) - before) / 0.4)
        lifted.append(float(s[0]["tyre"][FRONT, T_LOAD]) == 0.0)
        spun.append(float(s[0]["tyre"][REAR, T_SLIP_RATIO]) > 0.3)
        air = drag_of(vehicle) * (0.5 * (float(x[VELOCITY]) + before)) ** 2
        gained[-1] += air
    assert gained[0] == pytest.approx(0.93 * most, rel=0.03)  # here the front wheel is spun up
    assert not lifted[0]
    assert not spun[0]
    assert lifted[1] or spun[1]


@pytest.mark.parametrize("grip", [0.5, 1.0])
@pytest.mark.parametrize("of", [demo, trainer])
def test_hardest_drives_and_brakes_have_no_jump_over_speed(of: Callable[[], Vehicle], grip: float) -> None:
    """What is found at each speed is one branch: the force changes evenly, where a friction falls past its
    peak, too. A motion beyond the peak lies tenths of the grip below; a wheel's lift is a kink."""
    vehicle = of()
    c = machine(vehicle.body, vehicle.tyre, AIR_DENSITY)
    speeds = np.arange(8.0, 92.0, 3.0)
    found = [upright_limits(c, float(v), grip) for v in speeds]
    for along in ("driving", "braking"):
        force = np.array([getattr(one, along) for one in found]) + drag_of(vehicle) * speeds**2
        assert np.abs(np.diff(force, 2)).max() < 0.01 * grip * GRAVITY


def test_the_lean_limit_ends_a_turn_before_the_grip_does() -> None:
    free = limits_on(demo(), 1.0, speeds=(30.0,), n_angles=9)
    held_back = limits_on(demo(), 1.0, speeds=(30.0,), n_angles=9, lean_limit_rad=math.radians(35.0))
    assert held_back.leans.max() == pytest.approx(math.radians(35.0), abs=1e-6)
    upright = free.leans[0] < math.radians(34.0)
    np.testing.assert_allclose(held_back.lateral[0, upright], free.lateral[0, upright], rtol=1e-3)
    assert (held_back.lateral <= free.lateral + 1e-6).all()
