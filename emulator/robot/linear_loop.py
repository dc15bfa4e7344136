"""The reference robot's steering closed around the bike, linear about a steady motion: balance and line.

The loop is cut at the steering command: a torque, or the angle of a fork that the bike's steering follows.
G(s) is the bike's answer to the command that acts: the deviations that are fed back, and with the rate of its
heading x and its speed to the left u the way it goes beside its line,

    offset' = V heading + c u          heading' = x + k d u - k^2 V offset

(k the line's curvature, V the speed over ground; c and d cosine and sine of the steady heading against the
line, which differs from the course by the drift). K(s) is all from there back to the command, as the robot's
step computes it (emulator.robot.ride):

    asked back to the line   a = -w^2 ((1 + i/s) offset - h e) - 2 z w (v heading - h s e),   e = roll - T
    roll target              T = R a W^2 / (s^2 + 2 W s + W^2)
    command                  m T - k0 (1 + j/s) (roll - T) - k1 (steer - n T) - k2 (roll rate - s T)
                             - k3 (yaw rate - q T) - k4 steer rate

with R, m, n, q the slopes of its tables of steady turns, and its samples as old as emulator.robot.timing
says.

Its estimate is the truth of a while ago, and nothing else: attitude, speed and position are integrated from
inertial samples, which pass every motion as late as they are. What draws them to GNSS, wheel speeds and lean
compares each with the estimate of its own time, so it finds only the estimate's errors, whichever way the
bike moves: they decay by themselves, outside this loop. Two of its measurements are not quite true in motion,
that the rear goes where the steady turns say, and the lean sensor's: decision 115 has their effect.

In the loop as well: the discrete sums and filters (their half periods are in the ages), the actuator's lag.
Not in it: noise, steps of the frames' values, limits, and speed, which is held.
"""

from __future__ import annotations

import math
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.robot.timing import LoopTiming
from emulator.robot.tuning import (
    PATH_DAMPING,
    PATH_INTEGRAL,
    PATH_INTEGRAL_FROM,
    ROLL_FILTER,
    ROLL_INTEGRAL,
    STEP,
    SWING_HEIGHT,
    path_rate,
)
from emulator.vehicle.equilibrium import Steady
from emulator.vehicle.linearise import (
    D_JOINT_RATE,
    D_OMEGA,
    D_STEER,
    D_VELOCITY,
    N_DEVIATIONS,
    ROLL,
    Linear,
    course_rows,
    followed_angle,
)
from emulator.vehicle.state import STEER, VELOCITY

FED_BACK = (ROLL, D_STEER, D_OMEGA, D_OMEGA + 2, D_JOINT_RATE + STEER)
"""Deviations the balance feeds back: roll, steer, roll rate, yaw rate, steer rate."""

_PADE_ORDER = 4
_NO_LAG = 1e-4  # [s] of an actuator without one, in the state matrix: nothing notices

Complex: TypeAlias = NDArray[np.complex128]


class Feedback(NamedTuple):
    """What the robot makes of its estimate, about one steady motion.

    gains               (5,) [N m or rad, per FED_BACK]  command = -gains @ deviations
    roll_per_lateral    [rad/(m/s^2)] roll target over the lateral acceleration asked for; 0: only balanced
    command_per_roll    [N m/rad] or [1]  torque or angle that is asked for, ...
    steer_per_roll      [1]        ... steering angle ...
    yaw_rate_per_roll   [1/s]      ... and yaw rate of the steady turn, over its roll
    """

    gains: NDArray[np.float64]
    roll_per_lateral: float = 0.0
    command_per_roll: float = 0.0
    steer_per_roll: float = 0.0
    yaw_rate_per_roll: float = 0.0


class SteeringLoop:
    """The loop at one steady motion, whose line is the way the motion goes."""

    def __init__(self, linear: Linear, steady: Steady, feedback: Feedback, timing: LoopTiming) -> None:
        from scipy.linalg import schur

        self.feedback, self.timing = feedback, timing
        linear = as_steered(linear, timing)
        self.A, self.b = linear.A.copy(), linear.B[:, 0].copy()
        # The robot holds the speed: its slow mode is not for the steering to keep.
        self.A[D_VELOCITY, :] = self.A[:, D_VELOCITY] = self.b[D_VELOCITY] = 0.0
        # A = U T U*, T upper triangular: unlike eigenvectors they are there for poles that fall together, as
        # those of a critically damped follower do.
        self._triangle, unitary = schur(self.A, output="complex")
        self.poles: Complex = np.diag(self._triangle)
        size = len(self.A)  # a fork that bends deviates, too; the course is the frame's
        self._course = np.pad(course_rows(steady), ((0, 0), (0, size - N_DEVIATIONS)))
        self._course[:, D_VELOCITY] = 0.0
        self._outputs = np.vstack([np.eye(size)[list(FED_BACK)], self._course])
        self._seen, self._driven = self._outputs @ unitary, unitary.conj().T @ self.b
        self._speed = math.hypot(float(steady.x[VELOCITY]), float(steady.x[VELOCITY + 1]))
        self._along = self._speed * math.cos(steady.drift)  # of the heading
        self._curvature = steady.curvature
        self._c, self._d = math.cos(steady.drift), -math.sin(steady.drift)
        self._path_integral = PATH_INTEGRAL if self._along > PATH_INTEGRAL_FROM else 0.0
        rate = path_rate(self._along)
        self._back, self._turned = rate**2, 2.0 * PATH_DAMPING * rate  # per offset, per its rate
        height = SWING_HEIGHT if timing.follower == 0.0 else 0.0
        self._swing, self._swinging = height * self._back, height * self._turned
        # Of the roll target, from which the swing is measured. Its sums lag half a period behind their rates.
        pull = ROLL_FILTER**2 * feedback.roll_per_lateral
        self._spring = ROLL_FILTER**2 + pull * self._swing
        self._damping = 2.0 * ROLL_FILTER + pull * self._swinging
        self._inertia = 1.0 - 0.5 * STEP * self._damping

    # -- in frequency --------------------------------------------------------------------------------

    def ratio(self, s: complex | Complex) -> Complex:
        """L(s): command that comes back around the loop, sign changed, over the one that acts. Any shape."""
        at = np.asarray(s, complex)
        return np.asarray(sum(row * out for row, out in zip(self._row(at), self._bike(at), strict=True)))

    def _bike(self, at: Complex) -> Complex:
        """G(s): (7, ...) what is fed back, heading's rate and side speed over the command that acts."""
        y = np.zeros((len(self.poles), *at.shape), complex)  # of (s - T) y = U* b, from below
        for k in reversed(range(len(y))):
            known = np.tensordot(self._triangle[k, k + 1 :], y[k + 1 :], 1)
            y[k] = (self._driven[k] + known) / (at - self.poles[k])
        return np.asarray(np.tensordot(self._seen, y, 1))

    def _row(self, at: Complex) -> list[Complex]:
        """K(s), sign changed: command that acts for each of FED_BACK, heading's rate and side speed."""
        t, f = self.timing, self.feedback
        k0, k1, k2, k3, k4 = f.gains
        gyro, estimate, fork = (np.exp(-at * age) for age in (t.rates_s, t.estimate_s, t.steer_s))
        held = np.exp(-at * t.command_s) / (1.0 + at * t.actuator_lag_s)
        summed = k0 * (1.0 + ROLL_INTEGRAL / at)
        # what the command does with the roll target, sign changed
        of_target = -(
            summed + k1 * f.steer_per_roll + k2 * at + k3 * f.yaw_rate_per_roll + f.command_per_roll
        )
        resisted = self._inertia * at * at + self._damping * at + self._spring
        target = f.roll_per_lateral * ROLL_FILTER**2 * np.exp(at * STEP) / resisted
        row = [
            held * summed * estimate + held * of_target * target * self._swing * estimate,
            held * k1 * fork,
            held * k2 * gyro + held * of_target * target * self._swinging * gyro,
            held * k3 * gyro,
            held * k4 * fork,
        ]
        asked = -self._back * (1.0 + self._path_integral / at) * (1.0 + at * t.told_s)
        turned = -self._turned * self._along * self._c
        return row + [
            held * of_target * target * estimate * (asked * offset + turned * heading)
            for offset, heading in self._way(at)
        ]

    def _way(self, at: Complex) -> tuple[tuple[Complex, Complex], tuple[Complex, Complex]]:
        """Offset [m] and heading [rad] beside the line over the heading's rate, and over the side speed."""
        V, k, c, d = self._speed, self._curvature, self._c, self._d
        round_trip = at * at + (k * V) ** 2
        by_rate, by_side = V / round_trip, (V * k * d + at * c) / round_trip
        return (
            (by_rate, (1.0 - k * k * V * by_rate) / at),
            (by_side, (k * d - k * k * V * by_side) / at),
        )

    def share(self, s: complex) -> NDArray[np.float64]:
        """Share (23,) of each deviation in a root of the loop at s, whatever the extra delay."""
        resolvent = np.linalg.inv(s * np.eye(len(self.A)) - self.A)
        row = np.array([complex(v) for v in self._row(np.array(s, complex))]) @ self._outputs
        share = np.abs((resolvent @ self.b) * (row @ resolvent))
        return np.asarray(share / share.sum())

    # -- as a matrix -------------------------------------------------------------------------------------

    def matrix(self) -> NDArray[np.float64]:
        """The closed loop without extra delay as a state matrix, deviations first; delays by Pade.

        The command's delay is moved to where the samples come from: in a linear loop that is the same.
        """
        t, f = self.timing, self.feedback
        k0, k1, k2, k3, k4 = f.gains
        names = ("command", "integral", "offset", "heading", "path_integral", "target", "target_rate")
        command, integral, offset, heading, path, target, target_rate = range(
            len(self.A), len(self.A) + len(names)
        )
        e = np.eye(len(self.A) + len(names))
        yaw_rate, side = np.pad(self._course, ((0, 0), (0, len(names))))
        V, k, c, d = self._speed, self._curvature, self._c, self._d
        away = V * e[heading] + c * side
        signals = (
            (e[D_OMEGA], t.rates_s),
            (e[D_OMEGA + 2], t.rates_s),
            (k1 * e[D_STEER] + k4 * e[FED_BACK[4]], t.steer_s),
            (e[ROLL], t.estimate_s),
            (e[offset] + t.told_s * away, t.estimate_s - STEP),
            (e[heading], t.estimate_s - STEP),
            (self._swing * e[ROLL], t.estimate_s - STEP),
            (self._swinging * e[D_OMEGA], t.rates_s - STEP),
        )
        size = len(e) + _PADE_ORDER * len(signals)
        M = np.zeros((size, size))
        late = []
        for i, (row, age) in enumerate(signals):
            first = len(e) + _PADE_ORDER * i
            block = slice(first, first + _PADE_ORDER)
            a, b, out_of, through = _pade(age + t.command_s)
            M[block, block] = a
            M[block, : len(e)] += np.outer(b, row)
            out = np.zeros(size)
            out[block], out[: len(e)] = out_of, through * row
            late.append(out)
        p, r, steering, roll, beside, turned, swung, swinging = late
        x = np.eye(size)
        M[: len(self.A), : len(self.A)] = self.A
        M[: len(self.A), command] = self.b
        M[offset, : len(e)] = away
        M[heading, : len(e)] = yaw_rate + k * d * side - k * k * V * e[offset]
        M[path] = self._path_integral * beside
        error = roll - x[target]
        back = -self._back * (beside + x[path]) - self._turned * self._along * c * turned
        back += swung + swinging
        M[target] = x[target_rate]
        M[target_rate] = ROLL_FILTER**2 * f.roll_per_lateral * back
        M[target_rate] -= self._spring * x[target] + self._damping * x[target_rate]
        M[target_rate] /= self._inertia
        M[integral] = error
        asked = (f.command_per_roll + k1 * f.steer_per_roll) * x[target] - steering
        asked -= k0 * (error + ROLL_INTEGRAL * x[integral])
        asked -= k2 * (p - x[target_rate]) + k3 * (r - f.yaw_rate_per_roll * x[target])
        M[command] = (asked - x[command]) / max(t.actuator_lag_s, _NO_LAG)
        cut = [path] if self._path_integral == 0.0 else []
        if f.roll_per_lateral == 0.0:  # nobody goes back to the line: where it is, is no part of the loop
            cut = [*range(offset, target_rate + 1), *range(size - 4 * _PADE_ORDER, size)]
        return np.delete(np.delete(M, cut, axis=0), cut, axis=1)


def as_steered(linear: Linear, timing: LoopTiming) -> Linear:
    """The linear bike whose first input is what the robot steers by: torque, or the angle that it follows."""
    return linear if timing.follower == 0.0 else followed_angle(linear, timing.follower)


def _pade(
    delay: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]:
    """State-space (a, b, c, d) of the diagonal Pade approximation of a delay [s]."""
    n = _PADE_ORDER
    f = math.factorial
    c = [f(2 * n - j) * f(n) / (f(2 * n) * f(j) * f(n - j)) for j in range(n + 1)]
    below = np.array(c) / c[n]
    above = below * (-1.0) ** np.arange(n + 1)
    a = np.zeros((n, n))
    a[:-1, 1:] = np.eye(n - 1)
    a[-1] = -below[:n]
    b = np.zeros(n)
    b[-1] = 1.0
    d = float(above[n])
    if delay <= 0.0:
        return -np.eye(n), np.zeros(n), np.zeros(n), 1.0
    return a / delay, b / delay, above[:n] - d * below[:n], d
