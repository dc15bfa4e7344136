"""A column that stands in for what nobody measured is read as what it is; noise is its own samples'."""

import dataclasses

import numpy as np
import pytest

from emulator.record.reader import Frames, Run
from emulator.track.comparison.readings import noise_of, readings_of, sampled_rows, unturned
from emulator.vehicle.state import FRONT_WHEEL, JOINT_RATE, N_X, OMEGA, QUATERNION, VELOCITY
from tests.support.scripted_robot import demo_session

NOTHING = Frames(*([np.zeros(0, np.int64)] * 6), np.zeros((0, 64), np.uint8), np.zeros(0, np.int64))


def track_record(tmp_path, columns, stand_ins, channels=()):
    tick = np.arange(len(next(iter(columns.values()))))
    manifest = {"stage": "track", "track": {"stand_ins": stand_ins, "channels": list(channels)}}
    return Run(tmp_path, manifest, tick, tick * 10**6, columns, NOTHING, [])


def test_a_wheels_speed_and_a_course_are_read_as_such(tmp_path):
    columns = {
        name: np.ones(100) for name in ("truth.speed_m_s", "output.wheel_front_m_s", "truth.heading_rad")
    }
    stand_ins = {"truth.speed_m_s": "output.wheel_front_m_s", "truth.heading_rad": "course"}
    vehicle = demo_session().vehicle
    found = {r.key: r for r in readings_of(track_record(tmp_path, columns, stand_ins), vehicle)}
    assert set(found) == {"wheel_front", "course"}
    state = np.zeros((1, N_X))
    state[0, QUATERNION] = 1.0
    state[0, VELOCITY : VELOCITY + 2] = 20.0, 2.0
    state[0, JOINT_RATE + FRONT_WHEEL] = 65.0
    assert found["wheel_front"].read(state)[0] == pytest.approx(65.0 * float(vehicle.tyre[1]["radius"]))
    assert found["course"].read(state)[0] == pytest.approx(np.arctan2(2.0, 20.0))  # not the heading, 0
    own = {r.key for r in readings_of(track_record(tmp_path, columns, {}), vehicle)}
    assert own == {"speed", "heading"}


@pytest.mark.parametrize("held", [True, False])
def test_a_channel_of_ten_milliseconds_has_a_sample_in_ten_rows_and_its_own_noise(tmp_path, held):
    draws, sigma = np.random.default_rng(5), 4e-3
    samples = 0.3 * np.sin(np.arange(20_001) / 100.0) + sigma * draws.standard_normal(20_001)
    ticks = np.arange(200_000)
    values = samples[ticks // 10] if held else np.interp(ticks / 10.0, np.arange(20_001), samples)
    channel = {"signal": "output.lean_rad", "step_s": 0.01}
    run = track_record(tmp_path, {"truth.roll_rad": values}, {"truth.roll_rad": "output.lean_rad"}, [channel])
    rows = np.flatnonzero(sampled_rows(run, "truth.roll_rad"))
    assert np.array_equal(rows, np.arange(0, 200_000, 10))
    (reading,) = readings_of(run, demo_session().vehicle)
    found = noise_of(run, reading)
    assert found.own
    assert found.sigma == pytest.approx(sigma, rel=0.05)


def test_a_column_without_noise_has_that_of_a_good_sensor(tmp_path):
    run = track_record(tmp_path, {"truth.roll_rad": 0.3 * np.sin(np.arange(5000) / 500.0)}, {})
    (reading,) = readings_of(run, demo_session().vehicle)
    assert noise_of(run, reading) == (reading.floor, False)


def test_a_column_that_is_nowhere_known_is_not_compared(tmp_path):
    run = track_record(tmp_path, {"truth.roll_rad": np.full(50, np.nan)}, {})
    assert readings_of(run, demo_session().vehicle) == ()
    assert readings_of(dataclasses.replace(run, signals={}), demo_session().vehicle) == ()


def test_angles_are_taken_to_half_a_turn():
    assert unturned(np.array([3.5, -3.5, 0.1])) == pytest.approx([3.5 - 2 * np.pi, 2 * np.pi - 3.5, 0.1])


def test_places_that_are_joined_have_as_many_samples_as_the_receiver_sent(tmp_path):
    """A hundred rows lie on a line between two places: one of them is new, and so is the noise's share."""
    draws, sigma = np.random.default_rng(6), 0.02
    ticks = np.arange(100_037)
    sent = np.arange(37, 100_037, 100)  # the receiver's first place comes some rows later
    places = 20.0 * np.sin(sent / 30e3) + sigma * draws.standard_normal(len(sent))
    held = np.concatenate([np.full(37, np.nan), np.repeat(places, 100)])
    joined = np.interp(ticks, sent, places, left=np.nan)
    columns = {"truth.x_m": joined, "output.gnss_x_m": held, "output.gnss_y_m": 0.0 * held}
    stands = "output.gnss_x_m, output.gnss_y_m and the antenna's lever arm"
    channel = {"signal": "latitude", "step_s": 0.1, "first_s": 0.037}
    run = track_record(tmp_path, columns, {"truth.x_m": stands}, [channel])
    assert np.array_equal(np.flatnonzero(sampled_rows(run, "truth.x_m")), sent)
    found = next(noise_of(run, r) for r in readings_of(run, demo_session().vehicle) if r.key == "x")
    assert found.own
    assert found.sigma == pytest.approx(sigma, rel=0.1)


def test_a_joined_channel_has_its_samples_from_its_first_one_on(tmp_path):
    values = np.interp(np.arange(1000), np.arange(3, 1000, 10), np.arange(100.0), left=np.nan, right=np.nan)
    channel = {"signal": "truth.steer_rad", "step_s": 0.01, "first_s": 0.003}
    run = track_record(tmp_path, {"truth.steer_rad": values}, {}, [channel])
    assert np.array_equal(np.flatnonzero(sampled_rows(run, "truth.steer_rad")), np.arange(3, 1000, 10))


def test_a_course_is_that_of_the_antenna(tmp_path):
    """As the bike rolls, an antenna 1 m up swings to the side: closed form of a turn about a level axis."""
    columns = {name: np.ones(100) for name in ("output.wheel_front_m_s", "truth.heading_rad")}
    run = track_record(tmp_path, columns, {"truth.heading_rad": "course"})
    run.manifest["track"]["antenna"] = {"position_m": [0.0, 0.0, 1.0]}
    found = {r.key: r for r in readings_of(run, demo_session().vehicle)}
    state = np.zeros((1, N_X))
    state[0, QUATERNION] = 1.0
    state[0, VELOCITY] = 15.0
    state[0, OMEGA] = 0.8
    assert found["course"].read(state)[0] == pytest.approx(np.arctan2(-0.8, 15.0))
