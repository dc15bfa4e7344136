"""Swings, strokes and gear changes of made-up signals, counted by hand."""

import numpy as np

from emulator.campaign.riding.wear import Wear, sides, strokes, wear_of
from emulator.core.signals import ARMED, RUNNING
from emulator.record.reader import Frames, Run


def test_a_sine_swings_twice_a_period_and_noise_below_the_bound_does_not():
    t = np.arange(0.0, 10.0, 1e-3)
    wave = np.sin(2 * np.pi * 0.7 * t)  # seven periods
    assert sides(wave, 0.5) == 14
    assert sides(0.4 * wave, 0.5) == 0
    assert sides(wave + 0.05 * np.sin(2 * np.pi * 90.0 * t), 0.5) == 14
    assert sides(np.zeros(0), 0.5) == 0


def test_a_stroke_counts_once_however_the_pressure_trembles_at_the_bound():
    pressure = np.array([0.0, 0.9, 1.1, 0.9, 1.1, 0.4, 0.6, 0.9, 1.2, 0.0])
    assert strokes(pressure, 0.5, 1.0) == 2
    assert strokes(pressure[2:], 0.5, 1.0) == 2  # pressed when it begins
    assert strokes(np.zeros(5), 0.5, 1.0) == 0


def test_only_what_was_ridden_wears():
    n = 4000
    tick = np.arange(n)
    t = tick * 1e-3
    state = np.where(tick < 1000, ARMED, RUNNING).astype(float)
    signals = {
        "bench.state": state,
        "robot.steering_angle_rad": np.full(n, np.nan),
        "actuator.steering_torque_Nm": 5.0 * np.sin(2 * np.pi * t),
        "actuator.front_brake_Pa": np.where((t % 1.0) > 0.5, 3e5, 0.0),
        "actuator.rear_brake_Pa": np.zeros(n),
        "robot.gear_request": np.floor(t) + 1.0,
    }
    none = np.zeros(0)
    run = Run(None, {}, tick, tick * 10**6, signals, Frames(*[none] * 8), [])
    assert wear_of(run) == Wear(
        steering_cycles=3, front_brake_strokes=3, rear_brake_strokes=0, gear_changes=2
    )
    assert wear_of(Run(None, {}, tick, tick, {}, run.frames, [])) == Wear()
