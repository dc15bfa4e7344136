"""What a rig takes out of the steering loop: ages on the stepped clock, the command's way, the actuator."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.config.rig.file import load_rig
from emulator.config.rig.frames import read_codec
from emulator.config.rig.hand_overs import Periodic
from emulator.robot.timing import LoopTiming, _tick_by_tick, ages_heard, loop_timing
from emulator.robot.tuning import STEP
from tests.robot.conftest import SCENARIOS

MS = 1_000_000


@pytest.fixture(scope="module")
def timing(session):
    return loop_timing(session.rig, session.codec)


# ---- ages --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate_hz", "latency_ms", "wire_us", "age_ms"),
    [
        (500, 2.0, 0, 2.0),  # sent in the tick of a control period
        (500, 1.0, 0, 2.0),  # sent between two, heard in the next one
        (500, 1.2, 0, 2.0),  # due within a tick: the tick after
        (1000, 0.0, 0, 0.0),
        (100, 8.0, 0, 12.0),  # 8, 10, ... 16: it grows older until the next one comes
        (250, 2.0, 0, 3.0),  # 2 and 4
        (500, 2.0, 250, 4.0),  # handed over for the nearest arrival, 0.25 ms behind the control period
        (500, 1.0, 250, 2.0),
    ],
)
def test_the_age_is_that_of_the_newest_sample_at_a_control_period(rate_hz, latency_ms, wire_us, age_ms):
    output = Periodic("o", Fraction(rate_hz), round(latency_ms * MS), wire_us * 1000)
    assert ages_heard([output]) == [pytest.approx(age_ms * 1e-3)]


def test_a_frame_that_waits_behind_another_one_is_heard_later():
    one = Periodic("one", Fraction(500), 2 * MS, 500_000)
    # handed over at 1 ms they are there at 1.5, 2.0 and 2.5: the last one behind the control period
    assert ages_heard([one] * 3) == [pytest.approx(2e-3), pytest.approx(2e-3), pytest.approx(4e-3)]


# ---- a rig's -----------------------------------------------------------------------------------------------


def test_timing_is_the_rigs(session, timing):
    rig = session.rig
    low_pass = rig.sensors.imu.rate_delay_s
    assert timing == LoopTiming(
        rates_s=pytest.approx(rig.outputs["imu_rates"].latency_ms * 1e-3 + low_pass),
        estimate_s=pytest.approx(rig.outputs["imu_rates"].latency_ms * 1e-3 + low_pass - 0.5 * STEP),
        told_s=pytest.approx(rig.outputs["imu_rates"].latency_ms * 1e-3 + low_pass),
        steer_s=pytest.approx(2e-3),  # 1 ms, and one until the next control period
        # from the next tick for two; 8 ms of lag moved tick by tick are 8 ms and 1/96
        command_s=pytest.approx(1.5e-3 + 1e-3 / 96.0, abs=1e-7),
        actuator_lag_s=pytest.approx(rig.actuators.steering.time_constant_ms * 1e-3),
    )


def test_the_robot_is_told_the_age_its_mission_says(session, told, timing):
    assert timing.told_s == pytest.approx(told.imu_age_s, abs=1e-12)
    assert told.timing == timing


def test_a_bus_with_a_bit_rate_counts_until_arrival():
    rig, source = load_rig(SCENARIOS / "rigs" / "megabit.yaml")
    timing = loop_timing(rig, read_codec(rig, source))
    # rates arrive within half a tick of 2 ms, but behind the control period: the next one takes them
    assert timing.rates_s - rig.sensors.imu.rate_delay_s in (pytest.approx(2e-3), pytest.approx(4e-3))
    assert timing.told_s - rig.sensors.imu.rate_delay_s == pytest.approx(2e-3, abs=0.5e-3)


def test_timing_goes_by_signals_not_by_what_their_frames_are_called(session, timing):
    rig, codec = session.rig, session.codec
    outputs = {f"other_{name}": out for name, out in rig.outputs.items()}
    frames = tuple(f"other_{name}" if name in rig.outputs else name for name in codec.frames)
    renamed = rig.model_copy(update={"outputs": outputs})
    assert loop_timing(renamed, replace(codec, frames=frames)) == timing


def test_of_two_outputs_with_the_steering_angle_the_faster_one_counts(session, timing):
    outputs = dict(session.rig.outputs)
    slower = outputs["steering_angle"].model_copy(update={"rate_hz": 10.0, "latency_ms": 40.0})
    codec = session.codec
    both = replace(
        codec,
        frames=("second", *codec.frames),
        signals=(codec.signals[codec.frame("steering_angle")], *codec.signals),
    )
    rig = session.rig.model_copy(update={"outputs": {"second": slower, **outputs}})
    assert loop_timing(rig, both) == timing


def test_a_rig_the_robot_can_not_ride_has_no_timing(session):
    with pytest.raises(ValueError, match="angle-driven"):
        loop_timing(session.rig.model_copy(update={"steering": "angle_driven"}), session.codec)
    outputs = {k: v for k, v in session.rig.outputs.items() if k not in ("imu_force", "steering_angle")}
    with pytest.raises(ValueError, match=r"no output carries: force_x_m_s2, steering_angle_rad$"):
        loop_timing(session.rig.model_copy(update={"outputs": outputs}), session.codec)


# ---- what the closed forms stand for -----------------------------------------------------------------------


@given(lag_ms=st.floats(0.1, 60.0))
def test_an_actuator_that_moves_at_ticks_is_its_lag_and_a_little(lag_ms):
    """Stepped as the plant does: commands stand for a tick, what it delivers is felt for one."""
    lag, tick, w = lag_ms * 1e-3, 1e-3, 2.0 * math.pi * 1.0
    gain, state, felt = 1.0 - math.exp(-tick / lag), 0.0, []
    time = np.arange(3000) * tick
    for t in time:
        state += gain * (math.sin(w * t) - state)
        felt.append(state)
    # over whole swings, each value felt from its tick on for one
    wave = np.exp(-1j * w * (time + 0.5 * tick)) * tick
    delay = -np.angle(2j * np.sum((np.array(felt) * wave)[-2000:])) / w
    expected = math.atan(w * lag) / w + _tick_by_tick(lag)
    assert delay == pytest.approx(expected, abs=2e-5)


def test_an_actuator_without_lag_is_felt_half_a_tick_late():
    assert _tick_by_tick(0.0) == pytest.approx(0.5e-3)


def test_a_summed_rate_is_half_a_period_younger_than_its_newest_sample():
    w = 2.0 * math.pi * 4.0
    n = np.arange(1000)
    summed = np.cumsum(STEP * w * np.cos(w * n * STEP))
    ahead = np.sin(w * (n + 0.5) * STEP)
    assert np.allclose(summed - summed.mean(), ahead - ahead.mean(), atol=1e-3)
