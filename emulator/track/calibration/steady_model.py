"""What a bike near a steady motion does next, by its parameters: a Kalman predictor.

Near straight running or a steady turn the bike is linear, and unstable or nearly so. Torques played into it
for long say nothing; what it does within the next sample, from a state that the samples before told, does.
The predictor x' = A x + B u + K e, y = C x + e makes a log into innovations e, which are white of covariance
S if the parameters and the noise are right. K follows from the noise, so nothing of it is fitted.

The noise is stated: torque on the steering, wind from the side and drive that nobody measured, and that of
each sensor, all white. Wind and drive may follow theirs within a time, and are states then. All from the
compiled derivative that the loop runs.

Source: K. J. Astrom, *Maximum likelihood and prediction error methods*, Automatica 16 (1980), from memory;
the doubling of the Riccati equation: B. D. O. Anderson, Int. J. Control 28 (1978), from memory.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import roll_pitch_yaw, rotate, rotation_of
from emulator.core.compiled import jit, jit_with_memory
from emulator.vehicle.equilibrium import Steady
from emulator.vehicle.linearise import D_JOINT_RATE, by_side_wind, linearise_with
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    JOINT,
    OMEGA,
    QUATERNION,
    STEER,
    VELOCITY,
)

Values = NDArray[np.float64]

OUTPUTS = ("roll_rate_rad_s", "yaw_rate_rad_s", "steer_rad", "roll_rad", "speed_m_s")
"""What the predictor predicts, in this order; rates about the bike's own axes."""

_SMALL = 0.05  # norm of A times the time at which the exponential's series begins
_TERMS = 7
_MOST_DOUBLINGS = 60
SETTLING_s = 1.0
"""The predictor's time to know where the bike is, at the start and after a hole."""
_WIDE = 1e4
"""Of its steady covariance that it begins with. With the steady gain alone it would take five times as long,
and what is left of where a stretch began, off its own mean, passes for other parameters."""
_TRACE = 1e-9  # [of the largest] process noise on every state: none is taken for known


class Noise(NamedTuple):
    """What is not measured, as white noise, and each sensor's.

    torque   [N m/sqrt(Hz)]    on the steering, beside what was measured
    wind     [m/s/sqrt(Hz)]    from the side
    drive    [N m/sqrt(Hz)]    of the chain on the rear wheel
    sensors  (5,)              standard deviation of a sample of each of OUTPUTS
    lag      [s]               within which wind and drive follow, of the first order; 0: at once
    """

    torque: float
    wind: float
    drive: float
    sensors: tuple[float, ...]
    lag: float = 0.0


class SteadyModel(NamedTuple):
    """A bike about one steady motion, sampled.

    A (n, n), B (n,)   of the state's deviation, by the steering torque's, held over a step; behind the bike's
                       own states wind [m/s] and drive [N m] that nobody measured, where they follow in a time
    C (m, n)           outputs
    K (n, m), S (m, m) the steady predictor's gain, and the covariance of its innovations
    Q (n, n)           covariance of a step's process noise
    torque, outputs    the steady motion's own [N m] and (m,)
    rate               (n,) reads the steering rate [rad/s];  rate_sd  how far off what is predicted of it is
    kept               (n,) deviations of emulator.vehicle.linearise that the bike's own states are
    beginning          (r, n, m) gains of the first steps of a predictor that knows next to nothing yet
    """

    A: Values
    B: Values
    C: Values
    K: Values
    S: Values
    Q: Values
    torque: float
    outputs: Values
    rate: Values
    rate_sd: float
    kept: NDArray[np.int64] = np.empty(0, np.int64)
    beginning: Values = np.empty((0, 0, 0))


def read_outputs(x: Values) -> Values:
    """OUTPUTS (5,) of a state (N_X,)."""
    out = np.empty(len(OUTPUTS))
    read_into(x, out)
    return out


def _read_all(x: Values, xdot: Values) -> Values:
    """OUTPUTS (r, 5) of states (r, N_X); their rates are not needed."""
    out = np.empty((len(x), len(OUTPUTS)))
    _read_each(x, out)
    return out


@jit
def _read_each(x: Values, out: Values) -> None:
    for row in range(len(x)):
        read_into(x[row], out[row])


@jit
def read_into(x: Values, out: Values) -> None:
    """OUTPUTS (5,) of a state (N_X,)."""
    R = rotation_of(x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3])
    roll, _, yaw = roll_pitch_yaw(R)
    vx, vy, _ = rotate(R, x[VELOCITY], x[VELOCITY + 1], x[VELOCITY + 2])
    out[0], out[1], out[2], out[3] = x[OMEGA], x[OMEGA + 2], x[JOINT + STEER], roll
    out[4] = math.cos(yaw) * vx + math.sin(yaw) * vy


def steady_model(vehicle: Vehicle, steady: Steady, noise: Noise, step_s: float) -> SteadyModel:
    """The predictor about a steady motion. Raises ValueError where its Riccati equation has no end."""
    linear, reading = linearise_with(vehicle, steady, _read_all)
    kept = np.flatnonzero(linear.A.any(axis=0) | linear.A.any(axis=1))
    A = linear.A[np.ix_(kept, kept)]
    by_input = linear.B[kept]
    C = np.ascontiguousarray(reading[:, kept])
    wind = by_side_wind(vehicle, steady)[kept]
    by_torque = by_input[:, 0]
    unmeasured = np.column_stack([noise.wind * wind, noise.drive * by_input[:, 1]])
    spread = np.column_stack([noise.torque * by_torque, unmeasured])
    own = len(kept)
    if noise.lag > 0.0:
        A, spread = _following(A, np.column_stack([wind, by_input[:, 1]]), noise, by_torque)
        by_torque, C = np.append(by_torque, [0.0, 0.0]), np.hstack([C, np.zeros((len(C), 2))])
    A_d, B_d, Q = sampled(A, by_torque, spread @ spread.T, step_s)
    Q += _TRACE * np.diag(Q)[:own].max() * np.eye(len(Q))
    R = np.diag(np.square(noise.sensors))
    P = riccati(A_d, C, Q, R)
    S = C @ P @ C.T + R
    K = np.linalg.solve(S, C @ P @ A_d.T).T
    beginning = first_gains(A_d, C, Q, R, _WIDE * P, max(1, round(SETTLING_s / step_s)))
    rate = np.zeros(len(A))
    rate[:own] = kept == D_JOINT_RATE + STEER
    there = read_outputs(steady.x)
    rate_sd = float(np.sqrt(rate @ P @ rate))
    return SteadyModel(A_d, B_d, C, K, S, Q, float(steady.u[0]), there, rate, rate_sd, kept, beginning)


def _following(A: Values, by: Values, noise: Noise, by_torque: Values) -> tuple[Values, Values]:
    """State matrix with wind and drive, which act by the columns of ``by``, as states; and what drives it."""
    n = len(A)
    whole = np.zeros((n + 2, n + 2))
    whole[:n, :n], whole[:n, n:] = A, by
    whole[n:, n:] = -np.eye(2) / noise.lag
    spread = np.zeros((n + 2, 3))
    spread[:n, 0] = noise.torque * by_torque
    spread[n, 1], spread[n + 1, 2] = noise.wind / noise.lag, noise.drive / noise.lag
    return whole, spread


@jit_with_memory
def first_gains(A: Values, C: Values, Q: Values, R: Values, P: Values, count: int) -> Values:
    """(count, n, m) gains of a predictor that begins with a covariance P, which becomes that behind them.

    With S = L L^T and D = L^-1 C P A^T the gain is D^T L^-1, and K S K^T is D^T D.
    """
    m, n = C.shape
    A_columns = np.ascontiguousarray(A.T)
    CP, by_root, root = np.empty((m, n)), np.empty((m, n)), np.empty((m, m))
    AP, APA = np.empty((n, n)), np.empty((n, n))
    gains = np.empty((count, n, m))
    for k in range(count):
        # the root L of S = C P C^T + R, by Cholesky
        np.dot(C, P, CP)
        for j in range(m):
            for i in range(j + 1):
                v = R[j, i]
                for h in range(n):
                    v += CP[j, h] * C[i, h]
                for h in range(i):
                    v -= root[j, h] * root[i, h]
                root[j, i] = math.sqrt(v) if i == j else v / root[i, i]
        # D = L^-1 CP A^T, then K^T = L^-T D
        np.dot(CP, A_columns, by_root)
        for j in range(m):
            for i in range(j):
                for h in range(n):
                    by_root[j, h] -= root[j, i] * by_root[i, h]
            for h in range(n):
                by_root[j, h] /= root[j, j]
        for h in range(n):
            for j in range(m - 1, -1, -1):
                v = by_root[j, h]
                for i in range(j + 1, m):
                    v -= root[i, j] * gains[k, h, i]
                gains[k, h, j] = v / root[j, j]
        # P = A P A^T - D^T D + Q, of which the upper half is taken
        np.dot(A, P, AP)
        np.dot(AP, A_columns, APA)
        for i in range(n):
            for h in range(i, n):
                P[i, h] = APA[i, h] + Q[i, h]
            for j in range(m):
                for h in range(i, n):
                    P[i, h] -= by_root[j, i] * by_root[j, h]
        _mirror(P)
    return gains


def sampled(A: Values, B: Values, density: Values, step_s: float) -> tuple[Values, Values, Values]:
    """(exp(A h), integral of exp(A t) B, covariance) of a step of white noise of a density (n, n).

    A series over a short time, doubled until the step is full: nothing grows, however stiff A is.
    """
    doublings = max(0, math.ceil(math.log2(max(np.abs(A).sum(axis=1).max() * step_s / _SMALL, 1.0))))
    A, B, density = (np.ascontiguousarray(m, float) for m in (A, B, density))
    full, by_input, covariance = np.eye(len(A)), np.zeros(len(A)), np.zeros_like(A)
    _double_series(A, B, density, step_s / 2.0**doublings, doublings, full, by_input, covariance)
    return full, by_input, covariance


@jit
def _add_upper(a: Values, out: Values) -> None:
    """To the upper half of ``out`` (n, n) what stands in a."""
    for i in range(len(a)):
        for j in range(i, len(a)):
            out[i, j] += a[i, j]


@jit
def _mirror(a: Values) -> None:
    """The lower half as the upper one is."""
    for i in range(len(a)):
        for j in range(i):
            a[i, j] = a[j, i]


@jit_with_memory
def _double_series(
    A: Values,
    B: Values,
    density: Values,
    h: float,
    doublings: int,
    full: Values,
    by_input: Values,
    covariance: Values,
) -> None:
    """What :func:`sampled` gives, into unity and zeros; ``density`` is symmetric."""
    n = len(A)
    power, moment, product, turned = np.eye(n), density.copy(), np.empty((n, n)), np.empty((n, n))
    carried, more = np.empty((n, n)), np.empty(n)
    factor = h
    for k in range(1, _TERMS + 1):
        for i in range(n):
            for j in range(n):
                by_input[i] += factor * power[i, j] * B[j]
                covariance[i, j] += factor * moment[i, j]
        np.dot(power, A, product)
        power[:] = product
        np.dot(A, moment, product)
        for i in range(n):
            for j in range(n):
                full[i, j] += factor * power[i, j]
                moment[i, j] = product[i, j] + product[j, i]
        factor *= h / (k + 1)
    for _ in range(doublings):
        for i in range(n):
            v = by_input[i]
            for j in range(n):
                v += full[i, j] * by_input[j]
                turned[j, i] = full[i, j]
            more[i] = v
        by_input[:] = more
        np.dot(full, covariance, product)
        np.dot(product, turned, carried)
        _add_upper(carried, covariance)
        _mirror(covariance)
        np.dot(full, full, product)
        full[:] = product


def riccati(A: Values, C: Values, Q: Values, R: Values) -> Values:
    """Covariance (n, n) of the predicted state: P = A P A^T - A P C^T (C P C^T + R)^-1 C P A^T + Q.

    Raises ValueError if doubling does not end: a state that nothing shows grows.
    """
    a, g, h = A.T.copy(), np.ascontiguousarray(C.T @ np.linalg.solve(R, C)), np.array(Q, float, order="C")
    if not _doubled(a, g, h):
        raise ValueError("no steady predictor: a state that no output shows grows without end")
    return h


@jit_with_memory
def _doubled(a: Values, g: Values, h: Values) -> bool:
    """Double the time that a, g and h (n, n) stand for, until h stays; whether it does.

    With W = (1 + g h)^-1: h grows by a^T h W a, g by a W g a^T, and a becomes a W a. h and g are symmetric.
    """
    n = len(a)
    # g h and 1, a and g beside it, of which the elimination makes W a and W g
    rows, turned, product = np.empty((n, 3 * n)), np.empty((n, n)), np.empty((n, n))
    wa, wg, more = np.empty((n, n)), np.empty((n, n)), np.empty((n, n))
    for _ in range(_MOST_DOUBLINGS):
        np.dot(g, h, product)
        for i in range(n):
            for j in range(n):
                rows[i, j], rows[i, n + j], rows[i, 2 * n + j] = product[i, j], a[i, j], g[i, j]
                turned[j, i] = a[i, j]
            rows[i, i] += 1.0
        if not _eliminate(rows):
            return False
        wa[:] = rows[:, n : 2 * n]
        wg[:] = rows[:, 2 * n :]
        np.dot(h, wa, product)
        np.dot(turned, product, more)
        np.dot(a, wg, product)
        np.dot(product, turned, wg)
        _add_upper(wg, g)
        _mirror(g)
        np.dot(a, wa, product)
        a[:] = product
        grown, most = 0.0, 0.0
        for i in range(n):
            for j in range(i, n):
                h[i, j] += more[i, j]
                if not (math.isfinite(h[i, j]) and math.isfinite(a[i, j]) and math.isfinite(a[j, i])):
                    return False
                grown, most = max(grown, abs(more[i, j])), max(most, abs(h[i, j]))
        _mirror(h)
        if grown <= 1e-12 * most:
            return True
    return False


@jit
def _eliminate(rows: Values) -> bool:
    """Solve in place what stands in n rows: a matrix (n, n), and behind it what it is to be multiplied to.

    By the greatest pivot of each column; False where there is none.
    """
    n, width = rows.shape
    for i in range(n):
        best = i
        for k in range(i + 1, n):
            if abs(rows[k, i]) > abs(rows[best, i]):
                best = k
        if not abs(rows[best, i]) > 0.0:
            return False
        for j in range(i, width):
            rows[i, j], rows[best, j] = rows[best, j], rows[i, j]
        over = 1.0 / rows[i, i]
        for k in range(i + 1, n):
            factor = rows[k, i] * over
            for j in range(i + 1, width):
                rows[k, j] -= factor * rows[i, j]
    for i in range(n - 1, -1, -1):
        over = 1.0 / rows[i, i]
        for j in range(n, width):
            rows[i, j] *= over
        for k in range(i):
            factor = rows[k, i]
            for j in range(n, width):
                rows[k, j] -= factor * rows[i, j]
    return True
