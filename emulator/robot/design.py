"""What the rider works out before it rides: steady turns and balance gains over speed.

Steady turns are tabulated from the vehicle's equilibria: which lateral acceleration, steering angle and
steering command (the torque, or the angle itself on an angle-driven rig) belong to a roll angle at a speed.
The balance gains come from the linearisation at each speed and roll. Steered by torque, fast states (lateral
velocity, tyre deflections, frame torsion) are replaced by their quasi-static values, and a linear-quadratic
regulator for roll, steer, roll rate, yaw rate and steer rate is solved for what is left. Steered by angle it
is solved for all lateral states, and these five gains are taken from it: its fork held, a fast bike swings
about its front wheel, lateral velocity has its part in that, and nothing else would damp it.

Upright the balance they make is checked before they are used: on the unreduced model, with the ages, delays
and lags of the rig that is ridden (emulator.robot.linear_loop). Upright gains alone would leave the weave of
a fast lean unstable.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.errors import StartFailed
from emulator.robot.gears import with_engine_turning
from emulator.robot.linear_loop import FED_BACK, Feedback, SteeringLoop, as_steered
from emulator.robot.timing import LoopTiming
from emulator.vehicle.equilibrium import NoEquilibrium, Steady, steady_motion
from emulator.vehicle.linearise import Linear, lateral_deviations, linearise
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import FRONT_WHEEL, JOINT, JOINT_RATE, REAR_WHEEL, STEER, U_STEER_TORQUE

SPEEDS = (3.0, 4.0, 5.0, 6.5, 8.5, 11.0, 15.0, 20.0, 27.0, 36.0, 48.0, 62.0)
"""[m/s] rows of the tables; held beyond."""
ROLLS = tuple(math.radians(d) for d in (0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55))
"""[rad] columns of the tables."""

# Weights: a roll error of 1 rad costs as much as 550 N m, a roll rate of 1 rad/s as 55 N m, held for as long.
_WEIGHTS = (3.0e5, 0.0, 3.0e3, 0.0, 0.0)
# By angle, an angle counts as 3 + the lean it could hold, v^2/(g wheelbase), to a power. Chosen by the delay
# margins, 33 ms and more on the demo racer at every speed; common practice, no source.
_WEIGHTS_BY_ANGLE = (20.0, 0.0, 1.0, 0.2, 0.0)
_ANGLE_COUNTS, _ANGLE_POWER = 3.0, 1.2

_ROLLING_AT = 20.0  # [m/s] the loaded tyre's rolling radius is taken at this speed: mid-range air loads

_ASIDE = 1e-3  # [rad] to either side, for the tables' slopes
_SLOWEST = -0.5  # [1/s] every lateral motion dies away at least so fast, balanced upright


class Design(NamedTuple):
    """Tables over SPEEDS (n,) and ROLLS (m,).

    speeds (n,), rolls (m,)  grid
    lateral  (n, m) [m/s^2]  size of the lateral acceleration v^2 * curvature
    steer    (n, m) [rad]    steering angle of a left turn (positive)
    command  (n, m)          steering torque [N m] of a left turn, or its angle [rad] where steered by angle
    drift    (n, m) [rad]    course minus heading of the rear contact in a left turn
    gains    (n, m, 5)       command per FED_BACK deviation
    rolling  (2,)            ground speed over wheel-speed reading when upright, front and rear
    """

    speeds: NDArray[np.float64]
    rolls: NDArray[np.float64]
    lateral: NDArray[np.float64]
    steer: NDArray[np.float64]
    command: NDArray[np.float64]
    drift: NDArray[np.float64]
    gains: NDArray[np.float64]
    rolling: NDArray[np.float64]


class Designed(NamedTuple):
    """A design, and how well it balances the bike upright at each of its speeds.

    slowest  (n,) [1/s] greatest real part of the roots of upright motion; -inf where none was looked for
    """

    design: Design
    slowest: NDArray[np.float64]


def _reduced(linear: Linear) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """State and input matrix of FED_BACK with the other lateral deviations quasi-static."""
    slow = list(FED_BACK)
    fast = [k for k in lateral_deviations(linear) if k not in FED_BACK]
    A, B = linear.A, linear.B[:, 0:1]
    cross = A[np.ix_(slow, fast)] @ np.linalg.inv(A[np.ix_(fast, fast)])
    return A[np.ix_(slow, slow)] - cross @ A[np.ix_(fast, slow)], B[slow] - cross @ B[fast]


def balance_gains(linear: Linear) -> NDArray[np.float64]:
    """Gains (5,) of ``torque = -gains @ deviation``. Raises LinAlgError where there is no regulator."""

    from scipy.linalg import solve_continuous_are

    A, B = _reduced(linear)
    P = solve_continuous_are(A, B, np.diag(_WEIGHTS), np.eye(1))
    return np.asarray((B.T @ P)[0])


def angle_gains(linear: Linear, lean_per_angle: float) -> NDArray[np.float64]:
    """Gains (5,) of ``angle = -gains @ deviation`` for a bike that follows an angle (``followed_angle``).

    lean_per_angle  [1] v^2/(g wheelbase)
    Raises LinAlgError where there is no regulator.
    """

    from scipy.linalg import solve_continuous_are

    states = [
        k for k in dict.fromkeys((*FED_BACK, *lateral_deviations(linear))) if linear.A[k].any()
    ]  # without locked joints
    A, B = linear.A[np.ix_(states, states)], linear.B[states, 0:1]
    weights = np.zeros(len(states))
    weights[: len(FED_BACK)] = _WEIGHTS_BY_ANGLE
    cost = (_ANGLE_COUNTS + lean_per_angle) ** _ANGLE_POWER
    P = solve_continuous_are(A, B, np.diag(weights), cost * np.eye(1))
    return np.asarray((B.T @ P)[0, : len(FED_BACK)] / cost)


def balanced(
    linear: Linear, steady: Steady, gains: NDArray[np.float64], timing: LoopTiming
) -> NDArray[np.complex128]:
    """Roots [1/s] of the lateral motions of an upright bike that the gains balance, without a line.

    timing  of the rig's loop
    """
    rest = [k for k in range(len(linear.A)) if k not in lateral_deviations(linear)]
    A, B = linear.A.copy(), linear.B.copy()
    A[rest, :] = A[:, rest] = 0.0  # upright they are a system of their own
    B[rest, :] = 0.0
    M = SteeringLoop(Linear(A, B), steady, Feedback(gains), timing).matrix()
    kept = M.any(axis=0) | M.any(axis=1)
    return np.asarray(np.linalg.eigvals(M[np.ix_(kept, kept)]), np.complex128)


def design_rider(
    vehicle: Vehicle,
    grip: float,
    timing: LoopTiming | None,
    fastest: float = math.inf,
    *,
    checked: bool = True,
) -> Design:
    """The tables, worked out and checked.

    vehicle, grip, timing  as of :func:`work_out`
    fastest [m/s] of the ride, as of :func:`holding`
    checked whether they are
    Raises StartFailed if the gains do not hold the bike up at some speed.
    """
    designed = work_out(vehicle, grip, timing)
    return holding(designed, fastest) if checked else designed.design


def holding(designed: Designed, fastest: float) -> Design:
    """The design, if it holds the bike up as fast as it rides. Raises StartFailed if not.

    fastest  [m/s] of the ride: gains that it has no use for are not asked about
    """
    for i, worst in enumerate(designed.slowest):
        if worst > _SLOWEST and (i == 0 or SPEEDS[i - 1] < fastest):
            raise StartFailed(
                f"the reference robot's gains leave a mode at {worst:+.2f} 1/s at {SPEEDS[i]:.1f} m/s",
                advice="this vehicle is outside what the reference robot can ride with this rig's "
                "latencies and steering actuator: more steering damping helps most, then younger "
                "samples; or let a robot of your own ride it",
            )
    return designed.design


def work_out(vehicle: Vehicle, grip: float, timing: LoopTiming | None) -> Designed:
    """Work out the tables, and how they balance; about a second once the vehicle is compiled.

    grip    [1] road the steady turns are computed for; turns it can't hold repeat the last one it can, and
            so do speeds that its drive can't hold against the air.
    timing  of the rig's loop, which the gains balance in; None: steered by torque, and not looked at
    """
    by_angle = timing is not None and timing.follower > 0.0
    body = vehicle.body[0]
    reach = float(body["gravity"] * (body["front_wheel_x"] - body["rear_wheel_x"]))
    shape = (len(SPEEDS), len(ROLLS))
    lateral, steer, command, drift = (np.zeros(shape) for _ in range(4))
    rolling = np.ones(2)
    gains = np.zeros((*shape, len(FED_BACK)))
    slowest = np.full(len(SPEEDS), -math.inf)
    stop = 0.9 * float(vehicle.body[0]["steering_stop_angle"])
    for i, speed in enumerate(SPEEDS):
        steady = None
        for j, roll in enumerate(ROLLS):
            try:
                steady = steady_motion(vehicle, speed, roll, grip=grip, guess=steady)
                if abs(steady.x[JOINT + STEER]) > stop:  # the search went off to a turn on the steering stop
                    raise NoEquilibrium
            except NoEquilibrium:
                if i == j == 0:
                    raise
                for table in (lateral, steer, command, drift, gains):
                    table[i, j:] = table[i, j - 1] if j else table[i - 1]
                break
            linear = linearise(vehicle, steady)
            try:
                if timing is not None and by_angle:
                    gains[i, j] = angle_gains(as_steered(linear, timing), speed * speed / reach)
                else:
                    gains[i, j] = balance_gains(linear)
            except np.linalg.LinAlgError:
                gains[i, j] = gains[i, j - 1] if j else 0.0
            if j == 0 and timing is not None:
                running = with_engine_turning(vehicle, steady, speed)
                roots = balanced(linearise(vehicle, running), running, gains[i, j], timing)
                slowest[i] = np.max(roots.real)
            # A roll to the right turns right: tabulate sizes, for a turn to the left.
            lateral[i, j] = -speed * speed * steady.curvature
            steer[i, j] = -steady.x[JOINT + STEER]
            command[i, j] = steer[i, j] if by_angle else -steady.u[U_STEER_TORQUE]
            drift[i, j] = -steady.drift
            if j == 0 and speed <= _ROLLING_AT:
                for k, (joint, tyre) in enumerate(((FRONT_WHEEL, 1), (REAR_WHEEL, 0))):
                    reading = steady.x[JOINT_RATE + joint] * float(vehicle.tyre[tyre]["radius"])
                    rolling[k] = speed / reading
    tables = Design(np.array(SPEEDS), np.array(ROLLS), lateral, steer, command, drift, gains, rolling)
    return Designed(tables, slowest)


def with_shares(design: Design, shares: Sequence[float]) -> Design:
    """The design with each balance gain at so much (5,) of what it is; 1 as designed.

    It is not checked again: what such a robot can't hold up is what one wants to see.
    """
    return design._replace(gains=design.gains * np.asarray(shares, np.float64))


def blank_design() -> Design:
    """Tables of zeros: the right shapes to compile for, nothing to ride with."""
    shape = (len(SPEEDS), len(ROLLS))
    lateral, steer, command, drift = (np.zeros(shape) for _ in range(4))
    return Design(
        np.array(SPEEDS),
        np.array(ROLLS),
        lateral,
        steer,
        command,
        drift,
        np.zeros((*shape, len(FED_BACK))),
        np.ones(2),
    )


# --- look-up, compiled ------------------------------------------------------------------------------


@jit
def speed_cell(d: Design, speed: float) -> tuple[int, float]:
    """Row below ``speed`` and the fraction to the next."""
    n = d.speeds.shape[0]
    if speed <= d.speeds[0]:
        return 0, 0.0
    if speed >= d.speeds[n - 1]:
        return n - 2, 1.0
    i = 0
    while speed >= d.speeds[i + 1]:
        i += 1
    return i, (speed - d.speeds[i]) / (d.speeds[i + 1] - d.speeds[i])


@jit
def gains_for(d: Design, speed: float, roll: float) -> tuple[float, float, float, float, float]:
    """Balance gains at a speed [m/s] and roll [rad] of either side: between the tables' rows, held beyond."""
    i, f = speed_cell(d, speed)
    j, g = _roll_cell(d, abs(roll))
    low, high = d.gains[i], d.gains[i + 1]
    return (
        _across(low, high, 0, f, j, g),
        _across(low, high, 1, f, j, g),
        _across(low, high, 2, f, j, g),
        _across(low, high, 3, f, j, g),
        _across(low, high, 4, f, j, g),
    )


def feedback_at(d: Design, speed: float, roll: float) -> Feedback:
    """The linear feedback about the steady turn at a speed [m/s] and roll [rad], return to the line included.

    Slopes are those of the tables, as they are read: between two rows at a kink.
    """
    speed = max(speed, float(d.speeds[0]))
    turns = [lateral_of(d, speed, roll + side * _ASIDE) for side in (-1.0, 1.0)]
    per_roll = np.diff(
        [
            (turn, *turn_for(d, speed, turn)[1:], turn / speed * math.cos(roll + side * _ASIDE))
            for turn, side in zip(turns, (-1.0, 1.0), strict=True)
        ],
        axis=0,
    )[0] / (2.0 * _ASIDE)
    lateral, steer, command, yaw_rate = (float(v) for v in per_roll)
    return Feedback(
        gains=np.array(gains_for(d, speed, roll)),
        roll_per_lateral=1.0 / lateral if lateral != 0.0 else 0.0,
        command_per_roll=command,
        steer_per_roll=steer,
        yaw_rate_per_roll=yaw_rate,
    )


@jit
def _across(low: NDArray[np.float64], high: NDArray[np.float64], k: int, f: float, j: int, g: float) -> float:
    here, there = (
        low[j, k] + f * (high[j, k] - low[j, k]),
        low[j + 1, k] + f * (high[j + 1, k] - low[j + 1, k]),
    )
    return float(here + g * (there - here))


@jit
def _roll_cell(d: Design, size: float) -> tuple[int, float]:
    """Column below a roll angle (its size) and the fraction to the next."""
    m = d.rolls.shape[0]
    j = 0
    while j < m - 2 and d.rolls[j + 1] < size:
        j += 1
    return j, min(1.0, (size - d.rolls[j]) / (d.rolls[j + 1] - d.rolls[j]))


@jit
def _mixed(table: NDArray[np.float64], i: int, f: float, j: int) -> float:
    return float(table[i, j] + f * (table[i + 1, j] - table[i, j]))


@jit
def turn_for(d: Design, speed: float, lateral: float) -> tuple[float, float, float]:
    """Roll [rad], steer [rad] and command of the steady turn with lateral acceleration [m/s^2] (left +).

    Roll is to the inside: negative for a left turn. Held at the edge of the table.
    """
    i, f = speed_cell(d, speed)
    wanted = abs(lateral)
    m = d.rolls.shape[0]
    j = 0
    while j < m - 2 and _mixed(d.lateral, i, f, j + 1) < wanted:
        j += 1
    low, high = _mixed(d.lateral, i, f, j), _mixed(d.lateral, i, f, j + 1)
    g = 0.0 if high <= low else min(1.0, max(0.0, (wanted - low) / (high - low)))
    roll = d.rolls[j] + g * (d.rolls[j + 1] - d.rolls[j])
    steer = _mixed(d.steer, i, f, j) + g * (_mixed(d.steer, i, f, j + 1) - _mixed(d.steer, i, f, j))
    command = _mixed(d.command, i, f, j) + g * (_mixed(d.command, i, f, j + 1) - _mixed(d.command, i, f, j))
    if lateral >= 0.0:
        return -roll, steer, command
    return roll, -steer, -command


@jit
def _by_roll(d: Design, table: NDArray[np.float64], speed: float, roll: float) -> float:
    """An odd function of roll from its table for left turns (roll negative)."""
    i, f = speed_cell(d, speed)
    j, g = _roll_cell(d, abs(roll))
    value = _mixed(table, i, f, j) + g * (_mixed(table, i, f, j + 1) - _mixed(table, i, f, j))
    return -value if roll > 0.0 else value


@jit
def lateral_of(d: Design, speed: float, roll: float) -> float:
    """Lateral acceleration [m/s^2] (left +) of the steady turn at a roll angle [rad]."""
    return _by_roll(d, d.lateral, speed, roll)


@jit
def drift_of(d: Design, speed: float, roll: float) -> float:
    """Course minus heading [rad] of the rear contact in the steady turn at a roll angle [rad]."""
    return _by_roll(d, d.drift, speed, roll)
