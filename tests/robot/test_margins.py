"""Delay margins: closed forms, two ways to the same roots, and rides just inside and just outside."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import expm

from emulator.robot.design import FED_BACK, LOOP_DELAY, closed_loop, gains_for
from emulator.robot.margins import (
    BalanceLoop,
    Crossing,
    LoopTiming,
    crossings,
    delay_margins,
    loop_margin,
    loop_timing,
)
from emulator.robot.ride import ROLL_INTEGRAL
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.linearise import D_VELOCITY, ROLL, linearise
from emulator.vehicle.modes import NAMES, WEAVE, WOBBLE, SteadyTurns, eigen
from emulator.vehicle.state import JOINT, JOINT_RATE, OMEGA, QUATERNION, STEER, U_STEER_TORQUE, scratch

FINE = np.geomspace(1e-3, 1e3, 4000)
CASES = [(8.0, 0.0), (20.0, 0.0), (50.0, 0.0), (30.0, 40.0)]
"""Speed [m/s] and lean [deg]."""


@pytest.fixture(scope="module")
def design(prepared):
    return prepared.rider.design


@pytest.fixture(scope="module")
def timing(session):
    return loop_timing(session.rig, session.codec)


@pytest.fixture(scope="module")
def loop_at(told, design, timing):
    """The rider's loop at a speed [m/s] and lean [deg], and the steady motion it is about."""
    turns = SteadyTurns(told.vehicle)

    def at(speed, lean_deg, gains=None, timing=timing):
        steady = turns.at(speed, math.radians(lean_deg))
        gains = np.array(gains_for(design, speed, math.radians(lean_deg))) if gains is None else gains
        return BalanceLoop(linearise(told.vehicle, steady), gains, timing), steady

    return at


# ---- closed forms ------------------------------------------------------------------------------------------


@given(k=st.floats(0.05, 50.0))
def test_an_integrator_bears_pi_over_two_of_its_time_constant(k):
    (c,) = crossings(lambda s: k / s, FINE)  # x' = -k x(t - T)
    assert c == Crossing(pytest.approx(math.pi / (2.0 * k), rel=1e-9), pytest.approx(k, rel=1e-9), True)


@given(k=st.floats(0.1, 1.9))
def test_a_delayed_damper_has_two_crossings(k):
    # x'' + k x'(t - T) + x = 0: k w = |1 - w^2| at (root(k^2 + 4) +- k) / 2; there
    # 1 - w^2 + j k w exp(-j w T) vanishes for w T = pi/2 above resonance (leaves), 3 pi/2 below (comes back).
    low, high = ((math.sqrt(k * k + 4.0) + sign * k) / 2.0 for sign in (-1.0, 1.0))
    back, out = crossings(lambda s: k * s / (s * s + 1.0), FINE)
    assert out == Crossing(pytest.approx(math.pi / 2.0 / high), pytest.approx(high), True)
    assert back == Crossing(pytest.approx(1.5 * math.pi / low), pytest.approx(low), False)


def test_two_integrators_with_rate_feedback():
    # x'' = -a x(t - T) - b x'(t - T): w^4 = a^2 + b^2 w^2, w T = atan(b w / a)
    a, b = 4.0, 3.0
    w = math.sqrt((b * b + math.sqrt(b**4 + 4.0 * a * a)) / 2.0)
    (c,) = crossings(lambda s: (a + b * s) / (s * s), FINE)
    assert c == Crossing(pytest.approx(math.atan(b * w / a) / w), pytest.approx(w), True)


def test_a_loop_weaker_than_one_bears_any_delay():
    assert crossings(lambda s: 0.9 / (1.0 + s), FINE) == []


# ---- the loop ----------------------------------------------------------------------------------------------


def test_timing_is_the_rigs(session, timing):
    rig = session.rig
    assert timing == LoopTiming(
        # the unit's low-pass comes before what its output promises
        rates_s=pytest.approx(rig.outputs["imu_rates"].latency_ms * 1e-3 + rig.sensors.imu.rate_delay_s),
        steer_s=pytest.approx(rig.outputs["steering_angle"].latency_ms * 1e-3),
        command_s=0.002,
        actuator_lag_s=pytest.approx(rig.actuators.steering.time_constant_ms * 1e-3),
    )


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


@pytest.mark.parametrize(("speed", "lean"), CASES)
def test_the_state_matrix_has_the_roots_of_the_loop(loop_at, speed, lean):
    loop, _ = loop_at(speed, lean)
    roots = eigen(loop.matrix()).roots
    # beyond some 150 1/s the approximated delays show; below, the two must be one
    asked = roots[(np.abs(roots) < 150.0) & (roots.real > -60.0)]
    here = 0
    for s in asked:
        h = 1e-6 * (1.0 + abs(s))
        slope = complex((loop.ratio(s + h) - loop.ratio(s - h)) / (2.0 * h))
        off = abs((1.0 + complex(loop.ratio(s))) / slope)  # Newton's step
        # a root that neither torque nor robot touches is the bike's own, and no root of 1 + L
        own = np.min(np.abs(loop.poles - s)) < 1e-3
        assert off < 1e-4 * (1.0 + abs(s)) or own, s
        here += off < 1e-4 * (1.0 + abs(s))
    assert here >= 8


@pytest.mark.parametrize(("speed", "lean"), [*CASES, (66.0, 40.0)])
def test_the_number_of_unstable_roots_is_what_nyquist_counts(loop_at, speed, lean):
    loop, _ = loop_at(speed, lean)
    unstable = int(np.sum(np.linalg.eigvals(loop.matrix()).real > 0.0))
    # 1 + L along the right half plane's edge: up the axis just right of the two integrations at zero.
    s = 1e-3 + 1j * np.concatenate([-np.geomspace(3e4, 1e-6, 60_000), np.geomspace(1e-6, 3e4, 60_000)])
    turns = np.sum(np.angle((v := 1.0 + loop.ratio(s))[1:] / v[:-1])) / (2.0 * math.pi)
    open_loop = int(np.sum(loop.poles.real > 1e-3))
    assert turns == pytest.approx(round(turns), abs=1e-3)
    assert unstable == open_loop - round(turns)


def test_the_loop_agrees_with_the_designs_own_check(told, design, loop_at):
    """With one delay for all, no estimator and no integral part the closed loop is that of robot.design."""
    _, steady = loop_at(15.0, 0.0)
    gains = np.array(gains_for(design, 15.0, 0.0))
    theirs = closed_loop(linearise(told.vehicle, steady), gains)
    ours = np.linalg.eigvals(
        BalanceLoop(
            linearise(told.vehicle, steady),
            gains,
            LoopTiming(0.0, 0.0, LOOP_DELAY, 0.008, pull=0.0),
        ).matrix()
    )
    # Theirs is a first-order Pade without the integral part: alike in what swings slowly, not equal.
    for s in theirs:
        if 5.0 < abs(s) < 70.0 and s.imag > 0.0:
            assert np.min(np.abs(ours - s)) < 0.2 * abs(s)


@pytest.mark.parametrize(("speed", "lean"), CASES)
def test_delay_in_the_loop_already_is_taken_off_the_margin(loop_at, timing, speed, lean):
    loop, _ = loop_at(speed, lean)
    later, _ = loop_at(speed, lean, timing=timing._replace(command_s=timing.command_s + 4e-3))
    bears, still = loop_margin(loop), loop_margin(later)
    assert still.delay == pytest.approx(bears.delay - 4e-3, abs=1e-9)
    assert still.first == bears.first


def test_without_gains_a_fall_needs_no_delay(loop_at):
    loop, _ = loop_at(4.0, 0.0, gains=np.zeros(len(FED_BACK)))
    found = loop_margin(loop)
    assert found.growth > 0.5
    assert found.delay == 0.0
    assert found.first == WEAVE
    assert found.modes == {WEAVE: 0.0}


# ---- the same in time --------------------------------------------------------------------------------------


class Robot:
    """Sampled estimator and feedback with delay lines, as the equations say, step by step."""

    def __init__(self, gains, timing, extra, h):
        self.gains, self.timing, self.h = gains, timing, h
        self.gyro, self.fork = round(timing.rates_s / h), round(timing.steer_s / h)
        self.command = round((timing.command_s + extra) / h)
        keep = max(self.gyro, self.fork, self.command) + 1
        self.past = np.zeros((keep, 5))  # roll rate, yaw rate, steer, steer rate, command
        self.k, self.estimate, self.integral = 0, 0.0, 0.0
        self.torque = 0.0

    def late(self, steps, column):
        return self.past[(self.k - steps) % len(self.past), column]

    def step(self, roll, steer, roll_rate, yaw_rate, steer_rate):
        h, t, g = self.h, self.timing, self.gains
        row = self.past[self.k % len(self.past)]
        row[:4] = roll_rate, yaw_rate, steer, steer_rate
        rate = self.late(self.gyro, 0)
        row[4] = -(
            g[0] * (self.estimate + ROLL_INTEGRAL * self.integral)
            + g[1] * self.late(self.fork, 2)
            + g[2] * rate
            + g[3] * self.late(self.gyro, 1)
            + g[4] * self.late(self.fork, 3)
        )
        self.integral += h * self.estimate
        self.estimate += h * (rate + t.pull * (roll - self.estimate))
        self.torque += h / t.actuator_lag_s * (self.late(self.command, 4) - self.torque)
        self.k += 1
        return self.torque


def pace(rate, h):
    """Growth rate [1/s] of a swinging signal from its size early and late."""
    n = len(rate) // 4
    early, late = (np.linalg.norm(part) for part in (rate[n : 2 * n], rate[3 * n :]))
    return math.log(late / early) / (2 * n * h)


@pytest.mark.parametrize(
    ("speed", "lean", "share"), [(20.0, 0.0, 0.03), (50.0, 0.0, 0.05), (30.0, 40.0, 0.05)]
)
def test_the_linear_model_in_time_decays_below_the_margin_and_grows_above(loop_at, speed, lean, share):
    loop, _ = loop_at(speed, lean)
    margin = loop_margin(loop).delay
    h = 2.5e-4
    step = expm(np.block([[loop.A, loop.b[:, None]], [np.zeros((1, len(loop.b) + 1))]]) * h)
    F, G = step[:-1, :-1], step[:-1, -1]
    found = []
    for extra in ((1.0 - share) * margin, (1.0 + share) * margin):
        robot, x, seen = Robot(loop.gains, loop.timing, extra, h), np.zeros(len(loop.b)), []
        x[ROLL], x[FED_BACK[4]] = 1e-3, 1e-2
        for _ in range(24_000):
            x = F @ x + G * robot.step(*x[list(FED_BACK)])
            seen.append(x[FED_BACK[4]])
        found.append(pace(np.array(seen), h))
    assert found[0] < 0.0 < found[1], found


@pytest.mark.parametrize(("speed", "share"), [(20.0, 0.04), (50.0, 0.08)])
def test_the_bike_itself_decays_below_the_margin_and_grows_above(told, loop_at, speed, share):
    loop, steady = loop_at(speed, 0.0)
    margin = loop_margin(loop).delay
    h = 1e-3
    found = []
    for extra in ((1.0 - share) * margin, (1.0 + share) * margin):
        # The plant's torque stands for a tick: half a one later on the mean, so half a one less of delay.
        timing = loop.timing._replace(command_s=loop.timing.command_s - 0.5 * h)
        robot = Robot(loop.gains, timing, extra, h)
        x, u, s, seen = steady.x.copy(), steady.u.copy(), scratch(), []
        x[JOINT_RATE + STEER] += 1e-3
        for _ in range(5000):
            w, i, j, k = x[QUATERNION : QUATERNION + 4]
            roll = math.atan2(2.0 * (j * k + w * i), 1.0 - 2.0 * (i * i + j * j))
            u[U_STEER_TORQUE] = robot.step(
                roll, x[JOINT + STEER], x[OMEGA], x[OMEGA + 2], x[JOINT_RATE + STEER]
            )
            begin(told.vehicle.body, told.vehicle.tyre, x, u, s)
            finish(told.vehicle.body, told.vehicle.tyre, x, u, h, s)
            seen.append(x[JOINT_RATE + STEER])
        found.append(pace(np.array(seen), h))
    assert found[0] < 0.0 < found[1], found


# ---- over speed and lean -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def margins(told, design, timing):
    return delay_margins(told.vehicle, design, timing, [2.8, 15.0, 50.0], np.radians([0.0, 40.0]))


def test_the_robot_bears_some_delay_wherever_it_rides_upright(margins):
    assert np.all(margins.growth[0] < 0.0)
    assert np.all(margins.loop[0] > 5e-3)
    assert np.all(np.isfinite(margins.frequency[0]))


def test_slow_it_is_weave_that_crosses_first_and_fast_it_is_wobble(margins):
    assert margins.first[0][1:] == [WEAVE, WOBBLE]
    hertz = margins.frequency[0] / (2.0 * math.pi)
    assert 2.0 < hertz[1] < 5.0 < hertz[2] < 12.0
    assert margins.loop[0, 2] < margins.loop[0, 1]


def test_the_loop_bears_what_its_first_mode_bears(margins):
    for i in range(2):
        for j in range(3):
            if not math.isnan(margins.loop[i, j]) and margins.first[i][j]:
                assert margins.modes[margins.first[i][j]][i, j] == margins.loop[i, j]
    for name in NAMES:
        there = np.isfinite(margins.loop)
        assert np.all(margins.modes[name][there] >= margins.loop[there])


def test_what_can_not_be_ridden_is_a_gap(margins):
    assert [(g.speed, math.degrees(g.lean)) for g in margins.gaps] == [(2.8, pytest.approx(40.0))]
    for table in (margins.growth, margins.loop, margins.frequency, *margins.modes.values()):
        assert math.isnan(table[1, 0])
    assert margins.first[1][0] == ""


def test_left_and_right_bear_the_same(told, design, timing):
    m = delay_margins(told.vehicle, design, timing, [25.0], np.radians([-30.0, 30.0]))
    assert m.loop[0, 0] == pytest.approx(m.loop[1, 0], rel=1e-3)
    assert m.first[0] == m.first[1]


def test_speeds_that_are_none_are_refused(told, design, timing):
    with pytest.raises(ValueError, match="rising order"):
        delay_margins(told.vehicle, design, timing, [20.0, 10.0])


def test_speed_is_held(loop_at):
    loop, _ = loop_at(30.0, 40.0)
    assert not loop.A[D_VELOCITY].any()
    assert not loop.A[:, D_VELOCITY].any()
    assert loop.b[D_VELOCITY] == 0.0
