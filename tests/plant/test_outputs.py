"""What the sensors show against the truth: at rest, in motion, with the noise the rig asks for."""

import math

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.spatial.transform import Rotation

from emulator.assembly.plant import build_plant
from emulator.assembly.sensor_records import analogue_at_rest
from emulator.config.rig.inertial_unit import EngineOrder, RoadBand, Vibration
from emulator.config.rig.outputs import Output
from emulator.config.rig.sensors import AnalogueSensor, ComputedLean, Imu, ToneRing
from emulator.core.axes import quaternion_of, rotation_of
from emulator.core.constants import GRAVITY
from emulator.core.signals import ANALOGUE, ANALOGUE_OF, ARMED, RUNNING, SIGNALS
from emulator.events.actuator_faults import CLUTCH, FRONT_BRAKE, REAR_BRAKE, THROTTLE, actuators
from emulator.plant.outputs import (
    A_SHOCK,
    N_SENSES,
    S_ANALOGUE,
    S_ANTENNA,
    S_ANTENNA_VELOCITY,
    S_ENGINE,
    S_FORCE,
    S_GEAR,
    S_LEAN,
    S_RATE,
    S_STEER,
    S_WHEEL_FRONT,
    STREAM_NAMES,
    feel_motion,
    sense,
    sense_analogue,
    sense_lean,
    to_rest,
)
from emulator.plant.records import RIG_DTYPE, RUN_DTYPE
from emulator.plant.row import fill_truth
from emulator.sensors.imu import matched_low_pass
from emulator.shared_memory.status import Command
from emulator.vehicle.integrate import begin
from emulator.vehicle.state import (
    CLUTCH_TWIST,
    DIRECT_DRIVE,
    ENGINE,
    FORK,
    FRONT_WHEEL,
    JOINT,
    JOINT_RATE,
    N_U,
    OMEGA,
    POSITION,
    QUATERNION,
    SWINGARM,
    U_CLUTCH,
    U_DRIVE_TORQUE,
    U_GEAR,
    U_THROTTLE,
    VELOCITY,
    scratch,
)
from tests.support.scripted_robot import HELD_CLUTCH, Ride, variant

G = GRAVITY
A_FORK = ANALOGUE.index("fork_travel_m")
SILENT = {
    "imu": {name: field.default for name, field in Imu.model_fields.items() if not field.is_required()},
    "lean": {"noise_rad": 0.0, "computed": None},
    "wheel_speed": {"noise_m_s": 0.0, "lowest_speed_m_s": 0.4, "tone_ring": None},
    "steering_angle": {"noise_rad": 0.0},
    "gnss": {"accuracy": None, "course_noise_rad": 0.0, "jitter_ms": 0.0},
}
"""Sensors without noise and bias; wheel speed is the plain spin times radius."""


@pytest.fixture(scope="module")
def silent(session):
    return variant(session, sensors=SILENT)


# --- at rest ------------------------------------------------------------------------------------------


def white_sigmas(imu):
    """One sigma of a sample's white noise, rates and force: through the low-pass, if there is one."""

    def of(density, corner, damping):
        if corner is None:
            return density * math.sqrt(500.0)
        b, a = matched_low_pass(corner, damping, 1e-3)
        response = lfilter(b, a, np.r_[1.0, np.zeros(999)])
        return density * math.sqrt(1000.0 * np.sum(response**2))

    return (
        of(imu.rate_noise_density_rad_s_sqrtHz, imu.rate_corner_hz, imu.rate_damping),
        of(imu.force_noise_density_m_s2_sqrtHz, imu.force_corner_hz, imu.force_damping),
    )


def errors_at_rest(ride):
    """What rates and force show of the unit's constant errors on a bike at rest, without noise."""
    u, g = ride.plant.imu[0], np.array((0.0, 0.0, G))
    felt = u["mount"].reshape(3, 3) @ g
    warm = float(u["warm"])
    rates = u["bias"][0] + warm * u["bias_per_kelvin"][0] + u["force_felt"][0] * felt
    force = u["bias"][1] + warm * (u["bias_per_kelvin"][1] + u["scale_per_kelvin"][1] * felt)
    return rates, force + u["matrix"][1] @ felt - g


def assert_at_rest(ride, since):
    """Every frame sent since that tick of ``ride.count`` is that of a bike at rest."""

    def of(frame):
        sent = (ride.count - since) * ride.session.rig.outputs[frame].rate_hz / 1000.0
        return ride.sent(frame)[1][-max(1, int(sent) - 1) :]

    imu = ride.session.rig.sensors.imu
    rate_error, force_error = errors_at_rest(ride)
    sigma_rate, sigma_force = white_sigmas(imu)
    rates, force = of("imu_rates"), of("imu_force")
    assert np.abs(rates - rate_error).max() < 6 * sigma_rate + 0.00025 + 0.0003125
    # on its wheels the bike may stand nose up or down by a little: a share of g shows in x; the engine idles
    # and shakes the unit by 6.5 m/s^2 x (idle speed / 1200 rad/s)^2 at most
    idle = 6.5 * (float(ride.plant.body[0]["engine_idle_speed"]) / 1200.0) ** 2
    idle = 0.0 if imu.vibration == Vibration() else idle
    assert np.abs(force - force_error - (0.0, 0.0, G)).max() < 6 * sigma_force + 0.003 + 0.005 + 0.02 + idle
    assert np.abs(of("wheel_speed")).max() == 0.0
    # turned by 0.003 rad, 0.001 rad/s of bias over 3 s, 0.03 m/s^2 of side force; then noise
    assert np.abs(of("lean")).max() < 0.003 + 0.003 + 0.003 + 6 * 0.0006 + 1e-4
    assert np.abs(of("steering_angle")[:, 0]).max() < 6 * 0.0003 + 5e-5
    assert np.abs(of("steering_angle")[:, 1]).max() == 0.0


@pytest.mark.parametrize("gear", [0, 1])
def test_before_the_ride_the_signals_are_those_of_a_bike_at_rest(session, gear):
    start = session.scenario.start.model_copy(update={"gear": gear})
    ride = Ride(variant(session, scenario={"start": start}))
    ride.every = 0  # nobody holds the clutch
    ride.step(500)
    assert_at_rest(ride, 50)


def test_whatever_the_robot_does_before_the_ride_the_bike_stands_still(session):
    ride = Ride(session)
    ride.commands = {
        "steering": {"steering_torque_Nm": 60.0},
        "drive": {"throttle": 0.7, "clutch": 0.0, "front_brake_Pa": 1e6, "rear_brake_Pa": 0.0},
        "gear": {"gear_request": 3.0},
    }
    ride.step()
    ride.arm()
    ride.step(600)
    assert ride.states[-1] == ARMED
    x = ride.plant.x.copy()
    ride.step(50)
    assert np.array_equal(ride.plant.x, x)
    assert_at_rest(ride, 50)


@pytest.mark.parametrize("command", [Command.STOP, Command.TRIP])
def test_after_the_ride_the_signals_come_to_rest_without_a_jump(silent, command):
    ride = Ride(silent).start(2500)
    moving = ride["output.wheel_front_m_s"]
    assert moving > 3.0
    ride.bench.command(command, 6.0)
    end = ride.count
    ride.keep_rows = True
    while not ride.bench.finished:
        ride.step()
        assert ride.count < end + 1600
    ride.step(200)
    assert_at_rest(ride, ride.count - 180)
    wheel = ride.value("wheel_speed", "wheel_front_m_s")[1][-170:]
    steps = np.diff(wheel)
    assert steps.max() <= 0.005  # slows down all the way (quantum of the frame)
    # 10 ms of the steepest slope of the ramp, and the sensor's cut-off at walking pace
    assert steps.min() >= -(moving * 1.5 / 1500 * 10 + 0.005 + 0.4)
    assert ride["output.gear"] == 1.0
    x, y = ride.session.line.x[0], ride.session.line.y[0]
    assert math.hypot(ride["output.gnss_x_m"] - x, ride["output.gnss_y_m"] - y) > 4.0  # where it stopped
    assert ride["output.gnss_speed_m_s"] == 0.0


def test_the_inertial_unit_is_at_rest_with_the_others_however_slow_its_low_pass(session):
    slow = {"rate_corner_hz": 5.0, "force_corner_hz": 5.0}
    limits = session.rig.limits.model_copy(update={"ramp_to_rest_s": 0.05})
    ride = Ride(variant(session, rig={"limits": limits}, sensors={"imu": slow})).start(2500)
    last = {}

    def note(r):
        for frame in ("imu_rates", "imu_force"):
            last[frame] = r.sent(frame)[1][-1]

    assert ride.sent("imu_force")[1][-1, 0] > 1.0  # it is towed
    ride.bench.command(Command.STOP, 0.0)
    while not ride.bench.finished:
        ride.step()
    ride.step(3, note)  # the sample of the last tick of the ramp is 2 ms old when it is sent
    rate_error, force_error = errors_at_rest(ride)
    sigma_rate, sigma_force = white_sigmas(ride.session.rig.sensors.imu)
    assert np.abs(last["imu_rates"] - rate_error).max() < 6 * sigma_rate + 0.00025 + 0.0003125
    assert np.abs(last["imu_force"] - force_error - (0.0, 0.0, G)).max() < 6 * sigma_force + 0.008


def test_to_rest_is_held_at_first_and_a_bike_at_rest_at_last():
    held = np.arange(1.0, N_SENSES + 1)
    senses, rig = np.zeros(N_SENSES), np.zeros(1, RIG_DTYPE)
    rig[0]["analogue_at_rest"][A_FORK], rig[0]["analogue_at_rest"][A_SHOCK] = 0.04, 0.02
    to_rest(rig[0], senses, held, 0.0, G)
    assert np.array_equal(senses, held)
    to_rest(rig[0], senses, held, 1.0, G)
    rest = np.zeros(N_SENSES)
    rest[S_FORCE + 2] = G
    rest[S_GEAR] = held[S_GEAR]
    rest[S_ANTENNA : S_ANTENNA + 3] = held[S_ANTENNA : S_ANTENNA + 3]
    rest[S_ANALOGUE + A_FORK], rest[S_ANALOGUE + A_SHOCK] = 0.04, 0.02
    assert np.array_equal(senses, rest)
    to_rest(rig[0], senses, held, 0.25, G)
    assert senses[S_ENGINE] == 0.75 * held[S_ENGINE]
    assert senses[S_FORCE + 2] == 0.75 * held[S_FORCE + 2] + 0.25 * G


# --- truth to senses ----------------------------------------------------------------------------------


def sensed(
    plant,
    x,
    *,
    still=True,
    times=1,
    lean_gain=1.0,
    imu=(0.6, 0.0, 0.7),
    antenna=(0.15, 0.0, 1.05),
    lean=None,
    ahead=0.0,
):
    """Senses of a state; ``still``: no accelerations of the body components, but ``ahead`` along x.

    lean  values of the rig's record for a computed lean; None: the true roll
    """
    rig, run, work, senses = np.zeros(1, RIG_DTYPE), np.zeros(1, RUN_DTYPE), scratch(), np.zeros(N_SENSES)
    rig[0]["imu_position"], rig[0]["antenna_position"], rig[0]["lean_gain"] = imu, antenna, lean_gain
    u = np.zeros(N_U)
    begin(plant.body, plant.tyre, x, u, work)
    for key, value in (lean or {}).items():
        rig[0][f"lean_{key}"] = value
    streams = np.zeros(len(STREAM_NAMES), np.uint64)
    if still:
        work[0]["rhs"][:6] = 0.0
        work[0]["rhs"][3] = ahead
    leans = []
    for _ in range(times):
        sense(rig[0], run[0], x, u, G, work[0], senses)
        sense_lean(rig[0], run[0], x, G, work[0], streams, 1e-3, senses)
        leans.append(float(senses[S_LEAN]))
    return senses, np.array(leans), work[0]


def rolled(plant, roll, heading=0.0):
    x = plant.x.copy()
    cr, sr, ch, sh = math.cos(roll / 2), math.sin(roll / 2), math.cos(heading / 2), math.sin(heading / 2)
    x[QUATERNION : QUATERNION + 4] = cr * ch, sr * ch, sr * sh, cr * sh
    return x


@pytest.mark.parametrize("roll", [-0.9, 0.0, 0.4])
def test_a_bike_held_at_an_angle_feels_gravity_and_shows_its_lean(ride, roll):
    senses, _, _ = sensed(ride.plant, rolled(ride.plant, roll))
    # roll to the right turns z to the right: gravity pulls to the right, felt as a force to the left
    np.testing.assert_allclose(
        senses[S_FORCE : S_FORCE + 3], [0.0, G * math.sin(roll), G * math.cos(roll)], atol=1e-12
    )
    assert senses[S_LEAN] == pytest.approx(roll, abs=1e-12)
    assert not senses[S_RATE : S_RATE + 3].any()


def test_a_flat_circle_is_felt_as_centripetal_force(ride):
    x = rolled(ride.plant, 0.0)
    v, r = 20.0, 0.5
    x[VELOCITY : VELOCITY + 3] = v, 0.0, 0.0
    x[OMEGA : OMEGA + 3] = 0.0, 0.0, r
    senses, _, _ = sensed(ride.plant, x, imu=(0.6, 0.2, 0.7))
    # v r towards the centre (left) at the origin; r^2 times the lever towards it
    np.testing.assert_allclose(
        senses[S_FORCE : S_FORCE + 3], [-r * r * 0.6, v * r - r * r * 0.2, G], rtol=1e-12, atol=1e-12
    )
    np.testing.assert_allclose(senses[S_RATE : S_RATE + 3], [0.0, 0.0, r])


def test_the_antenna_is_where_the_frame_carries_it_and_moves_with_it(ride):
    heading, roll = 2.0, 0.5
    x = rolled(ride.plant, roll, heading)
    x[POSITION : POSITION + 3] = 100.0, -50.0, 0.3
    x[VELOCITY : VELOCITY + 3] = 10.0, 0.5, 0.0
    x[OMEGA : OMEGA + 3] = 0.7, 0.1, -0.2
    a = np.array([0.15, 0.02, 1.05])
    senses, _, _ = sensed(ride.plant, x, antenna=tuple(a))
    ch, sh, cr, sr = math.cos(heading), math.sin(heading), math.cos(roll), math.sin(roll)
    R = np.array([[ch, -sh, 0], [sh, ch, 0], [0, 0, 1]]) @ np.array([[1, 0, 0], [0, cr, -sr], [0, sr, cr]])
    np.testing.assert_allclose(senses[S_ANTENNA : S_ANTENNA + 3], x[:3] + R @ a, rtol=1e-12)
    velocity = R @ (x[VELOCITY : VELOCITY + 3] + np.cross(x[OMEGA : OMEGA + 3], a))
    np.testing.assert_allclose(senses[S_ANTENNA_VELOCITY : S_ANTENNA_VELOCITY + 3], velocity, rtol=1e-12)


def test_the_lean_sensor_is_a_first_order_instrument(ride):
    gain = 1.0 - math.exp(-1.0 / 20.0)  # 20 ms, ticks of 1 ms
    _, leans, _ = sensed(ride.plant, rolled(ride.plant, 0.6), times=200, lean_gain=gain)
    np.testing.assert_allclose(leans, 0.6 * (1.0 - np.exp(-np.arange(1, 201) / 20.0)), rtol=1e-12)


@pytest.mark.parametrize(("v", "radius"), [(5.0, 10.0), (20.0, 60.0), (40.0, 200.0)])
def test_a_steady_turn_reads_as_computed_by_hand_whatever_the_lever_and_the_attitude(
    ride, session, v, radius
):
    """Truth to sample. Leaned to the right by atan(v^2 / g R) as a handbook's point mass, turning right."""
    angles, lever = (4.0, -3.0, 25.0), (0.4, -0.1, 0.8)
    imu = {**SILENT["imu"], "attitude_deg": angles}
    unit = build_plant(variant(session, sensors={"imu": imu})).imu
    lean, turning = math.atan(v * v / (G * radius)), -v / radius
    x = rolled(ride.plant, lean)
    x[VELOCITY : VELOCITY + 3] = v, 0.0, 0.0
    x[OMEGA : OMEGA + 3] = 0.0, turning * math.sin(lean), turning * math.cos(lean)
    senses, _, _ = sensed(ride.plant, x, imu=lever)
    feel_motion(unit, senses, ride.plant.streams.copy(), False)
    # in the level frame: towards the centre v^2 / R, less what the lever is nearer to it; up g
    inwards = turning * turning * (radius + math.cos(lean) * lever[1] - math.sin(lean) * lever[2])
    back = -turning * turning * lever[0]
    level = np.array((back, -inwards, G))
    c, s = math.cos(lean), math.sin(lean)
    force = np.array((level[0], c * level[1] + s * level[2], -s * level[1] + c * level[2]))
    turn = Rotation.from_euler("ZYX", angles[::-1], degrees=True).inv()
    np.testing.assert_allclose(unit[0]["value"][0], turn.apply((0.0, turning * s, turning * c)), rtol=1e-6)
    np.testing.assert_allclose(unit[0]["value"][1], turn.apply(force), rtol=1e-6)


def test_engine_and_front_wheel_shake_the_inertial_unit(session):
    road = RoadBand(amplitude_m_s2_per_m_s=(0.0, 0.0, 0.1), centre_hz=50.0, damping=0.1)
    orders = (EngineOrder(order=1.0, amplitude_m_s2=(1.0, 0.0, 0.0), at_rad_s=1000.0),)
    imu = {**SILENT["imu"], "vibration": Vibration(engine_orders=orders, road=road)}
    changed = variant(session, sensors={"imu": imu})
    plant, senses = build_plant(changed), np.zeros(N_SENSES)
    senses[S_ENGINE], senses[S_WHEEL_FRONT] = 500.0, 40.0
    senses[S_RATE : S_RATE + 3], senses[S_FORCE : S_FORCE + 3] = (1.0, 2.0, 3.0), (4.0, 5.0, 6.0)
    feel_motion(plant.imu, senses, plant.streams, False)
    u = plant.imu[0]
    assert u["value"][0].tolist() == [1.0, 2.0, 3.0]
    assert u["value"][1, 0] == pytest.approx(4.0 + 0.25 * math.cos(0.5))  # half the speed, 0.5 rad on
    speed = 40.0 * float(plant.tyre[1]["radius"])
    assert u["value"][1, 2] == pytest.approx(6.0 + 0.1 * speed * float(u["shaking"][2, 1]))
    assert u["shaking"][2, 1] != 0.0


COMPUTED = {"computed": 1, "axes": (1, 0, 0, 0, 1, 0, 0, 0, 1), "pull": 1e-3, "radius": 0.3, "crown": 0.06}


def mounted(roll, pitch, yaw):
    """A computed lean whose sensor is turned so, at the frame's origin."""
    q = np.zeros(4)
    quaternion_of(roll, pitch, yaw, q)
    return {**COMPUTED, "axes": rotation_of(*q)}


@pytest.mark.parametrize("roll", [-0.9, 0.0, 0.4])
def test_a_computed_lean_at_rest_is_the_roll_and_how_it_is_mounted(ride, roll):
    x = rolled(ride.plant, roll)
    _, leans, _ = sensed(ride.plant, x, times=50, lean={**COMPUTED, "position": (0.5, 0.1, 0.6)})
    np.testing.assert_allclose(leans, roll, atol=1e-12)
    _, leans, _ = sensed(ride.plant, x, times=50, lean=mounted(0.03, 0.0, 0.0))
    np.testing.assert_allclose(leans, roll + 0.03, atol=1e-12)


def test_a_computed_lean_is_right_straight_ahead_at_any_speed_and_acceleration(ride):
    x = rolled(ride.plant, 0.0)
    x[VELOCITY], x[JOINT_RATE + FRONT_WHEEL] = 40.0, 120.0  # the wheel slips: 36 m/s
    _, leans, _ = sensed(ride.plant, x, times=50, lean={**COMPUTED, "position": (0.5, 0.0, 0.6)}, ahead=-9.0)
    np.testing.assert_allclose(leans, 0.0, atol=1e-12)


@pytest.mark.parametrize("ahead", [-9.0, 6.0])
def test_mounted_askew_a_computed_lean_takes_acceleration_for_lean(ride, ahead):
    """Turned about z by y, its own y axis sees -a sin(y) of an acceleration a: -atan(a sin(y) / g)."""
    _, leans, _ = sensed(
        ride.plant, rolled(ride.plant, 0.0), times=2, lean=mounted(0.0, 0.0, 0.05), ahead=ahead
    )
    np.testing.assert_allclose(leans, -math.atan(ahead * math.sin(0.05) / G), rtol=1e-12)


@pytest.mark.parametrize("height", [0.0, 0.7])
@pytest.mark.parametrize("crown", [0.0, 0.06])
def test_in_a_steady_turn_a_computed_lean_errs_by_what_its_speed_is_wrong(ride, crown, height):
    """A right turn at 0.8 rad of roll; where it sits it goes slower by height * turn rate * sin."""
    roll, v, turn = 0.8, 20.0, -0.5
    x = rolled(ride.plant, roll)
    x[VELOCITY] = v
    x[OMEGA : OMEGA + 3] = 0.0, turn * math.sin(roll), turn * math.cos(roll)
    x[JOINT_RATE + FRONT_WHEEL] = v / (0.3 - 0.06 * (1.0 - math.cos(roll)))  # the tyre's own crown is 0.06
    told = {**COMPUTED, "crown": crown, "position": (0.0, 0.0, height), "pull": 1.0 - math.exp(-1.0 / 50.0)}
    _, leans, _ = sensed(ride.plant, x, times=1500, lean=told)
    there = v + turn * height * math.sin(roll)
    believed = x[JOINT_RATE + FRONT_WHEEL] * (0.3 - crown * (1.0 - math.cos(leans[-1])))
    assert leans[-1] - roll == pytest.approx(-math.atan((believed - there) * turn / G), abs=1e-9)
    if crown == 0.06 and height == 0.0:
        assert leans[-1] == pytest.approx(roll, abs=1e-9)
    else:
        assert leans[-1] > roll + 0.01


def test_analogue_senses_are_what_they_are_named_after(ride):
    """Strokes from full extension, levers and pressures before the bike's units, torque; no lag, no delay."""
    plant = ride.plant
    x, u, work = plant.x.copy(), np.zeros(N_U), scratch()
    u[U_THROTTLE], u[U_CLUTCH] = 0.1, 0.9  # what units make of it
    delivering = actuators()
    delivering["delivered"][[THROTTLE, CLUTCH, FRONT_BRAKE, REAR_BRAKE]] = 0.4, 0.3, 7e5, 2e5
    x[JOINT + FORK], x[JOINT + SWINGARM] = 0.02, 0.05
    begin(plant.body, plant.tyre, x, u, work)
    work[0]["chain_torque"] = 123.0
    rig, run, senses = np.zeros(1, RIG_DTYPE), np.zeros(1, RUN_DTYPE), np.zeros(N_SENSES)
    rig[0]["analogue"][:, 1] = 1.0
    run[0]["analogue"] = np.nan
    row = np.full(len(SIGNALS), np.nan)
    fill_truth(row, run[0], plant.body[0], x, u, delivering, work[0])
    sense_analogue(rig[0], run[0], plant.body[0], x, work[0], row, senses)
    # the demo racer: 35 mm of fork travel at its design position, 18 mm and 0.27 m a radian at the shock
    expected = [0.4, 0.3, 7e5, 2e5, 0.055, 0.018 + 0.27 * 0.05, 123.0]
    np.testing.assert_allclose(senses[S_ANALOGUE:], expected, rtol=1e-12)


def test_every_analogue_sensor_shows_something_of_a_bike_at_rest(session, ride):
    """What no branch measures and no recorded truth stands for would be nothing."""
    shown = analogue_at_rest(session.vehicle, ride.plant.x)
    assert len(shown) == len(ANALOGUE)
    assert np.isfinite(shown).all()
    recorded = [SIGNALS[column].name for column in ANALOGUE_OF if column >= 0]
    assert all(name.startswith(("truth.", "actuator.")) for name in recorded)


@pytest.mark.parametrize("twist", [-0.001, 0.0005])
def test_the_chains_torque_is_the_clutchs_times_the_gearing(ride, twist):
    plant = ride.plant
    x, u, work, b = plant.x.copy(), np.zeros(N_U), scratch(), plant.body[0]
    x[ENGINE], x[CLUTCH_TWIST], u[U_GEAR] = 0.0, twist, 2.0
    begin(plant.body, plant.tyre, x, u, work)
    held = b["clutch_stiffness"] * twist
    assert abs(held) < b["clutch_capacity"]
    ratio = b["gearbox_gear_2"] * b["final_drive_rear_radius"] / b["final_drive_front_radius"]
    assert work[0]["chain_torque"] == pytest.approx(held * ratio, rel=1e-9)
    u[U_GEAR], u[U_DRIVE_TORQUE] = DIRECT_DRIVE, -55.0
    begin(plant.body, plant.tyre, x, u, work)
    assert work[0]["chain_torque"] == -55.0


def test_accelerations_are_felt(ride):
    """In the air, not turning: the acceleration of the IMU's own point, and g upwards."""
    x = rolled(ride.plant, 0.0)
    x[POSITION + 2] = 5.0
    senses, _, s = sensed(ride.plant, x, still=False)
    acceleration = s["rhs"][3:6] + np.cross(s["rhs"][0:3], (0.6, 0.0, 0.7))
    np.testing.assert_allclose(
        senses[S_FORCE : S_FORCE + 3], acceleration + np.array([0, 0, G]), rtol=1e-9, atol=1e-9
    )


# --- noise and quantisation ---------------------------------------------------------------------------


def test_noise_has_the_size_the_rig_asks_for(session):
    white = {
        "rate_noise_density_rad_s_sqrtHz": 1e-4,
        "rate_bias_rad_s": (0.001, -0.001, 0.0005),
        "force_noise_density_m_s2_sqrtHz": 2e-3,
        "force_bias_m_s2": (0.02, -0.02, 0.03),
    }
    session = variant(session, sensors={"imu": {**SILENT["imu"], **white}})
    ride = Ride(session)
    ride.every = 0
    ride.step(8000)
    imu = session.rig.sensors.imu
    for frame, density, bias, centre, quantum in (
        ("imu_rates", imu.rate_noise_density_rad_s_sqrtHz, imu.rate_bias_rad_s, (0, 0, 0), 0.0003125),
        ("imu_force", imu.force_noise_density_m_s2_sqrtHz, imu.force_bias_m_s2, (0, 0, G), 0.005),
    ):
        _, values = ride.sent(frame)
        n = len(values)
        sigma = math.sqrt(density**2 * 500.0 + quantum**2 / 12)  # white noise sampled at 500 Hz, then rounded
        assert np.abs(values.mean(0) - np.array(bias) - centre).max() < 4.5 * sigma / math.sqrt(n) + 0.02
        assert np.abs(values.std(0) / sigma - 1.0).max() < 4.5 / math.sqrt(2 * n)
        correlation = np.corrcoef(values.T)
        assert np.abs(correlation - np.eye(3)).max() < 4.5 / math.sqrt(n)
    fork = ride.value("steering_angle", "steering_angle_rad")[1]
    assert fork.std() == pytest.approx(0.0003, rel=4.5 / math.sqrt(2 * fork.size))


def test_wheel_speed_is_spin_times_radius_and_zero_below_the_lowest_speed(silent):
    ride = Ride(silent).start(1500)
    _, front = ride.value("wheel_speed", "wheel_front_m_s")
    radius = float(ride.plant.tyre[1]["radius"])
    assert ride.states[-1] == RUNNING
    assert set(front[front < 0.4]) == {0.0}
    assert front.max() > 1.0
    spin = ride.plant.x[JOINT_RATE + FRONT_WHEEL] * radius
    assert abs(front[-1] - spin) < 0.1  # 6 to 16 ms old at about 2 m/s^2


# --- wheel speed from a tone ring ---------------------------------------------------------------------


def pulsing(session, ring, rate_hz=500.0):
    """The session with the pulse frames on; ``ring``: keys of the tone ring, None for none."""
    given = ToneRing(teeth_front=48, teeth_rear=50, **ring) if ring is not None else None
    sensors = {"wheel_speed": {"tone_ring": given}}
    timing = {
        name: Output(rate_hz=rate_hz, latency_ms=0.0) for name in ("wheel_pulses_front", "wheel_pulses_rear")
    }
    rig = {"outputs": {**session.rig.outputs, **timing}}
    return variant(session, rig=rig, sensors=sensors, outputs={"engine": {}})


def test_edges_sent_are_the_wheels_turns_times_the_teeth(session):
    """Counted over a whole ride: the tow, and the way to rest; both wheels to one edge."""
    ride = Ride(pulsing(session, {"pitch_error_pct": 0.4, "timeout_ms": 1000.0}))
    turned, last = np.zeros(2), np.zeros(2)
    counted = {"front": [], "rear": []}

    def note(r):
        nonlocal turned, last
        spin = np.array(r.plant.memory[0]["senses"][S_WHEEL_FRONT : S_WHEEL_FRONT + 2])
        turned, last = turned + 0.5e-3 * (spin + last), spin

    ride.step(1, note)
    ride.arm()
    ride.step(5000, note)
    assert ride.states[-1] == RUNNING
    ride.bench.command(Command.STOP, 0.0)
    while not ride.bench.finished:
        ride.step(1, note)
    # at rest with the ramp, however long the time-out
    assert ride["output.wheel_front_m_s"] == ride["output.wheel_rear_m_s"] == 0.0
    ride.step(200, note)
    for k, (wheel, teeth) in enumerate((("front", 48), ("rear", 50))):
        counted = ride.value(f"wheel_pulses_{wheel}", f"wheel_{wheel}_edges")[1]
        assert counted[-1] > 300
        assert abs(counted[-1] - turned[k] / (2.0 * math.pi) * teeth) <= 1.0 + 0.02
        assert (np.diff(counted) >= 0).all()
        assert ride.value(f"wheel_pulses_{wheel}", f"wheel_{wheel}_hz")[1][-1] == 0.0


def test_frequency_and_speed_on_the_wire_are_those_of_the_wheel(session):
    ride = Ride(pulsing(session, {"timer_resolution_ns": 100, "rolling_radius_rear_m": 0.4}))
    ride.start(4000)
    for k, (wheel, teeth) in enumerate((("front", 48), ("rear", 50))):
        spin = float(ride.plant.memory[0]["senses"][S_WHEEL_FRONT + k])
        hz = ride.value(f"wheel_pulses_{wheel}", f"wheel_{wheel}_hz")[1][-1]
        # two pitches behind at most, at the tow's acceleration; then half a quantum
        pitch_s = 2.0 * math.pi / teeth / spin
        slower = float(session.scenario.support.tow_acceleration_m_s2) / 0.28 * 2.0 * pitch_s
        spun = hz * 2.0 * math.pi / teeth
        assert spin - slower - 0.02 < spun < spin + 0.02
    frame = ride.value("wheel_speed", "wheel_rear_m_s")[1][-1]
    assert frame == pytest.approx(float(ride.plant.memory[0]["senses"][S_WHEEL_FRONT + 1]) * 0.4, rel=0.02)


def test_a_pulse_generator_can_rebuild_the_edge_times(session):
    """From counter and age of the frames alone, against the times the timer took."""
    ride = Ride(pulsing(session, {"timer_resolution_ns": 100, "pitch_error_pct": 1.0}, rate_hz=1000.0))
    ride.start(2500)
    ring = ride.plant.rings[0]
    origin_ns = int(ride.plant.run[0]["start_tick"]) * 1_000_000
    valid = [v for _, name, _, _, v in ride.frames if name == "wheel_pulses_front"]
    ages, edges = (
        ride.value("wheel_pulses_front", f"wheel_front_{key}")[1] for key in ("edge_age_s", "edges")
    )
    assert np.isnan(ages[edges == 0]).all()
    told = ages < 0.1048  # the highest value only says "older"
    times = origin_ns + np.array(valid)[told] - np.rint(ages[told] * 1e9).astype(np.int64)
    rebuilt = dict(zip(edges[told].astype(int).tolist(), times.tolist(), strict=True))
    assert len(rebuilt) > 50
    for n, time in rebuilt.items():
        if ring["edges"] - n < 200:
            assert abs(time - int(ring["time_ns"][(n - 1) % ring["time_ns"].size])) <= 1


def test_a_tone_ring_changes_no_other_signals_bytes(session):
    def sent(tone_ring):
        changed = variant(session, sensors={"wheel_speed": {"tone_ring": tone_ring}})
        ride = Ride(changed)
        ride.start(1200)
        return [f for f in ride.frames if f[1] != "wheel_speed"], [
            f for f in ride.frames if f[1] == "wheel_speed"
        ]

    plain, wheels = sent(None)
    ringed, ring_wheels = sent(ToneRing(teeth_front=48, teeth_rear=50, pitch_error_pct=1.0))
    assert ringed == plain
    assert [f[2] for f in ring_wheels] != [f[2] for f in wheels]
    assert [f[3:] for f in ring_wheels] == [f[3:] for f in wheels]  # nor its own timing


def test_pulses_do_not_depend_on_how_long_the_robot_was_waited_for(session):
    def sent(wait):
        ride = Ride(pulsing(session, {"pitch_error_pct": 1.0}))
        ride.step(wait)
        ride.start(1500)
        # byte 0 and half of byte 1 are those of the protection, whose counter runs from the first frame on
        return [
            (t, p[1] >> 4, p[2:])
            for t, name, p, _, _ in ride.frames
            if name[:12] == "wheel_pulses" and t >= 0
        ]

    first = sent(0)
    assert len(first) > 1000
    assert first == sent(2345)


# --- noise and quantisation, on the wire --------------------------------------------------------------


def test_without_noise_the_wire_shows_the_truth_of_its_time_of_validity(silent):
    ride = Ride(silent)
    ride.commands = {**HELD_CLUTCH, "steering": {"steering_torque_Nm": 2.0}}
    truth = {}

    def note(r):
        m = r.plant.memory[0]["senses"]
        truth[r.bench.tick_number] = (m[S_STEER], m[S_LEAN], *m[S_RATE : S_RATE + 3], m[S_WHEEL_FRONT])

    ride.start()
    ride.step(1500, note)
    valid = {frame: [] for frame in ("steering_angle", "lean", "imu_rates")}
    for _, frame, _, _, valid_ns in ride.frames:
        if frame in valid:
            valid[frame].append(valid_ns // 1_000_000)
    for frame, columns, quantum in (
        ("steering_angle", [0], 5e-5),
        ("lean", [1], 1e-4),
        ("imu_rates", [2, 3, 4], 0.0003125),
    ):
        _, values = ride.sent(frame)
        shown = [
            (v[: len(columns)], truth[t]) for v, t in zip(values, valid[frame], strict=True) if t in truth
        ]
        assert len(shown) > 100
        for value, true in shown:
            np.testing.assert_allclose(value, [true[c] for c in columns], atol=quantum / 2 + 1e-12)


# --- computed lean and analogue sensors, on the wire -----------------------------------------------------


def test_noise_of_a_plain_lean_has_the_size_the_rig_asks_for(session):
    ride = Ride(variant(session, sensors={"lean": {"computed": None, "noise_rad": 0.002}}))
    ride.every = 0
    ride.step(4000)
    lean = ride.value("lean", "lean_rad")[1]
    assert lean.std() == pytest.approx(0.002, rel=4.5 / math.sqrt(2 * lean.size))


def test_a_computed_lean_begins_afresh_before_the_ride(session):
    """Its filter remembers seconds; the ride must not depend on how long the robot was waited for."""

    def sent(wait):
        ride = Ride(session)
        ride.step(wait)
        ride.start(800)
        # byte 0 and half of byte 1 are those of the protection, whose counter runs from the first frame on
        return [(t, p[2:]) for t, name, p, _, _ in ride.frames if name == "lean" and t >= -200]

    first = sent(0)
    assert len(set(first)) > 50
    assert first == sent(777)


def test_a_computed_lean_errs_by_its_bias_and_comes_to_rest(session):
    own = ComputedLean(
        position_m=(0.5, 0.0, 0.6), reference_time_constant_ms=100.0, rate_bias_rad_s=(0.2, 0.0, 0.0)
    )
    ride = Ride(variant(session, sensors={"lean": {"computed": own, "noise_rad": 0.0}})).start(1500)
    shown = ride.value("lean", "lean_rad")[1][-50:]
    assert np.abs(shown - 0.02).max() < 0.0012  # bias times time constant; the tow's little motion, a quantum
    ride.bench.command(Command.STOP, 0.0)
    while not ride.bench.finished:
        ride.step()
    ride.step(50)
    assert ride.value("lean", "lean_rad")[1][-1] == 0.0


def with_bike_signals(session, analogue=None, absent=()):
    """The session with levers, suspension and drive torque sent."""
    timing = {name: Output(rate_hz=200.0, latency_ms=0.0) for name in ("suspension", "drive_torque")}
    timing["levers"] = Output(rate_hz=200.0, latency_ms=0.0, absent=tuple(absent))
    sensors = session.rig.sensors.model_copy(update={"analogue": dict(analogue or {})})
    rig = {"outputs": {**session.rig.outputs, **timing}, "sensors": sensors}
    return variant(session, rig=rig, outputs={"engine": {}})


def test_bike_signals_follow_what_the_robot_does(session):
    lagging = {"front_brake_line_Pa": AnalogueSensor(time_constant_ms=100.0, noise=0.0, resolution=5000.0)}
    ride = Ride(with_bike_signals(session, lagging))
    ride.commands = {
        "steering": {"steering_torque_Nm": 0.0},
        "drive": {"throttle": 0.0, "clutch": 1.0, "front_brake_Pa": 0.0, "rear_brake_Pa": 0.0},
        "gear": {"gear_request": 1.0},
    }
    ride.start(2000)
    sag = float(ride.plant.rig[0]["analogue_at_rest"][A_FORK])
    assert 0.0 < sag < 0.125
    ride.commands = {
        **ride.commands,
        "drive": {**ride.commands["drive"], "throttle": 0.25, "front_brake_Pa": 4e5},
    }
    ride.step(60)
    acting = ride["actuator.front_brake_Pa"]
    assert ride["output.front_brake_line_Pa"] < 0.7 * acting  # the sensor's lag on top of the actuator's
    assert ride["output.front_brake_line_Pa"] % 5000.0 == 0.0
    ride.step(600)
    assert ride["output.front_brake_line_Pa"] == pytest.approx(4e5, abs=5000.0)
    assert ride["output.throttle_position"] == pytest.approx(0.25, abs=0.001)
    assert ride["output.clutch_position"] == pytest.approx(1.0, abs=0.001)
    assert ride["output.rear_brake_line_Pa"] == 0.0
    assert ride["output.fork_travel_m"] == pytest.approx(ride["truth.fork_travel_m"], abs=1e-3)
    assert ride["output.fork_travel_m"] > sag + 0.003  # braking dips the front
    assert ride["output.chain_torque_Nm"] == pytest.approx(0.0, abs=0.2)  # the clutch is pulled
    ride.bench.command(Command.STOP, 0.0)
    while not ride.bench.finished:
        ride.step()
    ride.step(20)
    assert ride["output.fork_travel_m"] == pytest.approx(sag, abs=1e-5)
    for name in ("throttle_position", "clutch_position", "front_brake_line_Pa", "chain_torque_Nm"):
        assert ride[f"output.{name}"] == 0.0


def test_before_the_ride_nothing_drives_however_the_engine_idles(session):
    ride = Ride(with_bike_signals(session))
    ride.every = 0  # nobody holds the clutch, first gear is in
    ride.step(200)
    assert set(ride.value("drive_torque", "chain_torque_Nm")[1].tolist()) == {0.0}
    assert ride["output.shock_travel_m"] == pytest.approx(
        float(ride.plant.rig[0]["analogue_at_rest"][A_SHOCK]), abs=1e-5
    )


def test_a_signal_declared_absent_is_not_available_and_the_others_stay(session):
    full, part = (
        Ride(with_bike_signals(session, absent=names)).start(300)
        for names in ((), ("front_brake_line_Pa", "throttle_position"))
    )
    ticks, values = full.sent("levers")
    assert np.isfinite(values).all()
    missing = np.array([n in ("front_brake_line_Pa", "throttle_position") for n in ANALOGUE[:4]])
    assert np.isnan(part.sent("levers")[1][:, missing]).all()
    assert np.array_equal(part.sent("levers")[1][:, ~missing], values[:, ~missing])
    assert np.array_equal(part.sent("levers")[0], ticks)
    assert np.isnan(part["output.front_brake_line_Pa"])
