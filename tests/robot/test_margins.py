"""Delay margins: closed forms, two ways to the same roots, and rides just inside and just outside."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import expm

from emulator.core.axes import roll_pitch_yaw, rotation_of
from emulator.core.compiled import jit
from emulator.robot.design import feedback_at
from emulator.robot.linear_loop import FED_BACK, Feedback, SteeringLoop
from emulator.robot.margins import Crossing, crossings, delay_margins, loop_margin
from emulator.robot.tuning import (
    PATH_DAMPING,
    PATH_INTEGRAL,
    ROLL_FILTER,
    ROLL_INTEGRAL,
    STEP,
    SWING_HEIGHT,
    path_rate,
)
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.linearise import ROLL, course_rows, linearise
from emulator.vehicle.modes import NAMES, WEAVE, WOBBLE, SteadyTurns
from emulator.vehicle.state import (
    JOINT,
    JOINT_RATE,
    OMEGA,
    POSITION,
    QUATERNION,
    STEER,
    U_STEER_TORQUE,
    scratch,
)

FINE = np.geomspace(1e-3, 1e3, 4000)
CASES = [(20.0, 0.0), (50.0, 0.0), (30.0, 40.0)]
"""Speed [m/s] and lean [deg]."""


@pytest.fixture(scope="module")
def design(prepared):
    return prepared.rider.design


@pytest.fixture(scope="module")
def timing(told):
    return told.timing


@pytest.fixture(scope="module")
def loop_at(told, design, timing):
    """The rider's loop at a speed [m/s] and lean [deg], and the steady motion it is about."""
    turns = SteadyTurns(told.vehicle)

    def at(speed, lean_deg, feedback=None, timing=timing):
        steady = turns.at(speed, math.radians(lean_deg))
        feedback = feedback or feedback_at(design, speed, math.radians(lean_deg))
        return SteeringLoop(linearise(told.vehicle, steady), steady, feedback, timing), steady

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


@pytest.mark.parametrize(("speed", "lean"), CASES)
def test_delay_in_the_loop_already_is_taken_off_the_margin(loop_at, timing, speed, lean):
    loop, _ = loop_at(speed, lean)
    later, _ = loop_at(speed, lean, timing=timing._replace(command_s=timing.command_s + 4e-3))
    bears, still = loop_margin(loop), loop_margin(later)
    assert still.delay == pytest.approx(bears.delay - 4e-3, abs=1e-9)
    assert still.first == bears.first


def test_without_gains_a_fall_needs_no_delay(loop_at):
    loop, _ = loop_at(4.0, 0.0, Feedback(np.zeros(len(FED_BACK))))
    found = loop_margin(loop)
    assert found.growth > 0.5
    assert found.delay == 0.0
    assert found.first == WEAVE
    assert found.modes == {WEAVE: 0.0}


# ---- the same in time --------------------------------------------------------------------------------------


@jit
def answer(f, timing, speed, h, ages, command, past, state, k, seen):
    """Torque after step ``k`` of the robot's equations; ``seen`` (7,) of that step.

    ages, command   steps back of each of the seven, and of the command
    past    (m, 8)  what was seen, then the command, the rows round and round
    state   (5,)    integral, path, target, target rate, torque
    """
    rows = past.shape[0]
    row = past[k % rows]
    for column in range(7):
        row[column] = seen[column]
    roll, steer = past[(k - ages[0]) % rows, 0], past[(k - ages[1]) % rows, 1]
    roll_rate, yaw_rate = past[(k - ages[2]) % rows, 2], past[(k - ages[3]) % rows, 3]
    steer_rate = past[(k - ages[4]) % rows, 4]
    offset, heading = past[(k - ages[5]) % rows, 5], past[(k - ages[6]) % rows, 6]
    offset += timing.told_s / h * (offset - past[(k - ages[5] - 1) % rows, 5])
    state[1] += h * PATH_INTEGRAL * offset
    error, error_rate = roll - state[2], roll_rate - state[3]
    rate = path_rate(speed)
    back = rate**2 * (SWING_HEIGHT * error - offset - state[1])
    back += 2.0 * PATH_DAMPING * rate * (SWING_HEIGHT * error_rate - speed * heading)
    pull = ROLL_FILTER**2 * (f.roll_per_lateral * back - state[2]) - 2.0 * ROLL_FILTER * state[3]
    state[3] += h * pull
    state[2] += h * state[3]
    error = roll - state[2]
    state[0] += h * error
    row[7] = (
        f.command_per_roll * state[2]
        - f.gains[0] * (error + ROLL_INTEGRAL * state[0])
        - f.gains[1] * (steer - f.steer_per_roll * state[2])
        - f.gains[2] * (roll_rate - state[3])
        - f.gains[3] * (yaw_rate - f.yaw_rate_per_roll * state[2])
        - f.gains[4] * steer_rate
    )
    state[4] += h / timing.actuator_lag_s * (past[(k - command) % rows, 7] - state[4])
    return state[4]


@jit
def linear_ride(F, G, fed, f, timing, speed, h, ages, command, past, state, x, y, seen, rates):
    """Fill ``rates`` (n,) with the steering rate of the linear model x -> F x + G torque under the robot."""
    behind = x.size - 2
    for k in range(rates.size):
        for i in range(5):
            seen[i] = x[fed[i]]
        seen[5], seen[6] = x[behind], x[behind + 1]
        torque = answer(f, timing, speed, h, ages, command, past, state, k, seen)
        for i in range(x.size):
            y[i] = G[i] * torque
            for j in range(x.size):
                y[i] += F[i, j] * x[j]
        for i in range(x.size):
            x[i] = y[i]
        rates[k] = x[fed[4]]


class Robot:
    """Sampled estimate and feedback with delay lines, as the equations say, step by step."""

    def __init__(self, loop, speed, extra, h):
        t = loop.timing
        # the compiled robot's target is a control period ahead of the continuous filter
        ages = (
            *(t.estimate_s, t.steer_s, t.rates_s, t.rates_s, t.steer_s),
            *(t.estimate_s - STEP, t.estimate_s - STEP),
        )
        steps = np.array([round(age / h) for age in ages])
        command = round((t.command_s + extra) / h)
        past = np.zeros((max(*steps, command) + 2, 8))  # samples, then the command
        self.held = (loop.feedback, t, float(speed), h, steps, command, past, np.zeros(5))
        self.k, self.seen = 0, np.zeros(7)

    def step(self, *seen):
        self.seen[:] = seen
        self.k += 1
        return answer(*self.held, self.k - 1, self.seen)

    def ride(self, F, G, x, steps):
        """Steering rate of each step of the linear model, from x."""
        rates = np.empty(steps)
        linear_ride(F, G, np.array(FED_BACK), *self.held, x, np.empty_like(x), self.seen, rates)
        return rates


def pace(rate, h):
    """Growth rate [1/s] of a swinging signal from its size early and late."""
    n = len(rate) // 4
    early, late = (np.linalg.norm(part) for part in (rate[n : 2 * n], rate[3 * n :]))
    return math.log(late / early) / (2 * n * h)


@pytest.mark.parametrize(("speed", "share"), [(20.0, 0.1), (34.0, 0.1), (50.0, 0.05)])
def test_the_linear_model_in_time_decays_below_the_margin_and_grows_above(loop_at, speed, share):
    loop, steady = loop_at(speed, 0.0)
    margin = loop_margin(loop).delay
    h, n = 2.5e-4, len(loop.b)
    course = course_rows(steady)
    M = np.zeros((n + 3, n + 3))  # deviations, offset, heading, torque
    M[:n, :n], M[:n, n + 2] = loop.A, loop.b
    M[n, :n], M[n, n + 1], M[n + 1, :n] = course[1], speed, course[0]
    step = expm(M * h)
    F, G = step[: n + 2, : n + 2].copy(), step[: n + 2, n + 2].copy()
    found = []
    for extra in ((1.0 - share) * margin, (1.0 + share) * margin):
        x = np.zeros(n + 2)
        x[ROLL], x[FED_BACK[4]] = 1e-3, 1e-2
        found.append(pace(Robot(loop, speed, extra, h).ride(F, G, x, 60_000), h))
    assert found[0] < 0.0 < found[1], found


def test_the_bike_itself_decays_below_the_margin_and_grows_above(told, loop_at):
    """The plant's own integration, not its linearisation; at a speed at which what grows grows fast."""
    loop, steady = loop_at(50.0, 0.0)
    margin = loop_margin(loop).delay
    h = 1e-3
    found = []
    for extra in (0.92 * margin, 1.08 * margin):
        # The plant's torque stands for a tick: half a one later on the mean, so half a one less of delay.
        robot, x, u, s, seen = (
            Robot(loop, 50.0, extra - 0.5 * h, h),
            steady.x.copy(),
            steady.u.copy(),
            scratch(),
            [],
        )
        x[JOINT_RATE + STEER] += 1e-3
        for _ in range(5000):
            roll, _, heading = roll_pitch_yaw(rotation_of(*x[QUATERNION : QUATERNION + 4]))
            u[U_STEER_TORQUE] = robot.step(
                *(roll, x[JOINT + STEER], x[OMEGA], x[OMEGA + 2], x[JOINT_RATE + STEER]),
                *(x[POSITION + 1], heading),
            )
            begin(told.vehicle.body, told.vehicle.tyre, x, u, s)
            finish(told.vehicle.body, told.vehicle.tyre, x, u, h, s)
            seen.append(x[JOINT_RATE + STEER])
        found.append(pace(np.array(seen), h))
    assert found[0] < 0.0 < found[1], found


# ---- over speed and lean -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def margins(told, design, timing):
    return delay_margins(told.vehicle, design, timing, [2.8, 11.1, 17.0, 50.0], np.radians([0.0, 40.0]))


def test_the_robot_bears_some_delay_where_it_rides_fast_enough(margins):
    assert np.all(margins.growth[0, 2:] < 0.0)
    assert np.all(margins.loop[0, 2:] > 5e-3)
    assert np.all(np.isfinite(margins.frequency[0]))


def test_slow_it_bears_a_delay_too(margins):
    """At 40 km/h a return that looks at the foot of the bike alone grows by itself, at 0.8 Hz."""
    assert margins.growth[0, 1] < -0.2
    assert margins.loop[0, 1] > 0.020


def test_it_is_the_way_back_to_the_line_that_crosses_first_and_fast_it_is_wobble(margins):
    assert margins.first[0][1] == WEAVE
    assert margins.first[0][3] == WOBBLE
    hertz = margins.frequency[0] / (2.0 * math.pi)
    assert 5.0 < hertz[3] < 12.0
    assert margins.loop[0, 3] < margins.loop[0, 2]


def test_without_the_way_back_more_is_borne_at_town_speed(loop_at, design):
    loop, _ = loop_at(17.0, 0.0)
    balance, _ = loop_at(17.0, 0.0, feedback_at(design, 17.0, 0.0)._replace(roll_per_lateral=0.0))
    assert loop_margin(balance).delay > 1.2 * loop_margin(loop).delay


def test_the_loop_bears_what_its_first_mode_bears(margins):
    for i in range(2):
        for j in range(4):
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
