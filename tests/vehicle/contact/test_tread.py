"""Warmth and pressure of tyres against closed forms, and what they do to a bike that is ridden."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.vehicle.contact.tread import friction_left, warming
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import AIR_DENSITY, standing
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.limit_motion import fill_held
from emulator.vehicle.params import Vehicle, vehicle_record
from emulator.vehicle.quasi_steady import machine
from emulator.vehicle.state import (
    DEFLECTION,
    FRONT,
    N_X,
    REAR,
    T_CAP_X,
    T_CAP_Y,
    T_LOAD,
    T_RUBBING,
    T_SLIP_RATIO,
    T_TREAD,
    TREAD,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_SUPPORT,
    U_TOW_SPEED,
    VELOCITY,
    scratch,
)
from emulator.vehicle.whole.mass_properties import total_mass
from tests.support.machines import ROBOT, demo, demo_file, no_inputs

G = 9.81


def test_friction_is_best_at_one_temperature_and_half_at_its_width() -> None:
    p = demo(tread_front__temperature_width=80.0).tyre[FRONT]
    load = float(p["tread_nominal_load"])
    assert friction_left(p, load, 0.0) == 1.0
    for warmth, left in ((80.0, 0.5), (-80.0, 0.5), (-40.0, 0.8), (8.0, 1.0 / 1.01)):
        assert friction_left(p, load, warmth) == pytest.approx(left, rel=1e-12)


def test_a_vehicle_that_says_nothing_of_its_treads_has_constant_friction() -> None:
    file = demo_file()
    values = {group: entries for group, entries in file.values.items() if not group.startswith("tread_")}
    bare = vehicle_record(values, file.tables, robot=ROBOT).tyre[FRONT]
    assert friction_left(bare, 5000.0, -60.0) == 1.0
    assert warming(bare, 0.0, 1e4, 1e3, 50.0, 2000.0) == 0.0


def test_a_tread_cools_towards_the_air_and_warms_to_where_its_losses_meet_its_heat() -> None:
    """C dT/dt = share P + P_roll - (h0 + h1 V + h2 N/N0)(T + T_best): exponential, C over the sum of h."""
    p = demo().tyre[REAR]
    load, speed, rubbing, rolling = 2.0 * float(p["tread_nominal_load"]), 30.0, 4000.0, 700.0
    total = float(p["tread_cooling"] + 30.0 * p["tread_cooling_per_speed"] + 2.0 * p["tread_road_cooling"])
    best = float(p["tread_best_temperature"])
    ends = (float(p["tread_heat_share"]) * rubbing + rolling) / total - best
    assert warming(p, ends, rubbing, rolling, speed, load) == pytest.approx(0.0, abs=1e-12)
    assert warming(p, ends, rubbing, rolling, -speed, load) == pytest.approx(0.0, abs=1e-12)
    warmth, dt = 0.0, 0.01
    for _ in range(3000):
        warmth += dt * warming(p, warmth, rubbing, rolling, speed, load)
    over = math.exp(-30.0 * total / float(p["tread_heat_capacity"]))
    assert warmth == pytest.approx(ends * (1.0 - over), rel=2e-3)
    assert warming(p, -best, 0.0, 0.0, speed, load) == 0.0  # as warm as the air it stays


def without_cooling(**changes: float) -> Vehicle:
    """The demo racer whose treads keep all the heat of their friction, and that rolls and air do not slow."""
    keeps = {"heat_share": 1.0, "cooling": 0.0, "cooling_per_speed": 0.0, "road_cooling": 0.0}
    ends = {f"tread_{end}__{name}": value for end in ("front", "rear") for name, value in keeps.items()}
    rolls = {"tyre_front__rolling_resistance": 0.0, "tyre_rear__rolling_resistance": 0.0}
    return demo(**ends, **rolls, air__drag_area=0.0, air__lift_area=0.0, **changes)


def heat(vehicle: Vehicle, x: np.ndarray) -> float:
    """Heat in the treads [J] over the state the ride began with."""
    return float(vehicle.tyre["tread_heat_capacity"] @ x[TREAD : TREAD + 2])


def test_what_a_locked_bike_loses_is_in_its_treads() -> None:
    """Both wheels locked, upright, from 30 m/s: the treads hold the energy of motion."""
    vehicle = without_cooling()
    x, u = standing(vehicle, 0.0, 0.0, 0.0), no_inputs()
    u[U_BRAKE_FRONT] = u[U_BRAKE_REAR] = 1e8
    u[U_SUPPORT] = 0.0
    x[VELOCITY] = 30.0
    s = scratch()
    mass = total_mass(vehicle)
    for k in range(1500):
        begin(vehicle.body, vehicle.tyre, x, u, s)
        if k == 300:
            early, before = float(x[VELOCITY]), heat(vehicle, x)
        finish(vehicle.body, vehicle.tyre, x, u, 1e-3, s)
    lost = 0.5 * mass * (early**2 - float(x[VELOCITY]) ** 2)
    assert heat(vehicle, x) - before == pytest.approx(lost, rel=0.01)


def test_a_sliding_wheel_heats_its_tread_by_force_times_speed() -> None:
    vehicle, u, s, xdot = without_cooling(), no_inputs(), scratch(), np.zeros(N_X)
    x = standing(vehicle, 0.0, 0.0, 0.0)
    u[U_SUPPORT], u[U_TOW_SPEED], u[U_BRAKE_FRONT], u[U_BRAKE_REAR] = 1.0, 12.0, 1e8, 1e8
    x[VELOCITY] = 12.0
    for _ in range(100):
        begin(vehicle.body, vehicle.tyre, x, u, s)
        finish(vehicle.body, vehicle.tyre, x, u, 1e-3, s)
    derivative(vehicle.body, vehicle.tyre, x, u, s, xdot)
    for which in (REAR, FRONT):
        row, p = s[0]["tyre"][which], vehicle.tyre[which]
        sliding = -0.5 * float(row[T_SLIP_RATIO])  # slip is told over 0.5 m/s where the wheel stands
        assert 10.0 < sliding < 12.0
        left = 0.7 + 0.3 * math.exp(-sliding / 12.0)
        friction = (
            float(p["friction_x"]) * left * friction_left(p, float(row[T_LOAD]), float(x[TREAD + which]))
        )
        rubbing = sliding - float(xdot[DEFLECTION + 2 * which])  # a load that grows lets the tread shear on
        assert row[T_RUBBING] == pytest.approx(friction * float(row[T_LOAD]) * rubbing, rel=1e-3)
        assert xdot[TREAD + which] == pytest.approx(
            row[T_RUBBING] / float(p["tread_heat_capacity"]), rel=1e-9
        )
        over_air = float(p["tread_best_temperature"]) + float(x[TREAD + which])
        assert row[T_TREAD] == pytest.approx(over_air, rel=1e-12)


def colder(vehicle: Vehicle, over_air: float) -> Vehicle:
    """The same bike with the friction that its treads have so much over the air, for ever."""
    tyre = vehicle.tyre.copy()
    for p in tyre:
        left = friction_left(p, float(p["tread_nominal_load"]), over_air - float(p["tread_best_temperature"]))
        p["friction_x"] *= left
        p["friction_y"] *= left
    return Vehicle(vehicle.body, tyre)


def test_cold_is_less_friction_and_lowers_the_steady_lean_that_holds() -> None:
    vehicle, u = demo(), no_inputs()
    x, xdot, s = standing(vehicle, 0.0, 0.0, 0.0), np.zeros(N_X), scratch()
    x[DEFLECTION : DEFLECTION + 4] = 1.0
    caps = []
    for bike, warmth in ((vehicle, -60.0), (colder(vehicle, 0.0), 0.0)):
        x[TREAD : TREAD + 2] = warmth
        derivative(bike.body, bike.tyre, x, u, s, xdot)
        caps.append(s[0]["tyre"][:, [T_CAP_X, T_CAP_Y]].copy())
    np.testing.assert_allclose(caps[0], caps[1], rtol=1e-9)
    leans = []
    for bike in (vehicle, colder(vehicle, 0.0)):
        held, lateral, stopped = np.empty((3, 1))
        fill_held(
            machine(bike.body, bike.tyre, AIR_DENSITY),
            np.array([25.0]),
            np.zeros(1),
            1.0,
            G,
            held,
            lateral,
            stopped,
        )
        leans.append(math.degrees(float(held[0])))
    # friction falls to 1/(1 + (60/120)^2) = 0.8
    assert 2.0 < leans[0] - leans[1] < 12.0


def test_pressure_changes_stiffness_and_friction_as_said() -> None:
    """A tenth less with q = 0.7, -0.2 and 0.4: 1 - 0.07, 1 + 0.02 and 1 - 0.004; at nominal nothing."""
    nominal = demo().tyre[FRONT]
    file = demo_file().values["tyre_front"]
    assert all(nominal[name] == value for name, value in file.items())
    less = demo(inflation_front__pressure=0.9 * 2.4e5).tyre
    for name, factor in (
        ("vertical_stiffness", 0.93),
        ("cornering_per_load", 1.02),
        ("slip_stiffness_per_load", 1.02),
        ("friction_x", 0.996),
        ("friction_y", 0.996),
        ("camber_per_load", 1.0),
    ):
        assert less[FRONT][name] == pytest.approx(factor * nominal[name], rel=1e-12), name
    assert less[REAR] == demo().tyre[REAR]


def test_a_softer_tyre_stands_lower_by_its_load_over_its_stiffness() -> None:
    sunk = []
    for pressure in (2.4e5, 1.8e5):
        vehicle = demo(inflation_front__pressure=pressure, inflation_rear__pressure=2.2e5)
        x, s, xdot = standing(vehicle, 0.0, 0.0, 0.0), scratch(), np.zeros(N_X)
        derivative(vehicle.body, vehicle.tyre, x, no_inputs(), s, xdot)
        sunk.append(float(s[0]["tyre"][FRONT, T_LOAD]) / float(vehicle.tyre[FRONT]["vertical_stiffness"]))
    assert sunk[1] / sunk[0] == pytest.approx(1.0 / (1.0 - 0.7 * 0.25), rel=1e-3)
