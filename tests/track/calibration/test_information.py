"""The information of innovations is that of the logs: against dense algebra of the whole normal vector."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.config.vehicle.file import load_vehicle
from emulator.track.calibration.estimate import Calibration, Models
from emulator.track.calibration.excitation import dither, forecast
from emulator.track.calibration.parameters import Free, Parameters
from emulator.track.calibration.steady_model import SteadyModel, riccati
from tests.support.made_up_logs import (
    NOISE,
    PLAN,
    VEHICLE,
    STEP_s,
    demo_parameters,
    hidden_bike,
    logs_of,
    where,
)

SHARES = {"steering.damping": 0.25, "main_frame.ixx": 0.2, "tyre_front.cornering_per_load": 0.15}
SAMPLES = 150


def whole_vector(m: SteadyModel, torque: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean (5 n,) and covariance (5 n, 5 n) of a log's samples with this torque, from a settled start."""
    n, R = len(torque), np.diag(np.square(NOISE.sensors))
    P = riccati(m.A, m.C, m.Q, R)
    mean, x, covariance = np.zeros((n, 5)), np.zeros(len(m.A)), np.zeros((n, 5, n, 5))
    for k in range(n):
        mean[k] = m.outputs + m.C @ x
        x = m.A @ x + m.B * (torque[k] - m.torque)
        ahead = P @ m.C.T
        covariance[k, :, k, :] = m.C @ ahead + R
        for later in range(k + 1, n):
            ahead = m.A @ ahead
            covariance[later, :, k, :] = m.C @ ahead
            covariance[k, :, later, :] = (m.C @ ahead).T
        P = m.A @ P @ m.A.T + m.Q
    return mean.ravel(), covariance.reshape(5 * n, 5 * n)


def test_innovations_have_the_information_of_the_whole_log() -> None:
    parameters = demo_parameters(SHARES)
    models, leg = Models(parameters, NOISE), PLAN[1]
    m = models.at(parameters.start, where(leg))
    assert m is not None
    wave = dither(leg, STEP_s)[:SAMPLES]
    torque = wave + m.torque
    steps = 0.01 * parameters.standard
    means, covariances = [], []
    for k in range(len(parameters)):
        sides = []
        for side in (1.0, -1.0):
            at = parameters.start.copy()
            at[k] += side * steps[k]
            other = models.at(at, where(leg))
            assert other is not None
            sides.append(whole_vector(other, torque))
        means.append((sides[0][0] - sides[1][0]) / (2.0 * steps[k]))
        covariances.append((sides[0][1] - sides[1][1]) / (2.0 * steps[k]))
    mean, covariance = whole_vector(m, torque)
    # normal vectors: information = dm^T S^-1 dm + tr(S^-1 dS S^-1 dS) / 2 (textbook)
    solved = [np.linalg.solve(covariance, d) for d in covariances]
    information = np.array(
        [
            [
                a @ np.linalg.solve(covariance, b) + 0.5 * np.sum(c * d.T)
                for b, d in zip(means, solved, strict=True)
            ]
            for a, c in zip(means, solved, strict=True)
        ]
    )
    rng, lower = np.random.default_rng(2), np.linalg.cholesky(covariance)
    found = np.zeros_like(information)
    draws = 40
    for _ in range(draws):
        outputs = (mean + lower @ rng.standard_normal(len(mean))).reshape(SAMPLES, 5)
        stretch = where(leg)._replace(torque=torque, outputs=outputs)
        problem = Calibration(parameters, [stretch], NOISE, models=models)
        problem.counts[0][:] = True  # the vector begins as the predictor does: settled
        problem.whiten_at(problem.start)
        jacobian = problem.jacobian(problem.start)[: 5 * SAMPLES, : len(parameters)]
        found += jacobian.T @ jacobian / draws
    ours, theirs = (np.sqrt(np.diag(np.linalg.inv(i))) for i in (found, information))
    print(ours / theirs)
    # what the covariance's own dependence tells besides is not used: a little less than is there
    assert (ours / theirs).max() < 1.1
    assert (ours / theirs).min() > 0.95


def test_a_forecast_holds_what_an_estimate_does_of_what_is_held() -> None:
    """A front wheel's inertia about its diameter acts as the front frame's, and widens it."""
    demo = demo_parameters({"steering.damping": 0.25, "steered_frame.izz": 0.15})
    file = load_vehicle(VEHICLE)
    wheel = Free("front_wheel.diametral_inertia", 0.1 * file.values["front_wheel"]["diametral_inertia"])
    unsure = Parameters(file.values, file.tables, demo.free, (), held=(wheel,))
    hidden = hidden_bike(Models(unsure, NOISE), unsure.start, np.random.default_rng(5), 1)
    estimated = Calibration(unsure, logs_of(hidden, 0), NOISE).estimate().standard
    foretold = forecast(unsure, NOISE, PLAN, STEP_s).standard
    assert foretold == pytest.approx(estimated, rel=0.2)
    assert foretold[1] > 2.0 * forecast(demo, NOISE, PLAN, STEP_s).standard[1]
