"""The rider on the bus: frames in, frames out, and what it does when one signal falls silent."""

import math

import numpy as np
import pytest

from emulator.config.rig.outputs import COMMAND_FRAMES
from emulator.core.compiled import bound, jit
from emulator.core.frame_buffer import frame_buffer
from emulator.robot.estimator import NEW
from emulator.robot.rider import EMERGENCIES
from emulator.wire.can_frames import check, unpack
from emulator.wire.nmea import burst

ALL = ("imu_rates", "imu_force", "steering_angle", "lean", "wheel_speed", "engine", "emulator_state")


@jit
def decoded(table, data, length, values, f, i):
    """Counter of a frame in row ``i``, below 0 if it is not sound; its values are filled in."""
    unpack(table, f, data[i], values)
    return check(table, f, data[i], length[i])


class Rides:
    """Rider and bench voice, step by step; everything the rider sent is kept by frame."""

    def __init__(self, rider, voice, receiver):
        self.rider, self.voice, self.receiver = rider, voice, receiver
        self.tx = frame_buffer(16)
        self.now_s = 0.0
        self.sent = {name: [] for name in COMMAND_FRAMES}
        codec = voice.codec
        self.ids, self.values = codec.table.can_id.tolist(), np.zeros(codec.most_signals)
        self.decode = bound(decoded, (codec.table, self.tx.data, self.tx.length, self.values), 0, 0)
        e = rider.rider.mind[0]
        self.place = float(e["x"]), float(e["y"])

    def step(self, steps=1, silent=(), gnss=True):
        """So many control periods of 2 ms; ``silent`` frames are left out. Returns the emergency."""
        emergency = 0
        for _ in range(steps):
            n = round(self.now_s * 500)
            if gnss and n % 50 == 0:
                fix = self.receiver.fix(*self.place, 0.0, self.now_s)
                now = round(self.now_s * 1e9)
                self.rider.hear(burst(fix), now, now - 2_000_000)
            emergency = self.rider.step(self.voice.say(*(f for f in ALL if f not in silent)), self.tx)
            self._keep()
            self.now_s += 0.002
        return emergency

    def _keep(self):
        codec = self.voice.codec
        for i in range(int(self.tx.count[0])):
            f = self.ids.index(self.tx.can_id[i])
            counter = int(self.decode(f, i))
            values = dict(zip(codec.signals[f], self.values.tolist(), strict=False))
            self.sent[codec.frames[f]].append((counter, values))

    def last(self, frame):
        return self.sent[frame][-1][1]


@pytest.fixture
def ride(rider, voice, receiver):
    return Rides(rider, voice, receiver)


def test_while_the_bench_is_not_running_it_asks_for_nothing(ride):
    ride.voice.values["state"] = 1.0  # armed
    assert ride.step(500) == 0
    assert ride.last("steering")["steering_torque_Nm"] == 0.0
    d = ride.last("drive")
    assert (d["throttle"], d["clutch"], d["front_brake_Pa"], d["rear_brake_Pa"]) == (0.0, 1.0, 0.0, 0.0)


def test_frames_are_protected_in_order_and_as_often_as_agreed(ride):
    ride.step(500)
    assert {name: len(sent) for name, sent in ride.sent.items()} == {
        "steering": 500,
        "drive": 100,
        "gear": 50,
        "estimate_pose": 100,
        "estimate_motion": 100,
    }
    for sent in ride.sent.values():
        assert [c for c, _ in sent] == [n % 15 for n in range(len(sent))]  # -1 would be a bad check sum
    beats = [v["heartbeat"] for _, v in ride.sent["gear"]]
    assert beats == [float(n + 1) for n in range(50)]


def test_with_all_signals_it_rides_without_an_emergency(ride):
    assert ride.step(2500) == 0
    assert ride.rider.rider.mind[0]["riding_steps"] == 2500


@pytest.mark.parametrize(
    ("silent", "reason", "limit_s"),
    [
        (("imu_rates",), "inertial unit silent", 0.05),
        (("wheel_speed",), "wheel speeds lost", 3.0),
        (("emulator_state",), "bench silent", 0.3),
    ],
)
def test_what_falls_silent_ends_the_ride(ride, silent, reason, limit_s):
    ride.step(1000)
    assert ride.step(round(limit_s / 0.002) - 1, silent) == 0
    assert EMERGENCIES[ride.step(3, silent)] == reason
    ride.step(10, silent)
    d = ride.last("drive")
    assert (d["throttle"], d["clutch"]) == (0.0, 1.0)
    assert d["front_brake_Pa"] > 0.0
    # it keeps balancing and its heart beats: it is stopping, not gone
    assert ride.last("gear")["heartbeat"] > 0


def test_without_gnss_it_rides_on_until_it_does_not_know_its_place(ride):
    ride.step(1000)
    assert ride.step(2500, gnss=False) == 0  # five seconds are nothing
    emergency = ride.step(20_000, gnss=False)
    assert EMERGENCIES[emergency] == "place not known"


def test_a_receiver_that_is_elsewhere_for_good_ends_the_ride_after_ten_seconds(ride):
    ride.step(1000)
    x, y = ride.place
    ride.place = (x + 1.5, y - 1.0)
    assert ride.step(5000) == 0
    assert EMERGENCIES[ride.step(200)] == "GNSS elsewhere"
    why, at_s = ride.rider.stopped
    assert why == "GNSS elsewhere"
    assert at_s == pytest.approx(12.1, abs=0.15)
    # it did not follow, and by rates and speeds alone a standing bike creeps a little
    e = ride.rider.rider.mind[0]
    assert e["x"] - x < 0.1
    assert abs(e["y"] - y) < 0.1


def test_after_the_ride_no_position_is_doubted(ride):
    """Nothing is predicted then; it takes what it hears, as it always did."""
    ride.step(1000)
    ride.voice.values["state"] = 3.0  # stopping
    x, y = ride.place
    before = float(ride.rider.rider.mind[0]["x"])
    ride.place = (x + 1.5, y)
    ride.step(500)
    e = ride.rider.rider.mind[0]
    assert e["gnss_faith"] == NEW
    assert e["x"] > before + 0.02


def test_a_rider_that_did_not_stop_has_no_reason(ride):
    ride.step(100)
    assert ride.rider.stopped is None


def test_an_emergency_stays(ride):
    ride.step(1000)
    ride.step(100, ("imu_rates",))
    assert EMERGENCIES[ride.step(1000)] == "inertial unit silent"


def test_the_first_reason_is_kept(ride):
    ride.step(1000)
    ride.step(100, ("imu_rates",))
    assert EMERGENCIES[ride.step(1000, ("imu_rates", "emulator_state"), gnss=False)] == "inertial unit silent"


def test_signals_not_available_count_as_silent(ride):
    ride.step(1000)
    for axis in "xyz":
        ride.voice.values[f"rate_{axis}_rad_s"] = math.nan
    assert EMERGENCIES[ride.step(40)] == "inertial unit silent"
    assert np.isfinite(ride.rider.rider.seen).all()


@pytest.mark.parametrize("damage", ["bit", "length", "repeated", "identifier"])
def test_a_damaged_frame_changes_nothing(rider, voice, damage):
    tx = frame_buffer(16)
    voice.values["lean_rad"] = 0.1
    rider.step(voice.say("lean"), tx)
    lean = rider.rider.seen.copy()
    voice.values["lean_rad"] = 0.7
    if damage == "repeated":
        voice.counters["lean"] -= 1
    rx = voice.say("lean")
    if damage == "bit":
        rx.data[0, 2] ^= 1
    elif damage == "length":
        rx.length[0] = 7
    elif damage == "identifier":
        rx.can_id[0] += 2000
    rider.step(rx, tx)
    assert np.array_equal(rider.rider.seen, lean)
    assert rider.rider.received[list(lean).index(0.1)] == 0


def test_an_undamaged_one_does(rider, voice):
    tx = frame_buffer(16)
    voice.values["lean_rad"] = 0.7
    rider.step(voice.say("lean"), tx)
    assert rider.rider.seen[8] == pytest.approx(0.7)


def test_robot_frames_of_another_robot_are_not_taken_for_signals(rider, voice):
    before = rider.rider.seen.copy()
    rider.step(voice.say("steering", "drive", "gear"), frame_buffer(16))
    assert np.array_equal(rider.rider.seen, before)


def test_the_torque_keeps_the_actuators_limit(ride):
    ride.voice.values["lean_rad"] = 0.9
    ride.voice.values["rate_x_rad_s"] = 8.0
    ride.step(200)
    torque = [abs(v["steering_torque_Nm"]) for _, v in ride.sent["steering"]]
    assert max(torque) == pytest.approx(ride.rider.mission.command_limit)
