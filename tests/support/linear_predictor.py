"""The steady predictor of a bicycle whose roll rate and steer angle are seen, of any linear model of it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.track.calibration.steady_model import SteadyModel, riccati, sampled

Array = NDArray[np.float64]

SEEN = (0, 2)
"""Roll rate and steer among the outputs that calibrations go by."""


def predictor(
    A: Array, by_torque: Array, C: Array, density: Array, sensors: tuple[float, float], step_s: float
) -> SteadyModel:
    """What a calibration asks for of x = (roll, steer, their rates).

    A (4, 4), by_torque (4,)  continuous;  C (5, 4) outputs, rows SEEN of which are used
    density (4, 4)            of the process noise;  sensors  standard deviations of SEEN [rad/s], [rad]
    Raises ValueError where there is no steady predictor.
    """
    A, by_torque, Q = sampled(A, by_torque, density, step_s)
    Q += 1e-9 * np.diag(Q).max() * np.eye(4)
    seen = list(SEEN)
    R = np.diag(np.square(sensors))
    P = riccati(A, C[seen], Q, R)
    S, K = np.eye(5), np.zeros((4, 5))
    S[np.ix_(seen, seen)] = C[seen] @ P @ C[seen].T + R
    K[:, seen] = np.linalg.solve(S[np.ix_(seen, seen)], C[seen] @ P @ A.T).T
    rate = np.array([0.0, 0.0, 0.0, 1.0])
    return SteadyModel(A, by_torque, C, K, S, Q, 0.0, np.zeros(5), rate, math.sqrt(P[3, 3]))
