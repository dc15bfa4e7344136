"""The whole vehicle: mirror symmetry, energy, load transfer, holding at rest, sliding, falling."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from emulator.core.axes import roll_pitch_yaw, rotation_of
from emulator.core.constants import GRAVITY
from emulator.vehicle.contact.tread import friction_left
from emulator.vehicle.contact.tyre import loop_energy
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import standing, steady_motion
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    BRAKE_TWIST_FRONT,
    BRAKE_TWIST_REAR,
    CLUTCH_TWIST,
    DEFLECTION,
    DIRECT_DRIVE,
    ENGINE,
    FORK,
    FRONT,
    JOINT,
    JOINT_RATE,
    N_X,
    OMEGA,
    P_DEPTH,
    P_LOAD,
    POSITION,
    QUATERNION,
    REAR,
    REAR_WHEEL,
    STEER,
    SWINGARM,
    T_CAP_X,
    T_CAP_Y,
    T_FX,
    T_FY,
    T_LOAD,
    T_ROLL_SPEED,
    TORSION,
    TREAD,
    U_AIR_DENSITY,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_CLUTCH,
    U_DRIVE_TORQUE,
    U_GEAR,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_ROAD_FRONT,
    U_ROAD_REAR,
    U_STEER_ACCELERATION,
    U_STEER_IMPOSED,
    U_STEER_TORQUE,
    U_SUPPORT,
    U_THROTTLE,
    U_TOW_HEADING,
    U_TOW_SPEED,
    U_WIND_X,
    U_WIND_Y,
    VELOCITY,
    scratch,
)
from tests.support.falls import kinetic_and_raised
from tests.support.machines import (
    AHEAD,
    BASE,
    MASS,
    block_on_wheels,
    demo,
    mirrored_inputs,
    mirrored_state,
    no_inputs,
    random_state,
    ride,
)

G = GRAVITY
Array = NDArray[np.float64]


def roll_of(x: Array) -> float:
    return float(roll_pitch_yaw(rotation_of(*x[QUATERNION : QUATERNION + 4]))[0])


def random_inputs(rng: np.random.Generator) -> Array:
    u = no_inputs()
    u[U_STEER_TORQUE] = rng.uniform(-40, 40)
    u[U_THROTTLE], u[U_CLUTCH] = rng.random(2)
    u[U_BRAKE_FRONT], u[U_BRAKE_REAR] = rng.uniform(0.0, 2e6, 2)
    u[U_GEAR] = rng.integers(-1, 7)
    u[U_DRIVE_TORQUE] = rng.uniform(-100, 400)
    u[U_SUPPORT], u[U_TOW_SPEED], u[U_TOW_HEADING] = rng.integers(0, 2), 5.0, rng.uniform(-3, 3)
    u[U_WIND_X], u[U_WIND_Y], u[U_AIR_DENSITY] = *rng.uniform(-8, 8, 2), 1.2
    u[U_STEER_IMPOSED], u[U_STEER_ACCELERATION] = rng.integers(0, 2), rng.uniform(-30, 30)
    for i in (U_ROAD_REAR, U_ROAD_FRONT):
        u[i : i + 3] = rng.uniform(-0.02, 0.02), *rng.uniform(-0.15, 0.15, 2)
    return u


@settings(max_examples=300)
@given(st.integers(0, 2**32 - 1))
def test_left_and_right_are_mirror_images(seed: int) -> None:
    rng = np.random.default_rng(seed)
    vehicle, s = demo(), scratch()
    x, u = random_state(rng), random_inputs(rng)
    rate, seen = np.zeros(N_X), np.zeros(N_X)
    derivative(vehicle.body, vehicle.tyre, x, u, s, rate)
    reaction = float(s[0]["reaction"])
    derivative(vehicle.body, vehicle.tyre, mirrored_state(x), mirrored_inputs(u), s, seen)
    assert np.allclose(mirrored_state(seen), rate, rtol=1e-10, atol=1e-10)
    assert -float(s[0]["reaction"]) == pytest.approx(reaction, rel=1e-10, abs=1e-10)


def test_mirror_symmetry_survives_a_second_of_riding() -> None:
    vehicle, u = demo(), no_inputs()
    u[U_GEAR], u[U_STEER_TORQUE] = DIRECT_DRIVE, 3.0
    x = steady_motion(vehicle, 20.0).x
    y = mirrored_state(x)
    ride(vehicle, x, u, 1e-3, 1000)
    ride(vehicle, y, mirrored_inputs(u), 1e-3, 1000)
    assert abs(roll_of(x)) > 0.05
    assert np.allclose(mirrored_state(y), x, rtol=1e-9, atol=1e-12)


def test_place_and_heading_do_not_matter() -> None:
    vehicle, s = demo(), scratch()
    rng = np.random.default_rng(3)
    for _ in range(20):
        x, u = random_state(rng), random_inputs(rng)
        u[U_SUPPORT] = u[U_WIND_X] = u[U_WIND_Y] = 0.0
        u[U_ROAD_REAR : U_ROAD_FRONT + 3] = 0.0
        a, b = np.zeros(N_X), np.zeros(N_X)
        derivative(vehicle.body, vehicle.tyre, x, u, s, a)
        turn = rng.uniform(-3.0, 3.0)
        c, n = math.cos(turn / 2), math.sin(turn / 2)
        w, i, j, k = x[QUATERNION : QUATERNION + 4]
        x[QUATERNION : QUATERNION + 4] = c * w - n * k, c * i - n * j, c * j + n * i, c * k + n * w
        x[POSITION : POSITION + 2] += rng.uniform(-500.0, 500.0, 2)
        derivative(vehicle.body, vehicle.tyre, x, u, s, b)
        assert np.allclose(a[JOINT:], b[JOINT:], rtol=1e-9, atol=1e-7)


def left(tyre: np.void, row: Array, x: Array, which: int) -> float:
    """Share of a tyre's friction that its load and warmth leave."""
    return friction_left(tyre, float(row[T_LOAD]), float(x[TREAD + which]))


def without_treads(vehicle: Vehicle, x: Array, u: Array) -> float:
    """All energy [J] but what treads store: moving, raised, springs, stops, brakes, clutch, engine, parts."""
    s, xdot = scratch(), np.zeros(N_X)
    derivative(vehicle.body, vehicle.tyre, x, u, s, xdot)
    par, out = vehicle.body[0], kinetic_and_raised(vehicle, x)
    for tyre, which, grip in (
        (vehicle.tyre[0], REAR, u[U_GRIP_REAR]),
        (vehicle.tyre[1], FRONT, u[U_GRIP_FRONT]),
    ):
        row = s[0]["tyre"][which]
        if row[T_LOAD] > 0.0:  # the load has its damper's part in it: the spring's from the tread's stiffness
            per_spring = float(tyre["slip_stiffness_per_load"] / tyre["relaxation_length_x"])
            friction = grip * float(tyre["friction_x"]) * left(tyre, row, x, which)
            spring = 3.0 * friction * float(row[T_LOAD]) / float(row[T_CAP_X]) / per_spring
            out += 0.5 * spring**2 / float(tyre["vertical_stiffness"])
    for i in range(int(par["parts"])):
        for part in s[0]["part"][i]:
            if part[P_LOAD] > 0.0:
                out += 0.5 * float(par["part_stiffness"][i]) * float(part[P_DEPTH]) ** 2
    for name, travel, lever in (
        ("fork", x[JOINT + FORK], 1.0),
        ("shock", x[JOINT + SWINGARM], float(par["shock_lever"])),
    ):
        t = float(travel) * lever
        out += float(par[f"{name}_design_force"]) * t + 0.5 * float(par[f"{name}_stiffness"]) * t * t
        beyond = t + float(par[f"{name}_design_travel"]) - float(par[f"{name}_travel"])
        short = t + float(par[f"{name}_design_travel"])
        stop = float(par[f"{name}_stop_stiffness"])
        out += 0.5 * stop * (max(0.0, beyond) ** 2 + min(0.0, short) ** 2)
    out += 0.5 * float(par["frame_torsion_stiffness"]) * float(x[JOINT + TORSION]) ** 2
    beyond = max(0.0, abs(float(x[JOINT + STEER])) - float(par["steering_stop_angle"]))
    out += 0.5 * float(par["steering_stop_stiffness"]) * beyond**2
    out += 0.5 * float(par["brakes_stiffness"]) * float(x[BRAKE_TWIST_FRONT] ** 2 + x[BRAKE_TWIST_REAR] ** 2)
    out += 0.5 * float(par["clutch_stiffness"]) * float(x[CLUTCH_TWIST]) ** 2
    return out + 0.5 * float(par["engine_inertia"]) * float(x[ENGINE]) ** 2


def energy(vehicle: Vehicle, x: Array, u: Array) -> float:
    """All energy [J], that of the sheared treads included: what it took to shear them straight that far.

    The brush force L (s - s^2/3 + s^3/27) with s = hypot(k z / L) takes k z^2 (1/2 - s/9 + s^2/108).
    """
    out = without_treads(vehicle, x, u)
    s, xdot = scratch(), np.zeros(N_X)
    derivative(vehicle.body, vehicle.tyre, x, u, s, xdot)
    for tyre, which, grip in (
        (vehicle.tyre[0], REAR, u[U_GRIP_REAR]),
        (vehicle.tyre[1], FRONT, u[U_GRIP_FRONT]),
    ):
        row = s[0]["tyre"][which]
        if row[T_LOAD] <= 0.0:
            continue
        friction = np.array([float(tyre["friction_x"]), float(tyre["friction_y"])])
        limits = grip * left(tyre, row, x, which) * float(row[T_LOAD]) * friction
        k = 3.0 * limits / row[[T_CAP_X, T_CAP_Y]]
        z = x[DEFLECTION + 2 * which : DEFLECTION + 2 * which + 2]
        d = min(3.0, math.hypot(*(k * z / limits)))
        out += float(k @ z**2) * (0.5 - d / 9.0 + d * d / 108.0)
    return out


def passive() -> Vehicle:
    """The demo racer without what brings energy in or hides it, so that what is left can be counted.

    Combustion and vertical damping of the tyres are out. So are what makes the tyre's shear no potential:
    tread damping, and different stiffness or friction along and across.
    """
    vehicle = demo(engine__idle_torque=0.0)
    for tyre in vehicle.tyre:
        for name in (
            "vertical_damping",
            "carcass_damping",
        ):
            tyre[name] = 0.0
        tyre["slip_stiffness_per_load"], tyre["friction_x"] = tyre["cornering_per_load"], tyre["friction_y"]
        tyre["relaxation_length_x"] = tyre["relaxation_length"]
    return vehicle


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_energy_never_grows_without_drive(seed: int) -> None:
    """Rolling, braking, sliding, shifting and falling at random: the vehicle only loses energy.

    The allowance is the step's error.
    """
    rng = np.random.default_rng(seed)
    vehicle = passive()
    x = steady_motion(vehicle, float(rng.uniform(8.0, 35.0))).x.copy()
    u = no_inputs()
    x[ENGINE] = 500.0
    x[OMEGA] += rng.normal() * 0.3
    start = energy(vehicle, x, u)
    previous, grown = start, 0.0
    for k in range(1500):
        if k % 300 == 0:
            u[U_GEAR], u[U_CLUTCH] = rng.integers(0, 7), rng.choice([0.0, 0.5, 1.0])
            u[U_BRAKE_FRONT], u[U_BRAKE_REAR] = rng.choice([0.0, 3e5, 2e6], 2)
        ride(vehicle, x, u, 1e-3, 1)
        now = energy(vehicle, x, u)
        grown += max(0.0, now - previous)
        previous = now
        if abs(roll_of(x)) > 1.1:
            break
    assert previous < start
    assert grown < 1e-4 * start


def test_chain_gives_no_more_power_than_the_driveline_puts_in() -> None:
    """A chain that pulls on a moving swingarm: what it does on the bike it takes from the gearbox."""
    vehicle, u = demo(), no_inputs()
    x = standing(vehicle, 0.0, 0.0, 0.0)
    u[U_GEAR] = 2.0
    x[VELOCITY], x[JOINT_RATE + REAR_WHEEL], x[JOINT_RATE + SWINGARM] = 20.0, 64.0, 1.0
    par = vehicle.body[0]
    torque = 100.0
    powers = []
    for twist in (torque, -torque):
        s, xdot = scratch(), np.zeros(N_X)
        x[ENGINE], x[CLUTCH_TWIST] = 0.0, 0.0
        vehicle.body[0]["clutch_damping"] = 0.0
        derivative(vehicle.body, vehicle.tyre, x, u, s, xdot)
        without = np.array(s[0]["wrench"])
        x[CLUTCH_TWIST] = twist / float(par["clutch_stiffness"])
        derivative(vehicle.body, vehicle.tyre, x, u, s, xdot)
        chain = np.array(s[0]["wrench"]) - without
        chain[0, 1] += float(par["engine_inertia"]) * float(xdot[ENGINE])  # the crankshaft's own reaction
        gained = sum(float(chain[b] @ s[0]["V"][:, b]) for b in (0, 2))
        # With the engine at rest the clutch twists at minus the speed of the gearbox input.
        given = -twist * float(xdot[CLUTCH_TWIST])
        powers.append((gained, given))
    for gained, given in powers:
        assert gained == pytest.approx(given, rel=1e-6)


@pytest.mark.parametrize("height", [0.6, 0.65])
def test_braking_and_driving_shift_load_as_statics_says(height: float) -> None:
    """Front load m g b/w - m a h/w: textbook statics, neglecting only how far the tyres sink."""
    for ask in (4.0, -4.0):
        vehicle, u = block_on_wheels(height), no_inputs()
        u[U_GEAR] = DIRECT_DRIVE
        x = steady_motion(vehicle, 25.0).x.copy()
        if ask > 0.0:
            u[U_DRIVE_TORQUE] = ask * MASS * 0.3
        else:
            u[U_BRAKE_FRONT] = -ask * MASS * 0.3 / float(vehicle.body[0]["brakes_front_gain"])
        ride(vehicle, x, u, 1e-3, 1500)
        s, xdot = scratch(), np.zeros(N_X)
        derivative(vehicle.body, vehicle.tyre, x, u, s, xdot)
        a = float(xdot[VELOCITY])
        assert a == pytest.approx(ask, rel=0.01)
        front = MASS * (G * AHEAD - a * height) / BASE
        rear = MASS * (G * (BASE - AHEAD) + a * height) / BASE
        assert float(s[0]["tyre"][FRONT, T_LOAD]) == pytest.approx(front, rel=0.01)
        assert float(s[0]["tyre"][REAR, T_LOAD]) == pytest.approx(rear, rel=0.01)


@pytest.mark.parametrize(
    ("kind", "height", "limit"),
    [
        ("wheelie", 0.64, AHEAD / 0.64),
        ("wheelie", 0.72, AHEAD / 0.72),
        ("stoppie", 0.64, (BASE - AHEAD) / 0.64),
        ("stoppie", 0.75, (BASE - AHEAD) / 0.75),
    ],
)
def test_a_wheel_lifts_at_its_limit(kind: str, height: float, limit: float) -> None:
    """a/g = b/h for the wheelie, (w - b)/h for the stoppie: textbook statics. Torque grows slowly."""
    vehicle, u, s = block_on_wheels(height), no_inputs(), scratch()
    u[U_GEAR] = DIRECT_DRIVE
    speed, light = (5.0, FRONT) if kind == "wheelie" else (60.0, REAR)
    x = steady_motion(vehicle, speed).x.copy()
    reached = math.nan
    for k in range(5000):
        torque = MASS * G * 0.3 * 1.5 * k / 5000.0
        if kind == "wheelie":
            u[U_DRIVE_TORQUE] = torque
        else:
            u[U_BRAKE_FRONT] = torque / float(vehicle.body[0]["brakes_front_gain"])
        begin(vehicle.body, vehicle.tyre, x, u, s)
        if s[0]["tyre"][light, T_LOAD] <= 0.0:
            reached = abs(float(s[0]["k"][0, VELOCITY])) / G
            break
        finish(vehicle.body, vehicle.tyre, x, u, 1e-3, s)
    assert reached == pytest.approx(limit, rel=0.01)


@pytest.mark.parametrize("push", [40.0, 400.0])
def test_a_bike_on_its_brake_holds(push: float) -> None:
    """Pushed by the wind with the front brake on, free otherwise: it winds up and then stands for 5 s."""
    vehicle, u = demo(), no_inputs()
    u[U_BRAKE_FRONT], u[U_AIR_DENSITY] = 2e6, 1.2
    # a headwind whose drag is the push
    u[U_WIND_X] = -math.sqrt(push / (0.6 * float(vehicle.body[0]["air_drag_area"])))
    x = standing(vehicle, 0.0, 0.0, 0.0)
    ride(vehicle, x, u, 1e-3, 3000)
    place = float(x[POSITION])
    ride(vehicle, x, u, 1e-3, 5000)
    assert abs(float(x[POSITION]) - place) < 1e-6
    assert np.max(np.abs(x[OMEGA : OMEGA + 12])) < 1e-6
    # it did move a little at first: disc, tread and fork wind up
    assert -0.1 < place < -1e-5


def sliding(degrees: float, seconds: float = 0.1) -> tuple[Array, Array, Array]:
    """Force (2,) and sliding velocity (2,) of the locked front wheel, along and across it; its tyre row.

    Its friction is 1 at any load; sliding at w it has 0.7 + 0.3 exp(-w / 12 m/s) of it.
    """
    friction = {
        "tyre_front__friction_x": 1.0,
        "tyre_front__friction_y": 1.0,
        "tread_front__friction_per_load": 0.0,
    }
    vehicle, u, s = demo(**friction, tread_front__temperature_width=1e4), no_inputs(), scratch()
    a = math.radians(degrees)
    x = standing(vehicle, 0.0, 0.0, 0.0)
    x[VELOCITY], x[VELOCITY + 1] = 12.0 * math.cos(a), 12.0 * math.sin(a)
    u[U_SUPPORT], u[U_TOW_SPEED], u[U_BRAKE_FRONT], u[U_BRAKE_REAR] = 1.0, x[VELOCITY], 1e8, 1e8
    u[U_STEER_IMPOSED] = 1.0
    ride(vehicle, x, u, 1e-3, round(1000 * seconds))
    begin(vehicle.body, vehicle.tyre, x, u, s)
    row = np.array(s[0]["tyre"][FRONT])
    # velocity of the tread on the road; body axes will do, the support keeps the bike upright
    w, v = np.array(s[0]["V"][:3, 6]), np.array(s[0]["V"][3:, 6])
    centre = np.array(s[0]["centre"][FRONT])
    below = centre - np.array([0.0, 0.0, float(vehicle.tyre[1]["radius"])])
    velocity = v + np.cross(w, below)
    force = np.array([row[T_FX], row[T_FY]])
    return force, velocity[:2], row


@pytest.mark.parametrize("degrees", [0.0, 10.0, 45.0, 80.0])
def test_a_locked_wheel_slides_with_all_the_friction_that_sliding_leaves(degrees: float) -> None:
    force, velocity, row = sliding(degrees)
    assert row[T_LOAD] > 100.0
    friction = 0.7 + 0.3 * math.exp(-float(np.hypot(*velocity)) / 12.0)
    assert float(np.hypot(*force)) == pytest.approx(friction * float(row[T_LOAD]), rel=2e-3)


@pytest.mark.parametrize("degrees", [5.0, 10.0, 45.0, 80.0])
def test_a_locked_wheel_is_pulled_against_its_sliding(degrees: float) -> None:
    """Coulomb: with equal friction along and across, the force of a sliding wheel opposes its velocity."""
    force, velocity, _row = sliding(degrees)
    apart = math.atan2(force[1], force[0]) - math.atan2(-velocity[1], -velocity[0])
    assert math.degrees(math.remainder(apart, 2.0 * math.pi)) == pytest.approx(0.0, abs=2.0)


def test_uncontrolled_from_walking_pace_it_falls() -> None:
    vehicle, u = demo(), no_inputs()
    x = steady_motion(vehicle, 15.0 / 3.6).x.copy()
    x[OMEGA] = 0.02
    ride(vehicle, x, u, 1e-3, 6000)
    assert abs(roll_of(x)) > float(vehicle.body[0]["fall_roll_limit"])


def test_support_keeps_it_up_and_tows_it() -> None:
    vehicle, u = demo(), no_inputs()
    u[U_SUPPORT], u[U_TOW_SPEED], u[U_TOW_HEADING] = 1.0, 6.0, 0.7
    x = standing(vehicle, 0.0, 0.0, 0.7)
    x[OMEGA] = 0.2
    ride(vehicle, x, u, 1e-3, 4000)
    assert abs(roll_of(x)) < 1e-3
    assert x[VELOCITY] == pytest.approx(6.0, abs=0.1)
    assert math.atan2(x[POSITION + 1], x[POSITION]) == pytest.approx(0.7, abs=0.02)


def test_a_side_wind_pushes_downwind_and_rolls_it_that_way() -> None:
    vehicle, u, s = demo(), no_inputs(), scratch()
    u[U_AIR_DENSITY], u[U_WIND_Y] = 1.2, 10.0
    x, a, b = standing(vehicle, 0.0, 0.0, 0.0), np.zeros(N_X), np.zeros(N_X)
    derivative(vehicle.body, vehicle.tyre, x, u, s, a)
    wrench = np.array(s[0]["wrench"][0])
    u[U_WIND_Y] = 0.0
    derivative(vehicle.body, vehicle.tyre, x, u, s, b)
    wrench -= np.array(s[0]["wrench"][0])
    force = 0.5 * 1.2 * 100.0 * float(vehicle.body[0]["air_side_area"])
    assert wrench[4] == pytest.approx(force, rel=1e-9)
    assert wrench[0] == pytest.approx(-force * float(vehicle.body[0]["air_centre_z"]), rel=1e-2)
    assert wrench[2] == pytest.approx(force * float(vehicle.body[0]["air_centre_x"]), rel=1e-2)


def held_upright(x: Array) -> Array:
    u = no_inputs()
    u[U_SUPPORT], u[U_GEAR] = 1.0, DIRECT_DRIVE
    return u


def test_a_wheel_spinning_at_rest_pulls_steadily() -> None:
    """Front brake on, rear wheel on ice and driven: the tread slides at its friction and nothing shakes."""
    vehicle, s = demo(), scratch()
    x = standing(vehicle, 0.0, 0.0, 0.0)
    u = held_upright(x)
    u[U_BRAKE_FRONT], u[U_GRIP_REAR] = 5e6, 0.3
    pull, load, place, friction = [], [], [], []
    for k in range(1500):
        u[U_DRIVE_TORQUE] = min(200.0, 2.0 * k)
        begin(vehicle.body, vehicle.tyre, x, u, s)
        row = s[0]["tyre"][REAR]
        pull.append(float(row[T_FX]))
        load.append(float(row[T_LOAD]))
        place.append(float(x[POSITION]))
        sticking = 0.3 * float(vehicle.tyre[0]["friction_x"]) * left(vehicle.tyre[0], row, x, REAR)
        friction.append(sticking * (0.7 + 0.3 * math.exp(-float(row[T_ROLL_SPEED]) / 12.0)))
        finish(vehicle.body, vehicle.tyre, x, u, 1e-3, s)
    assert x[JOINT_RATE + REAR_WHEEL] > 50.0
    ratio = np.array(pull[1000:]) / np.array(load[1000:])
    assert np.allclose(ratio, friction[1000:], rtol=1e-4)
    assert np.ptp(place[1000:]) < 2e-3
    assert np.abs(np.diff(load[1000:])).max() < 1.0  # [N] from one tick to the next


def test_rolling_off_and_stopping_have_no_jump() -> None:
    """From standstill to walking pace and back, drive and brake rising slowly: no tick moves the acceleration
    by more than the springs of tyre and brake do."""
    vehicle, s = demo(), scratch()
    x = standing(vehicle, 0.0, 0.0, 0.0)
    u = held_upright(x)
    u[U_SUPPORT] = 0.0
    felt = []
    for k in range(4000):
        u[U_DRIVE_TORQUE] = 80.0 * max(0.0, min(1.0, k / 200.0, (1000.0 - k) / 200.0))
        u[U_BRAKE_FRONT] = max(0.0, 2e5 * min(1.0, (k - 1200) / 200.0))
        begin(vehicle.body, vehicle.tyre, x, u, s)
        felt.append(float(s[0]["rhs"][3]))
        finish(vehicle.body, vehicle.tyre, x, u, 1e-3, s)
    assert np.abs(np.diff(felt)).max() < 0.1
    assert abs(x[VELOCITY]) < 1e-3
    assert np.ptp(felt[-200:]) < 0.02  # at rest it rests


@pytest.mark.parametrize("torque", [200.0, 250.0])
def test_two_hundred_newton_metres_at_the_steering_are_no_trouble(torque: float) -> None:
    """Against the stop at standstill, and as a kick at speed: the stop gives by torque over stiffness."""
    vehicle = demo()
    par = vehicle.body[0]
    x = standing(vehicle, 0.0, 0.0, 0.0)
    u = held_upright(x)
    u[U_GRIP_FRONT] = 0.05  # little for the tyre to hold against
    u[U_STEER_TORQUE] = torque
    ride(vehicle, x, u, 1e-3, 3000)
    beyond = float(x[JOINT + STEER]) - float(par["steering_stop_angle"])
    # the fork's weight falls into the stop, too
    assert torque < beyond * float(par["steering_stop_stiffness"]) < 1.15 * torque
    assert np.abs(x[JOINT_RATE : JOINT_RATE + 6]).max() < 1e-2
    x, u = steady_motion(vehicle, 30.0).x.copy(), no_inputs()
    u[U_GEAR], u[U_STEER_TORQUE] = DIRECT_DRIVE, torque
    ride(vehicle, x, u, 1e-3, 30)
    u[U_STEER_TORQUE] = 0.0
    ride(vehicle, x, u, 1e-3, 500)
    assert np.isfinite(x).all()
    assert abs(x[JOINT + STEER]) < float(par["steering_stop_angle"])


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_the_whole_racer_never_gets_energy_back_from_the_road(seed: int) -> None:
    """Nothing taken out but combustion: in seconds of braking, shifting, sliding, lifting and falling the
    energy never climbs above an earlier value by more than a tenth of what a tread gives once round its worst
    loop."""
    rng = np.random.default_rng(100 + seed)
    vehicle = demo(engine__idle_torque=0.0)
    x = steady_motion(vehicle, float(rng.uniform(8.0, 45.0)), float(rng.uniform(-0.7, 0.7))).x.copy()
    u = no_inputs()
    x[ENGINE] = 500.0
    least = start = energy(vehicle, x, u)
    climbed = 0.0
    for k in range(2500):
        if k % 250 == 0:
            u[U_GEAR], u[U_CLUTCH] = rng.integers(0, 7), rng.choice([0.0, 0.5, 1.0])
            u[U_BRAKE_FRONT], u[U_BRAKE_REAR] = rng.choice([0.0, 2e5, 6e5, 2e6], 2)
        ride(vehicle, x, u, 1e-3, 1)
        now = energy(vehicle, x, u)
        least, climbed = min(least, now), max(climbed, now - least)
        if abs(roll_of(x)) > 1.1:
            break
    assert least < start
    loop = max(float(loop_energy(tyre, 1100.0, 1.0)) for tyre in vehicle.tyre)
    assert climbed < 0.1 * loop  # [J] of some 10^4 to 10^5
