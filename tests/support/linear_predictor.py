"""The steady predictor of a bicycle whose roll rate and steer angle are seen, of any linear model of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

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
    R = np.diag(np.square(sensors))
    x, one = np.zeros(len(A)), np.eye(len(A))
    before, after = [], []
    for k in range(len(seen)):
        before.append((x, P))
        gain = np.linalg.solve(C @ P @ C.T + R, C @ P).T
        x, P = x + gain @ (seen[k] - C @ x), (one - gain @ C) @ P
        after.append((x, P))
        x, P = A @ x + B * torque[k], A @ P @ A.T + noise[k]
    states = [after[-1][0]]
    for k in range(len(seen) - 2, -1, -1):
        back = np.linalg.solve(before[k + 1][1], A @ after[k][1]).T
        states.append(after[k][0] + back @ (states[-1] - before[k + 1][0]))
    return np.array(states[::-1])
