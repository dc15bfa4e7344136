from __future__ import annotations

import numpy as np
import pytest
from scipy import linalg

from emulator.track.calibration.estimate import Models
from emulator.track.calibration.excitation import balance, dither, made_up_ride
from emulator.track.calibration.innovations import (
    NO_NUISANCE,
    Stretch,
    Whitening,
    counted,
    innovations,
    outliers,
)
from emulator.track.calibration.steady_model import OUTPUTS, SETTLING_s, SteadyModel, riccati, sampled
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.linearise import ROLL
from emulator.vehicle.state import U_STEER_TORQUE, scratch
from tests.support.made_up_logs import NOISE, PLAN, STEP_s, demo_parameters, where

PLAIN = demo_parameters()
MODELS = Models(PLAIN, NOISE)


def model_of(leg: int = 0) -> SteadyModel:
    found = MODELS.at(PLAIN.start, where(PLAN[leg]))
    assert found is not None
    return found


def test_sampling_is_the_matrix_exponential() -> None:
    rng = np.random.default_rng(1)
    A, B = rng.standard_normal((4, 4)) - 3.0 * np.eye(4), rng.standard_normal(4)
    A[0, 0] = -800.0  # stiff: the usual block exponential of the covariance would overflow at longer steps
    G = rng.standard_normal((4, 2))
    full, by_input, covariance = sampled(A, B, G @ G.T, 0.02)
    np.testing.assert_allclose(full, linalg.expm(0.02 * A), atol=1e-12)
    np.testing.assert_allclose(by_input, np.linalg.solve(A, (full - np.eye(4)) @ B), atol=1e-12)
    # A X + X A^T = F W F^T - W has the covariance as its solution: definition
    right = full @ G @ G.T @ full.T - G @ G.T
    np.testing.assert_allclose(A @ covariance + covariance @ A.T, right, atol=1e-9)


@pytest.mark.parametrize("leg", [0, 2, 4])
def test_the_predictor_solves_the_riccati_equation(leg: int) -> None:
    m, R = model_of(leg), np.diag(np.square(NOISE.sensors))
    P = riccati(m.A.T.T, m.C, m.Q, R)
    np.testing.assert_allclose(m.S, m.C @ P @ m.C.T + R, rtol=1e-9)
    ours = m.A @ P @ m.A.T - m.K @ m.S @ m.K.T + m.Q
    np.testing.assert_allclose(ours, P, atol=1e-9 * np.abs(P).max())
    theirs = linalg.solve_discrete_are(m.A.T, m.C.T, m.Q, R)
    np.testing.assert_allclose(m.C @ P @ m.C.T, m.C @ theirs @ m.C.T, rtol=1e-6, atol=1e-12)
    assert np.abs(np.linalg.eigvals(m.A - m.K @ m.C)).max() < 1.0


@pytest.mark.parametrize("leg", [0, 2, 4])
def test_first_gains_are_those_of_the_riccati_recursion(leg: int) -> None:
    m, R = model_of(leg), np.diag(np.square(NOISE.sensors))
    P = 1e4 * riccati(m.A, m.C, m.Q, R)
    for gain in m.beginning:
        # by its definition, with an inverse and nothing shared
        K = m.A @ P @ m.C.T @ np.linalg.inv(m.C @ P @ m.C.T + R)
        np.testing.assert_allclose(gain, K, rtol=1e-7, atol=1e-7 * np.abs(K).max())
        P = m.A @ P @ m.A.T - K @ (m.C @ P @ m.C.T + R) @ K.T + m.Q
        P = 0.5 * (P + P.T)


def test_what_nobody_sees_growing_is_refused() -> None:
    with pytest.raises(ValueError, match="grows without end"):
        riccati(np.diag([1.1, 0.5]), np.array([[0.0, 1.0]]), np.eye(2), np.eye(1))


def test_the_model_is_the_plants_own_answer_to_a_small_torque() -> None:
    leg = PLAN[0]
    vehicle = PLAIN.vehicle(PLAIN.start)
    steady, m = steady_motion(vehicle, leg.speed, leg.lean), model_of(0)
    from emulator.track.calibration.steady_model import read_outputs

    x, u, work = steady.x.copy(), steady.u.copy(), scratch()
    u[U_STEER_TORQUE] += 0.1
    deviation = np.zeros(len(m.A))
    for _ in range(10):
        for _ in range(round(STEP_s / 1e-3)):
            begin(vehicle.body, vehicle.tyre, x, u, work)
            finish(vehicle.body, vehicle.tyre, x, u, 1e-3, work)
        deviation = m.A @ deviation + 0.1 * m.B
    moved = read_outputs(x) - m.outputs
    np.testing.assert_allclose(m.C @ deviation, moved, rtol=0.02, atol=0.02 * np.abs(moved[:4]).max())


@pytest.mark.parametrize("lag", [0.0, 0.1])
def test_innovations_of_the_right_model_are_white_and_as_large_as_said(lag: float) -> None:
    rng, leg = np.random.default_rng(5), PLAN[1]
    m = Models(PLAIN, NOISE._replace(lag=lag)).at(PLAIN.start, where(leg))
    assert m is not None
    ride = made_up_ride(m, m, np.array(NOISE.sensors), dither(leg, STEP_s), rng, 8)
    white = []
    for torque, outputs in zip(ride.torque, ride.outputs, strict=True):
        stretch = where(leg)._replace(torque=torque, outputs=outputs)
        counts = counted(stretch)
        assert not counts[: round(SETTLING_s / STEP_s) - 1].any()
        whiten = Whitening(counts, m.S)
        white.append(whiten(innovations(m, stretch, NO_NUISANCE)).reshape(-1, len(OUTPUTS)))
    all_of = np.concatenate(white)
    n = len(all_of)
    # standard deviations of a variance and of a correlation of n normal numbers; five of them
    np.testing.assert_allclose(np.cov(all_of.T), np.eye(5), atol=5.0 * np.sqrt(2.0 / n))
    for later in (1, 2, 5, 20):
        alike = np.mean([w[later:].T @ w[:-later] / len(w) for w in white], axis=0)
        np.testing.assert_allclose(alike, 0.0, atol=5.0 / np.sqrt(n))


@pytest.mark.parametrize("leg", range(6))
def test_where_the_bike_was_at_the_start_is_forgotten_once_the_predictor_has_settled(leg: int) -> None:
    """A stretch begins with an error of its lean, which is the mean of all of it."""
    m, rows = model_of(leg), 300
    x = np.zeros(len(m.A))
    x[: len(m.kept)][m.kept == ROLL] = 0.03
    torques, outputs = np.empty(rows), np.empty((rows, len(OUTPUTS)))
    for k in range(rows):
        outputs[k] = m.outputs + m.C @ x
        torques[k] = m.torque - balance(m) @ x
        x = m.A @ x + m.B * (torques[k] - m.torque)
    stretch = where(PLAN[leg])._replace(torque=torques, outputs=outputs)
    left = innovations(m, stretch, NO_NUISANCE) / np.sqrt(np.diag(m.S))
    assert np.abs(left[round(SETTLING_s / STEP_s) :]).max() < 0.02


def test_a_short_lag_of_wind_and_drive_is_none() -> None:
    plain, lagged = (
        Models(PLAIN, NOISE._replace(lag=lag)).at(PLAIN.start, where(PLAN[1])) for lag in (0.0, 1e-5)
    )
    assert plain is not None
    assert lagged is not None
    n = len(plain.A)
    np.testing.assert_allclose(lagged.A[:n, :n], plain.A, atol=1e-9)
    sd = np.sqrt(np.diag(plain.S))
    np.testing.assert_allclose(lagged.S / np.outer(sd, sd), plain.S / np.outer(sd, sd), atol=1e-3)
    np.testing.assert_allclose(lagged.C @ lagged.K, plain.C @ plain.K, atol=2e-3)


def test_the_balance_keeps_the_bike_up_and_the_dither_has_its_peak() -> None:
    for leg in PLAN[:3]:
        m = MODELS.at(PLAIN.start, where(leg))
        assert m is not None
        assert np.abs(np.linalg.eigvals(m.A - np.outer(m.B, balance(m)))).max() < 1.0
        assert np.abs(dither(leg, STEP_s)).max() == pytest.approx(leg.dither)
    assert not dither(leg._replace(dither=0.0), STEP_s).any()


def test_single_samples_far_off_are_found_and_steps_are_believed() -> None:
    rng, m, leg = np.random.default_rng(6), model_of(2), PLAN[2]
    ride = made_up_ride(m, m, np.array(NOISE.sensors), dither(leg, STEP_s), rng)
    outputs = ride.outputs[0].copy()
    outputs[300, 2] += 0.05
    outputs[500:, 3] += 0.2  # no outlier: it stays
    stretch = where(leg)._replace(torque=ride.torque[0], outputs=outputs)
    bad = outliers(m, stretch, NO_NUISANCE, 8.0)
    assert bad[300, 2]
    assert bad[:490].sum() == 1
    assert not bad[503, 3]


def test_a_hole_ends_what_counts_until_the_predictor_knows_again() -> None:
    outputs = np.zeros((500, 5))
    outputs[200:210] = np.nan
    outputs[300, 1] = np.nan
    counts = counted(Stretch(0, 20.0, 0.0, STEP_s, np.zeros(500), outputs))
    settling = round(SETTLING_s / STEP_s)
    assert counts[settling:200].all()
    assert not counts[200 : 210 + settling - 1].any()
    assert counts[210 + settling : 300].all()
    assert counts[300].tolist() == [True, False, True, True, True]
