"""The steady predictor of a bicycle whose roll rate and steer angle are seen, of any linear model of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit_with_memory
from emulator.track.calibration import steady_model
from emulator.track.calibration.steady_model import SteadyModel, riccati, sampled

Array = NDArray[np.float64]

SEEN = (0, 2)
"""Roll rate and steer among the outputs that calibrations go by."""


def predictor(
    A: Array, by_torque: Array, C: Array, density: Array, sensors: tuple[float, float], step_s: float
) -> SteadyModel:
    """What a calibration asks for of x = (roll, steer, their rates, and what else there is).

    A (n, n), by_torque (n,)  continuous;  C (5, n) outputs, rows SEEN of which are used
    density (n, n)            of the process noise;  sensors  standard deviations of SEEN [rad/s], [rad]
    Raises ValueError where there is no steady predictor.
    """
    A, by_torque, Q = sampled(A, by_torque, density, step_s)
    Q += 1e-9 * np.diag(Q).max() * np.eye(len(A))
    seen = list(SEEN)
    R = np.diag(np.square(sensors))
    P = riccati(A, C[seen], Q, R)
    S, K = np.eye(5), np.zeros((len(A), 5))
    S[np.ix_(seen, seen)] = C[seen] @ P @ C[seen].T + R
    K[:, seen] = np.linalg.solve(S[np.ix_(seen, seen)], C[seen] @ P @ A.T).T
    rate = np.zeros(len(A))
    rate[3] = 1.0
    return SteadyModel(A, by_torque, C, K, S, Q, 0.0, np.zeros(5), rate, math.sqrt(P[3, 3]))


def first_gains(model: SteadyModel, P: Array, sensors: tuple[float, float], noise: Sequence[Array]) -> Array:
    """(r, n, 5) gains of a predictor's first steps, each with a process noise (n, n) of its own.

    P (n, n)  what is known ahead of the first sample
    """
    seen = list(SEEN)
    C, R, P = model.C[seen], np.diag(np.square(sensors)), P.copy()
    gains = np.zeros((len(noise), len(P), 5))
    done = 0
    for alike in (list(same) for _, same in groupby(noise, id)):
        steps = len(alike)
        gains[done : done + steps][:, :, seen] = steady_model.first_gains(model.A, C, alike[0], R, P, steps)
        done += steps
    return gains


def path(
    A: Array,
    B: Array,
    C: Array,
    P: Array,
    sensors: tuple[float, float],
    seen: Array,
    torque: Array,
    noise: Sequence[Array],
) -> Array:
    """(r, n) state at each row by all samples, before and after it.

    Source: H. E. Rauch, F. Tung, C. T. Striebel, AIAA J. 3 (1965) 1445-1450, from memory.

    A (n, n), B (n,) of a step;  C (2, n) shows roll rate and steer, seen (r, 2)
    P (n, n) what is known ahead of the first sample;  noise (r) of (n, n) of each step
    """
    before, after = np.zeros((2, len(seen), len(A)))
    of_before, of_after = np.zeros((2, len(seen), len(A), len(A)))
    of_before[0] = P
    _filter(A, B, C, *np.square(sensors), seen, torque, np.array(noise), before, of_before, after, of_after)
    back = np.linalg.solve(of_before[1:], A @ of_after[:-1])
    states = [after[-1]]
    for k in range(len(seen) - 2, -1, -1):
        states.append(after[k] + (states[-1] - before[k + 1]) @ back[k])
    return np.array(states[::-1])


@jit_with_memory
def _filter(
    A: Array,
    B: Array,
    C: Array,
    of_roll_rate: float,
    of_steer: float,
    seen: Array,
    torque: Array,
    noise: Array,
    before: Array,
    of_before: Array,
    after: Array,
    of_after: Array,
) -> None:
    """State (r, n) and covariance (r, n, n) before each sample and with it; the first one is given."""
    n = len(A)
    shown, gain, AP = np.empty((2, n)), np.empty((n, 2)), np.empty((n, n))
    for k in range(len(seen)):
        x, P = before[k], of_before[k]
        shown[:] = 0.0
        for j in range(2):
            for i in range(n):
                for h in range(n):
                    shown[j, i] += C[j, h] * P[h, i]
        a, b, d = of_roll_rate, 0.0, of_steer
        first, second = seen[k, 0], seen[k, 1]
        for i in range(n):
            a += shown[0, i] * C[0, i]
            b += shown[0, i] * C[1, i]
            d += shown[1, i] * C[1, i]
            first -= C[0, i] * x[i]
            second -= C[1, i] * x[i]
        over = 1.0 / (a * d - b * b)
        for i in range(n):
            gain[i, 0] = (d * shown[0, i] - b * shown[1, i]) * over
            gain[i, 1] = (a * shown[1, i] - b * shown[0, i]) * over
            after[k, i] = x[i] + gain[i, 0] * first + gain[i, 1] * second
        for i in range(n):
            for j in range(n):
                of_after[k, i, j] = P[i, j] - gain[i, 0] * shown[0, j] - gain[i, 1] * shown[1, j]
        if k + 1 == len(seen):
            break
        AP[:] = 0.0
        for i in range(n):
            before[k + 1, i] = B[i] * torque[k]
            for h in range(n):
                before[k + 1, i] += A[i, h] * after[k, h]
                for j in range(n):
                    AP[i, j] += A[i, h] * of_after[k, h, j]
        for i in range(n):
            for j in range(n):
                v = noise[k, i, j]
                for h in range(n):
                    v += AP[i, h] * A[j, h]
                of_before[k + 1, i, j] = v
