"""Engine, clutch, gears, chain and brakes: torques at known points, speeds, and balances of power."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from emulator.core.constants import GRAVITY
from emulator.vehicle.driveline import (
    clutch_capacity,
    engine_torque,
    fade,
    gear_ratio,
    idle_rate,
    stick_slip,
)
from emulator.vehicle.equilibrium import AIR_DENSITY, steady_motion
from emulator.vehicle.integrate import begin
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    CLUTCH_TWIST,
    DIRECT_DRIVE,
    DISC_FRONT,
    DISC_REAR,
    ENGINE,
    FRONT,
    JOINT_RATE,
    POSITION,
    REAR,
    REAR_WHEEL,
    T_LOAD,
    T_ROLL_SPEED,
    U_AIR_DENSITY,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_CLUTCH,
    U_DRIVE_TORQUE,
    U_GEAR,
    U_THROTTLE,
    VELOCITY,
    scratch,
)
from tests.support.machines import ROBOT, demo, demo_file, no_inputs, ride

G = GRAVITY
RPM = math.pi / 30.0
Array = NDArray[np.float64]


def total_mass() -> float:
    values = demo_file().values
    return ROBOT.mass + sum(entries["mass"] for entries in values.values() if "mass" in entries)


def rolling_radius(tyre: str, load: float) -> float:
    """Effective radius under a load [N], upright: what of the deflection shortens it is in the file."""
    values = demo_file().values[tyre]
    return values["radius"] - values["rolling_radius_share"] * load / values["vertical_stiffness"]


def test_full_throttle_gives_the_curve_and_lines_between_its_points() -> None:
    par = demo().body[0]
    points = demo_file().tables["engine_torque"]
    assert len(points) == 10
    for speed, torque in points[:-1]:  # the last point is where the limiter has closed
        assert engine_torque(par, speed, 1.0, 0.0) == pytest.approx(torque, rel=1e-12)
    (s0, t0), (s1, t1) = points[3], points[4]
    assert engine_torque(par, 0.25 * s0 + 0.75 * s1, 1.0, 0.0) == pytest.approx(0.25 * t0 + 0.75 * t1)
    assert engine_torque(par, 0.9 * points[0][0], 1.0, 0.0) == pytest.approx(points[0][1])


def test_closed_throttle_drags_and_half_is_half_way() -> None:
    par, engine = demo().body[0], demo_file().values["engine"]
    for rpm in (3000.0, 9000.0):
        speed = rpm * RPM
        drag = -(engine["drag_torque"] + engine["drag_torque_per_speed"] * speed)
        assert engine_torque(par, speed, 0.0, 0.0) == pytest.approx(drag, rel=1e-12)
        full = engine_torque(par, speed, 1.0, 0.0)
        assert engine_torque(par, speed, 0.5, 0.0) == pytest.approx(0.5 * (drag + full))


def test_limiter_takes_the_drive_away_and_nothing_pushes_beyond() -> None:
    par, limit = demo().body[0], demo_file().values["engine"]["limiter_speed"]
    free = engine_torque(par, 0.979 * limit, 1.0, 0.0)
    assert free > 80.0
    (s0, t0), (s1, t1) = demo_file().tables["engine_torque"][-2:]
    for part, left in ((0.985, 0.75), (0.99, 0.5), (0.995, 0.25)):
        curve = t0 + (t1 - t0) * (part * limit - s0) / (s1 - s0)
        drag = engine_torque(par, part * limit, 0.0, 0.0)
        assert engine_torque(par, part * limit, 1.0, 0.0) - drag == pytest.approx(left * (curve - drag))
    for beyond in (1.0, 1.05, 1.5):
        assert engine_torque(par, beyond * limit, 1.0, 0.0) == pytest.approx(
            engine_torque(par, beyond * limit, 0.0, 0.0)
        )


def test_stalled_engine_gives_nothing_and_rests() -> None:
    par, stall = demo().body[0], demo_file().values["engine"]["stall_speed"]
    assert engine_torque(par, 0.99 * stall, 1.0, 0.0) < 0.0
    assert engine_torque(par, 0.0, 1.0, 0.0) == 0.0
    assert engine_torque(par, -10.0, 1.0, 0.0) > 0.0


def free_engine(start: float, throttle: float, seconds: float) -> float:
    vehicle, u = demo(), no_inputs()
    u[U_THROTTLE] = throttle
    x = steady_motion(vehicle, 1e-3).x.copy()
    x[ENGINE] = start
    ride(vehicle, x, u, 1e-3, round(1000 * seconds))
    return float(x[ENGINE])


def test_idle_speed_is_found_from_above_and_below() -> None:
    idle = demo_file().values["engine"]["idle_speed"]
    assert free_engine(300.0, 0.0, 5.0) == pytest.approx(idle, rel=1e-3)
    assert free_engine(60.0, 0.0, 5.0) == pytest.approx(idle, rel=1e-3)


def test_idle_control_holds_no_more_torque_than_it_has_and_forgets_it_above_idle() -> None:
    par, engine = demo().body[0], demo_file().values["engine"]
    idle, most = engine["idle_speed"], engine["idle_torque"]
    assert idle_rate(par, 0.9 * idle, 0.5 * most) > 0.0
    assert idle_rate(par, 0.9 * idle, most) == 0.0
    assert idle_rate(par, 2.0 * idle, 0.5 * most) < 0.0
    assert idle_rate(par, 2.0 * idle, 0.0) == 0.0
    low = engine_torque(par, 0.6 * idle, 0.0, most) - engine_torque(par, 0.6 * idle, 0.0, 0.0)
    drag = engine["drag_torque"] + engine["drag_torque_per_speed"] * 0.6 * idle
    assert engine_torque(par, 0.6 * idle, 0.0, most) == pytest.approx(most - drag, abs=0.01)
    assert 0.0 <= low < most


def test_a_stalled_engine_is_started_by_the_rolling_bike() -> None:
    """Second gear at 30 km/h, clutch let in: the wheel turns the crank past its stall speed and it fires."""
    vehicle, u = demo(), no_inputs()
    x = steady_motion(vehicle, 30.0 / 3.6).x.copy()
    x[ENGINE] = 0.0
    u[U_GEAR], u[U_CLUTCH] = 2, 1.0
    ride(vehicle, x, u, 1e-3, 300)
    assert abs(x[ENGINE]) < 1.0  # clutch pulled: it stays off
    u[U_CLUTCH] = 0.0
    ride(vehicle, x, u, 1e-3, 500)
    u[U_CLUTCH] = 1.0
    ride(vehicle, x, u, 1e-3, 3000)
    assert x[ENGINE] == pytest.approx(demo_file().values["engine"]["idle_speed"], rel=0.02)


def test_brakes_fade_with_heat_and_never_turn_over() -> None:
    par, brakes = demo().body[0], demo_file().values["brakes"]
    begins, slope = brakes["fade_from"], brakes["fade_per_kelvin"]
    assert fade(par, 0.0) == fade(par, begins) == 1.0
    assert fade(par, begins + 1.0 / slope) == pytest.approx(0.5)
    assert 0.0 < fade(par, 1e6) < 1e-3


def test_a_stop_from_speed_turns_into_heat_of_the_discs() -> None:
    """Both brakes on: their heat is the energy of motion less what air and rolling take (within 3 %)."""
    vehicle, u = demo(brakes__front_cooling=0.0, brakes__rear_cooling=0.0), no_inputs()
    u[U_GEAR] = DIRECT_DRIVE
    u[U_BRAKE_FRONT], u[U_BRAKE_REAR] = 4e5, 3e5
    x = steady_motion(vehicle, 40.0).x.copy()
    values, lost = demo_file().values, 0.0
    spun = sum(values[w]["spin_inertia"] / 0.3**2 for w in ("rear_wheel", "front_wheel"))
    before = 0.5 * (total_mass() + spun) * x[VELOCITY] ** 2
    while x[VELOCITY] > 1.0:
        v = float(x[VELOCITY])
        ride(vehicle, x, u, 1e-3, 10)
        resistance = 0.016 * total_mass() * G + 0.5 * u[U_AIR_DENSITY] * values["air"]["drag_area"] * v * v
        lost += resistance * v * 0.01
    b = values["brakes"]
    heat = b["front_heat_capacity"] * x[DISC_FRONT] + b["rear_heat_capacity"] * x[DISC_REAR]
    after = 0.5 * (total_mass() + spun) * x[VELOCITY] ** 2
    assert heat == pytest.approx(before - after - lost, rel=0.03)


def test_discs_cool_with_their_time_constant() -> None:
    vehicle, u = demo(), no_inputs()
    x = steady_motion(vehicle, 20.0).x.copy()
    x[DISC_FRONT] = 500.0
    brakes = demo_file().values["brakes"]
    ride(vehicle, x, u, 1e-3, 2000)
    tau = brakes["front_heat_capacity"] / brakes["front_cooling"]
    assert x[DISC_FRONT] == pytest.approx(500.0 * math.exp(-2.0 / tau), rel=1e-6)


def test_a_hot_brake_stops_later() -> None:
    distances = []
    for temperature in (0.0, demo_file().values["brakes"]["fade_from"] + 300.0):
        vehicle, u = demo(), no_inputs()
        u[U_GEAR], u[U_BRAKE_FRONT] = DIRECT_DRIVE, 4e5
        x = steady_motion(vehicle, 30.0).x.copy()
        x[DISC_FRONT] = temperature
        start = float(x[POSITION])
        while x[VELOCITY] > 2.0:
            ride(vehicle, x, u, 1e-3, 10)
        distances.append(float(x[POSITION]) - start)
    assert distances[1] > 1.3 * distances[0]


def test_unloaded_engine_runs_into_its_limiter_and_no_further() -> None:
    limit = demo_file().values["engine"]["limiter_speed"]
    assert 0.97 * limit < free_engine(200.0, 1.0, 3.0) < limit


def test_clutch_capacity_follows_the_lever() -> None:
    par, clutch = demo().body[0], demo_file().values["clutch"]
    full, bite, capacity = clutch["full_lever"], clutch["bite_lever"], clutch["capacity"]
    for lever in (0.0, full):
        assert clutch_capacity(par, lever) == capacity
    for lever in (bite, 1.0):
        assert clutch_capacity(par, lever) == 0.0
    assert clutch_capacity(par, 0.5 * (full + bite)) == pytest.approx(0.5 * capacity)


def test_stick_slip_is_a_spring_and_damper_up_to_its_capacity() -> None:
    assert stick_slip(1000.0, 2.0, 0.03, 5.0, 100.0) == pytest.approx(40.0)
    assert stick_slip(1000.0, 2.0, 0.3, 5.0, 100.0) == 100.0
    assert stick_slip(1000.0, 2.0, -0.3, 0.0, 100.0) == -100.0
    assert stick_slip(1000.0, 2.0, 0.3, 5.0, 0.0) == 0.0


def test_gears_are_the_file_and_neutral_is_none() -> None:
    par, box = demo().body[0], demo_file().values["gearbox"]
    assert [gear_ratio(par, n) for n in range(1, 7)] == [box[f"gear_{n}"] for n in range(1, 7)]
    assert gear_ratio(par, 0) == gear_ratio(par, 7) == 0.0


def rolling(
    gear: int, speed: float, throttle: float, seconds: float
) -> tuple[Vehicle, Array, Array, np.void]:
    """The upright racer in gear, clutch home, after some seconds at a throttle."""
    vehicle, u, s = demo(), no_inputs(), scratch()
    u[U_GEAR], u[U_THROTTLE], u[U_AIR_DENSITY] = gear, throttle, AIR_DENSITY
    x = steady_motion(vehicle, speed).x.copy()
    final = demo_file().values["final_drive"]
    overall = gear_ratio(vehicle.body[0], gear) * final["rear_radius"] / final["front_radius"]
    overall *= demo_file().values["gearbox"]["primary"]
    x[ENGINE] = overall * x[JOINT_RATE + REAR_WHEEL]
    ride(vehicle, x, u, 1e-3, round(1000 * seconds))
    begin(vehicle.body, vehicle.tyre, x, u, s)
    return vehicle, x, u, s[0]


@pytest.mark.parametrize("gear", [1, 3, 6])
def test_engine_and_wheel_turn_by_the_overall_ratio(gear: int) -> None:
    """v = 2 pi r n / i (kinematics): 1000 rpm are so many km/h. Neglected: the slip of the driven tyre."""
    _vehicle, x, _u, s = rolling(gear, 15.0, 0.15, 3.0)
    box, final = demo_file().values["gearbox"], demo_file().values["final_drive"]
    overall = box["primary"] * box[f"gear_{gear}"] * final["rear_radius"] / final["front_radius"]
    assert x[ENGINE] == pytest.approx(overall * x[JOINT_RATE + REAR_WHEEL], rel=1e-3)
    radius = rolling_radius("tyre_rear", float(s["tyre"][REAR, T_LOAD]))
    per_1000_rpm = 2.0 * math.pi * radius * (1000.0 / 60.0) / overall
    assert x[VELOCITY] / (x[ENGINE] / RPM / 1000.0) == pytest.approx(per_1000_rpm, rel=0.01)


@pytest.mark.slow
def test_top_speed_is_the_balance_of_power() -> None:
    """P = rho CdA v^3 / 2 + f N v; the rest is what the rear tread slips by (wheel over road speed)."""
    vehicle, x, _u, s = rolling(6, 70.0, 1.0, 60.0)
    values = demo_file().values
    v = float(x[VELOCITY])
    power = engine_torque(vehicle.body[0], float(x[ENGINE]), 1.0, 0.0) * float(x[ENGINE])
    power *= v / float(s["tyre"][REAR, T_ROLL_SPEED])
    pressure = 0.5 * AIR_DENSITY * v * v
    load = total_mass() * G - pressure * values["air"]["lift_area"]
    assert float(s["tyre"][REAR, T_LOAD] + s["tyre"][FRONT, T_LOAD]) == pytest.approx(load, rel=1e-3)
    needed = pressure * values["air"]["drag_area"] * v + 0.016 * load * v
    assert abs(float(s["rhs"][3])) < 0.01  # no longer accelerating
    assert power == pytest.approx(needed, rel=0.01)
    # and the speed solves the balance: a hundredth of the speed is three hundredths of the power
    roots = np.roots([0.5 * AIR_DENSITY * values["air"]["drag_area"], 0.0, 0.016 * load, -power])
    assert v == pytest.approx(max(r.real for r in roots if abs(r.imag) < 1e-9), rel=0.01)


def test_engine_torque_arrives_at_the_wheel_times_the_ratio() -> None:
    """In a steady state of the driveline: chain pull times sprocket radius."""
    vehicle, x, _u, s = rolling(3, 20.0, 0.4, 1.0)
    par, final = vehicle.body[0], demo_file().values["final_drive"]
    ratio = gear_ratio(par, 3) * final["rear_radius"] / final["front_radius"]
    crank = engine_torque(par, float(x[ENGINE]), 0.4, 0.0)
    rate = float(s["k"][0, ENGINE])
    held = float(par["clutch_stiffness"]) * float(x[CLUTCH_TWIST])
    held += float(par["clutch_damping"]) * float(s["k"][0, CLUTCH_TWIST])
    assert crank - float(par["engine_inertia"]) * rate == pytest.approx(
        held / float(par["gearbox_primary"]), rel=1e-9
    )
    # All of the bike is pushed by it: the force at the wheel is the torque over the loaded radius.
    force = held * ratio / (float(s["tyre"][REAR, T_ROLL_SPEED]) / float(x[JOINT_RATE + REAR_WHEEL]))
    spun = sum(demo_file().values[w]["spin_inertia"] / 0.305**2 for w in ("rear_wheel", "front_wheel"))
    drag = 0.5 * AIR_DENSITY * float(x[VELOCITY]) ** 2 * demo_file().values["air"]["drag_area"]
    expected = (force - drag - 0.016 * total_mass() * G) / (total_mass() + spun)
    assert float(s["rhs"][3]) == pytest.approx(expected, rel=0.01)


def test_clutch_slips_at_its_capacity() -> None:
    vehicle, u, s = demo(), no_inputs(), scratch()
    clutch = demo_file().values["clutch"]
    lever = 0.5 * (clutch["full_lever"] + clutch["bite_lever"])
    u[U_GEAR], u[U_CLUTCH], u[U_THROTTLE] = 1.0, lever, 0.0
    u[U_BRAKE_REAR] = 2e7
    x = steady_motion(vehicle, 1e-3).x.copy()
    x[ENGINE] = 1000.0
    ride(vehicle, x, u, 1e-3, 50)
    begin(vehicle.body, vehicle.tyre, x, u, s)
    assert x[CLUTCH_TWIST] * clutch["stiffness"] == pytest.approx(0.5 * clutch["capacity"], rel=1e-9)
    drag = engine_torque(vehicle.body[0], float(x[ENGINE]), 0.0, 0.0)
    primary = demo_file().values["gearbox"]["primary"]
    expected = (drag - 0.5 * clutch["capacity"] / primary) / demo_file().values["engine"]["inertia"]
    assert float(s[0]["k"][0, ENGINE]) == pytest.approx(expected, rel=1e-9)


def test_stalling_against_the_brake_stops_the_engine_for_good() -> None:
    vehicle, u = demo(), no_inputs()
    u[U_GEAR], u[U_BRAKE_FRONT], u[U_BRAKE_REAR] = 2.0, 3e6, 6e6
    x = steady_motion(vehicle, 1e-3).x.copy()
    x[ENGINE] = 140.0
    ride(vehicle, x, u, 1e-3, 2000)
    assert abs(x[ENGINE]) < 1e-3
    u[U_CLUTCH], u[U_THROTTLE] = 1.0, 1.0
    ride(vehicle, x, u, 1e-3, 500)
    assert abs(x[ENGINE]) < 1e-3


@pytest.mark.parametrize("pressures", [(4e5, 0.0), (0.0, 5e5), (4e5, 3e5)])
def test_braking_distance_is_that_of_the_brake_torques(pressures: tuple[float, float]) -> None:
    """v^2 / (2 a), a from torque over radius; rolling resistance helps, wheels' inertia hinders.

    Neglected: the pitch of the bike, and that the wheels' speed is that of the road less their slip.
    """
    vehicle, u = demo(), no_inputs()
    u[U_GEAR] = DIRECT_DRIVE
    u[U_BRAKE_FRONT], u[U_BRAKE_REAR] = pressures
    x = steady_motion(vehicle, 30.0).x.copy()
    u[U_DRIVE_TORQUE] = 0.0
    values = demo_file().values
    torque = values["brakes"]["front_gain"] * pressures[0] / rolling_radius("tyre_front", 1200.0)
    torque += values["brakes"]["rear_gain"] * pressures[1] / rolling_radius("tyre_rear", 900.0)
    spun = sum(values[w]["spin_inertia"] / 0.3**2 for w in ("rear_wheel", "front_wheel"))
    a = (torque + 0.016 * total_mass() * G) / (total_mass() + spun)
    start = x[POSITION]
    while x[VELOCITY] > 1.0:
        ride(vehicle, x, u, 1e-3, 10)
    assert x[POSITION] - start == pytest.approx((900.0 - x[VELOCITY] ** 2) / (2.0 * a), rel=0.01)


def test_full_braking_on_a_slippery_road_is_mu_g() -> None:
    """Both wheels locked: the way is the integral of v / (mu(v) g), mu the grip times what sliding at v
    leaves of the tyre's friction, 0.7 + 0.3 exp(-v / 12 m/s)."""
    vehicle, u = demo(tread_front__friction_per_load=0.0, tread_rear__friction_per_load=0.0), no_inputs()
    u[7] = u[8] = 0.3
    u[U_BRAKE_FRONT] = u[U_BRAKE_REAR] = 1e7
    x = steady_motion(vehicle, 20.0).x.copy()
    ride(vehicle, x, u, 1e-3, 300)
    v, start = float(x[VELOCITY]), float(x[POSITION])
    assert abs(x[JOINT_RATE + REAR_WHEEL]) < 0.5
    ride(vehicle, x, u, 1e-3, 1000)
    mu = 0.3 * demo_file().values["tyre_front"]["friction_x"]
    speeds = np.linspace(float(x[VELOCITY]), v, 1000)
    way = np.trapezoid(speeds / (mu * G * (0.7 + 0.3 * np.exp(-speeds / 12.0))), speeds)
    assert x[POSITION] - start == pytest.approx(way, rel=0.01)
