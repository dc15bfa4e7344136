"""The smoothest spline within a distance: it is within, and nothing smoother is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, minimize

from emulator.survey.smoothest import Knots, smoothest_path, smoothest_values


@pytest.mark.parametrize("closed", [True, False])
def test_a_basis_adds_up_to_one_and_makes_the_spline(closed: bool) -> None:
    knots = Knots(12, closed)
    at = np.linspace(0.0, 12.0, 50, endpoint=not closed)
    c = np.random.default_rng(0).normal(size=knots.size)
    np.testing.assert_allclose(knots.basis(at) @ np.ones(knots.size), 1.0)
    np.testing.assert_allclose(knots.basis(at) @ c, knots.spline(c)(at), atol=1e-12)


def test_a_closed_spline_ends_as_it_begins_up_to_the_fourth_derivative() -> None:
    knots = Knots(10, True)
    spline = knots.spline(np.random.default_rng(1).normal(size=10))
    for order in range(5):
        begin, end = (float(spline.derivative(order)(at)) for at in (0.0, 10.0 - 1e-13))
        assert begin == pytest.approx(end, abs=1e-6)


def test_roughness_is_none_for_a_parabola() -> None:
    knots = Knots(20, False)
    assert np.abs(knots.differences() @ np.arange(25.0) ** 2).max() < 1e-9
    assert np.abs(knots.differences() @ np.arange(25.0) ** 3).min() > 1.0


@given(seed=st.integers(0, 1000), within=st.floats(0.02, 2.0), closed=st.booleans())
@settings(max_examples=10)
def test_what_is_found_is_within_and_as_smooth_as_another_solver_makes_it(
    seed: int, within: float, closed: bool
) -> None:
    """Against scipy's trust-region solver on the same problem, from the same place."""
    knots = Knots(14, closed)
    random = np.random.default_rng(seed)
    at = np.sort(random.uniform(0.0, 14.0, 25))
    values = 3.0 * np.sin(2.0 * np.pi * at / 14.0) + random.normal(0.0, 0.5, 25)
    found = smoothest_values(knots, at, values, within)
    rows, d = knots.basis(at).toarray(), knots.differences().toarray()
    greatest = np.abs(rows @ found.coefficients - values).max()
    assert found.greatest == pytest.approx(greatest)
    if greatest >= within:
        return
    outcome = minimize(
        lambda c: np.square(d @ c).sum(),
        found.coefficients,
        jac=lambda c: 2.0 * d.T @ (d @ c),
        hess=lambda c: 2.0 * d.T @ d,
        constraints=LinearConstraint(rows, values - within, values + within),
        method="trust-constr",
        options={"maxiter": 300},
    )
    assert np.square(d @ found.coefficients).sum() <= 1.1 * outcome.fun + 1e-5


def test_what_cannot_be_reached_is_told_by_the_spline_of_least_squares() -> None:
    """Two values at one place are 1 apart: no spline is nearer to both than half of that."""
    knots = Knots(12, True)
    at = np.array([*np.arange(12.0), 5.0])
    values = np.array([*np.zeros(12), 1.0])
    found = smoothest_values(knots, at, values, 0.1)
    assert 0.5 <= found.greatest < 0.6
    assert smoothest_values(knots, at, values, 0.6).greatest < 0.6


def test_straight_lines_stay_straight_within_any_distance() -> None:
    knots = Knots(30, False)
    at = np.linspace(0.0, 30.0, 200)
    places = np.column_stack([4.0 * at, 1.0 + 2.0 * at])
    noise = np.random.default_rng(5).uniform(-0.05, 0.05, places.shape)
    path = smoothest_path(knots, at, places + noise, 0.2)
    curve = knots.spline(path.coefficients)
    (vx, vy), (ax, ay) = curve.derivative(1)(at).T, curve.derivative(2)(at).T
    assert path.greatest < 0.2
    # at 60 m/s a curvature of 5e-5 1/m is a degree of lean
    assert (np.abs(vx * ay - vy * ax) / np.hypot(vx, vy) ** 3).max() < 5e-5


def test_more_room_makes_it_smoother() -> None:
    knots = Knots(40, True)
    at = np.linspace(0.0, 40.0, 400, endpoint=False)
    angle = 2.0 * np.pi * at / 40.0
    places = np.column_stack([np.cos(angle), np.sin(2.0 * angle)]) * 50.0
    places += np.random.default_rng(2).normal(0.0, 0.03, places.shape)
    d = knots.differences()
    rough = [
        float(np.square(d @ smoothest_path(knots, at, places, w).coefficients).sum())
        for w in (0.15, 0.3, 0.6, 1.2)
    ]
    assert rough == sorted(rough, reverse=True)
    assert rough[-1] < rough[0]
