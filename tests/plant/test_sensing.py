"""What the sensors show against the truth: at rest, in motion, with the noise the rig asks for."""

import math

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.spatial.transform import Rotation
from scripted_robot import HELD_CLUTCH, Ride, variant

from emulator.config.inertial_unit import EngineOrder, RoadBand, Vibration
from emulator.config.rig_file import Imu, Output, ToneRing
from emulator.plant.records import RIG_DTYPE, RUN_DTYPE
from emulator.plant.sensing import (
    N_SENSES,
    S_ANTENNA,
    S_ANTENNA_VELOCITY,
    S_ENGINE,
    S_FORCE,
    S_GEAR,
    S_LEAN,
    S_RATE,
    S_STEER,
    S_WHEEL_FRONT,
    feel_motion,
    sense,
    to_rest,
)
from emulator.plant.states import ARMED, RUNNING
from emulator.rig.build import build_plant
from emulator.sensors.imu import matched_low_pass
from emulator.snapshot import Command
from emulator.vehicle.integrate import begin
from emulator.vehicle.state import (
    FRONT_WHEEL,
    JOINT_RATE,
    N_U,
    OMEGA,
    POSITION,
    QUATERNION,
    VELOCITY,
    scratch,
)

G = 9.81  # of the demo vehicle
SILENT = {
    "imu": {name: field.default for name, field in Imu.model_fields.items() if not field.is_required()},
    "lean": {"noise_rad": 0.0},
    "wheel_speed": {"noise_m_s": 0.0, "lowest_speed_m_s": 0.4, "tone_ring": None},
    "fork_angle": {"noise_rad": 0.0},
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
    assert np.abs(of("lean")).max() < 6 * 0.002 + 1e-4
    assert np.abs(of("fork_angle")[:, 0]).max() < 6 * 0.0003 + 5e-5
    assert np.abs(of("fork_angle")[:, 1]).max() == 0.0


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
    senses = np.zeros(N_SENSES)
    to_rest(senses, held, 0.0, G)
    assert np.array_equal(senses, held)
    to_rest(senses, held, 1.0, G)
    rest = np.zeros(N_SENSES)
    rest[S_FORCE + 2] = G
    rest[S_GEAR] = held[S_GEAR]
    rest[S_ANTENNA : S_ANTENNA + 3] = held[S_ANTENNA : S_ANTENNA + 3]
    assert np.array_equal(senses, rest)
    to_rest(senses, held, 0.25, G)
    assert senses[S_ENGINE] == 0.75 * held[S_ENGINE]
    assert senses[S_FORCE + 2] == 0.75 * held[S_FORCE + 2] + 0.25 * G


# --- truth to senses ----------------------------------------------------------------------------------


def sensed(plant, x, *, still=True, times=1, lean_gain=1.0, imu=(0.6, 0.0, 0.7), antenna=(0.15, 0.0, 1.05)):
    """Senses of a state; ``still``: no accelerations of the body components."""
    rig, run, work, senses = np.zeros(1, RIG_DTYPE), np.zeros(1, RUN_DTYPE), scratch(), np.zeros(N_SENSES)
    rig[0]["imu_position"], rig[0]["antenna_position"], rig[0]["lean_gain"] = imu, antenna, lean_gain
    u = np.zeros(N_U)
    begin(plant.body, plant.tyre, x, u, work)
    if still:
        work[0]["rhs"][:6] = 0.0
    leans = []
    for _ in range(times):
        sense(rig[0], run[0], x, u, G, work[0], senses)
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
    lean, fork = ride.value("lean", "lean_rad")[1], ride.value("fork_angle", "steering_angle_rad")[1]
    assert lean.std() == pytest.approx(0.002, rel=4.5 / math.sqrt(2 * lean.size))
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
    valid = {frame: [] for frame in ("fork_angle", "lean", "imu_rates")}
    for _, frame, _, _, valid_ns in ride.frames:
        if frame in valid:
            valid[frame].append(valid_ns // 1_000_000)
    for frame, columns, quantum in (
        ("fork_angle", [0], 5e-5),
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
