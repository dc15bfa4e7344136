"""What one sensor or output does is nobody else's business: switched or changed, no other byte moves."""

import e2e
import pytest

from emulator.config.rig.outputs import Output
from emulator.config.rig.sensors import AnalogueSensor, ToneRing
from tests.support.scripted_robot import Ride, variant

EXTRA = ("wheel_pulses_front", "wheel_pulses_rear", "levers", "suspension", "drive_torque")
DRIVEN = {
    "steering": {"steering_torque_Nm": 1.0},
    "drive": {"throttle": 0.3, "clutch": 1.0, "front_brake_Pa": 1e5, "rear_brake_Pa": 1e5},
    "gear": {"gear_request": 1.0},
}


@pytest.fixture(scope="module")
def everything(session):
    """Every frame there is, each with jitter, and noise in every sensor that can have it."""
    timing = {name: Output(rate_hz=100.0, latency_ms=3.0, jitter_ms=0.7) for name in EXTRA}
    timing |= {n: o.model_copy(update={"jitter_ms": 0.4}) for n, o in session.rig.outputs.items()}
    noisy = {name: AnalogueSensor(noise=0.01) for name in ("throttle_position", "clutch_position")}
    noisy |= {f"{end}_brake_line_Pa": AnalogueSensor(noise=4e3) for end in ("front", "rear")}
    noisy |= {f"{part}_travel_m": AnalogueSensor(noise=1e-3) for part in ("fork", "shock")}
    noisy["chain_torque_Nm"] = AnalogueSensor(noise=2.0)
    sensors = session.rig.sensors.model_copy(update={"analogue": noisy})
    return variant(session, rig={"outputs": timing, "sensors": sensors}, outputs={"lean": {}})


def ridden(session):
    """Frames and GNSS bursts of the way to the start and of 1.5 s of a towed ride."""
    ride = Ride(session)
    ride.commands = DRIVEN
    ride.start(1500)
    return ride


def by_frame(ride):
    sent = {"gnss": ride.bursts}
    for frame in ride.frames:
        sent.setdefault(frame[1], []).append(frame)
    return sent


@pytest.fixture(scope="module")
def whole(everything):
    return by_frame(ridden(everything))


def assert_only_these_differ(whole, other, *changed):
    assert set(whole) == set(other) | set(changed)
    for name, frames in other.items():
        if name in changed:
            assert frames != whole[name], name
        else:
            assert frames == whole[name], name


def test_everything_is_sent_and_is_sound_by_another_implementation(everything, whole):
    assert set(whole) == {*everything.outputs, "gnss"}
    table, codec = everything.codec.table, everything.codec
    for name in everything.outputs:
        assert len({payload for _, _, payload, _, _ in whole[name]}) > 20, name
        data_id = int(table.data_id[codec.frame(name)])
        for n, (_, _, payload, _, _) in enumerate(whole[name]):
            assert e2e.p01.e2e_p01_check(bytearray(payload), data_id), name
            assert payload[1] & 0x0F == n % 15


@pytest.mark.parametrize(
    "name",
    [
        *("imu_rates", "imu_force", "lean", "steering_angle", "wheel_speed", "engine"),
        *("wheel_pulses_front", "wheel_pulses_rear", "levers", "suspension", "drive_torque"),
    ],
)
def test_an_output_that_is_switched_off_moves_no_other_byte(everything, whole, name):
    assert_only_these_differ(whole, by_frame(ridden(variant(everything, outputs={name: None}))), name)


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("imu_rates", {"rate_hz": 250.0}),
        ("lean", {"latency_ms": 20.0}),
        ("levers", {"jitter_ms": 0.0}),
        ("levers", {"absent": ("front_brake_line_Pa",)}),
        ("wheel_speed", {"absent": ("wheel_rear_m_s",)}),
        ("imu_force", {"absent": ("force_x_m_s2", "force_y_m_s2")}),
    ],
)
def test_an_output_that_is_timed_or_filled_otherwise_moves_no_other_byte(everything, whole, name, changes):
    assert_only_these_differ(whole, by_frame(ridden(variant(everything, outputs={name: changes}))), name)


@pytest.mark.parametrize(
    ("sensor", "changes", "moved"),
    [
        ("lean", {"computed": None}, ("lean",)),
        ("lean", {"noise_rad": 0.01}, ("lean",)),
        ("steering_angle", {"noise_rad": 0.01}, ("steering_angle",)),
        ("imu", {"rate_bias_rad_s": (0.1, 0.0, 0.0)}, ("imu_rates",)),
        ("imu", {"force_noise_density_m_s2_sqrtHz": 0.1}, ("imu_force",)),
        (
            "wheel_speed",
            {"tone_ring": ToneRing(teeth_front=30, teeth_rear=31)},
            ("wheel_speed", "wheel_pulses_front", "wheel_pulses_rear"),
        ),
        ("gnss", {"accuracy": None, "position_noise_m": 3.0}, ("gnss",)),
        ("gnss", {"latency_ms": 90.0}, ("gnss",)),
    ],
)
def test_a_sensor_that_is_changed_moves_no_other_byte(everything, whole, sensor, changes, moved):
    changed = by_frame(ridden(variant(everything, sensors={sensor: changes})))
    assert_only_these_differ(whole, changed, *moved)


def test_one_analogue_sensor_moves_only_its_own_frame(everything, whole):
    sensors = everything.rig.sensors
    analogue = {**sensors.analogue, "fork_travel_m": AnalogueSensor(time_constant_ms=30.0, noise=5e-3)}
    rig = {"sensors": sensors.model_copy(update={"analogue": analogue})}
    ride = ridden(variant(everything, rig=rig))
    assert_only_these_differ(whole, by_frame(ride), "suspension")
