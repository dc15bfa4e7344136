"""Lines through points: circles, continuity of curvature and its slope, what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.road.build_line import LineError
from emulator.road.through_points import LEAST_RADIUS_m, line_through


def ring(count: int = 24, radius: float = 40.0, bumps: tuple[float, ...] = ()) -> np.ndarray:
    """Points round a circle whose radius swings by ``bumps`` [m], each that many more times a lap."""
    angle = 2.0 * math.pi * np.arange(count) / count
    r = radius + sum(b * np.cos((k + 2) * angle + k) for k, b in enumerate(bumps))
    return np.column_stack([r * np.cos(angle), r * np.sin(angle)])


@pytest.mark.parametrize("sign", [1, -1])
def test_points_of_a_circle_give_the_circle(sign: int) -> None:
    points = ring()[::sign]
    line = line_through(points, closed=True)
    assert line.length == pytest.approx(80.0 * math.pi, abs=2e-4)
    np.testing.assert_allclose(np.hypot(line.x, line.y), 40.0, atol=2e-5)
    np.testing.assert_allclose(line.curvature, sign / 40.0, atol=2e-5)
    assert line.heading[-1] - line.heading[0] == sign * 2.0 * math.pi


def test_the_line_goes_through_its_points_and_begins_at_the_first() -> None:
    points = ring(40, 60.0, (4.0, 2.0))
    line = line_through(points, closed=True, ds_m=0.01)
    away = [np.hypot(line.x - x, line.y - y).min() for x, y in points]
    assert max(away) < 0.006
    assert (line.x[0], line.y[0]) == pytest.approx(tuple(points[0]))
    assert (line.x[0], line.y[0], line.curvature[0]) == (line.x[-1], line.y[-1], line.curvature[-1])


def test_samples_are_evenly_spaced_along_the_line() -> None:
    line = line_through(ring(30, 50.0, (5.0,)), closed=True, ds_m=0.5)
    steps = np.hypot(np.diff(line.x), np.diff(line.y))
    assert np.ptp(np.diff(line.station)) < 1e-9
    # the chord of an arc of 0.5 m is shorter by kappa^2 ds^3 / 24
    assert (steps <= 0.5 + 1e-9).all()
    assert steps.min() > line.station[1] * (1.0 - np.square(line.curvature * 0.5).max() / 20.0)


BUMPS = st.lists(st.floats(-1.5, 1.5), min_size=1, max_size=4).map(tuple)


@given(bumps=BUMPS, count=st.integers(40, 90), radius=st.floats(40.0, 90.0))
@settings(max_examples=12)
def test_heading_curvature_and_its_slope_are_each_the_derivative_of_the_one_before(
    bumps: tuple[float, ...], count: int, radius: float
) -> None:
    """Were there a step in curvature or its slope, the difference quotients would grow as steps shrink."""
    line = line_through(ring(count, radius, bumps), closed=True, ds_m=0.05)
    ds = line.station[1]
    middle = 0.5 * (line.curvature[1:] + line.curvature[:-1])
    np.testing.assert_allclose(np.diff(line.heading) / ds, middle, atol=1e-5)
    middle = 0.5 * (line.dcurvature[1:] + line.dcurvature[:-1])
    np.testing.assert_allclose(np.diff(line.curvature) / ds, middle, atol=1e-5)
    way = np.column_stack([np.diff(line.x), np.diff(line.y)]) / ds
    middle = 0.5 * (line.heading[1:] + line.heading[:-1])
    np.testing.assert_allclose(way, np.column_stack([np.cos(middle), np.sin(middle)]), atol=1e-4)


@given(bumps=BUMPS, count=st.integers(40, 90), radius=st.floats(40.0, 90.0))
@settings(max_examples=12)
def test_curvature_and_its_slope_change_by_ever_less_over_ever_shorter_steps(
    bumps: tuple[float, ...], count: int, radius: float
) -> None:
    points = ring(count, radius, bumps)
    for name in ("curvature", "dcurvature"):
        jumps = []
        for ds in (0.4, 0.2, 0.1):
            values = getattr(line_through(points, closed=True, ds_m=ds), name)
            jumps.append(np.abs(np.diff(np.append(values, values[1]))).max())
        assert jumps[1] < 0.6 * jumps[0] + 1e-9
        assert jumps[2] < 0.6 * jumps[1] + 1e-9


def test_an_open_line_begins_and_ends_straight_and_goes_straight_on() -> None:
    x = np.linspace(0.0, 300.0, 61)
    points = np.column_stack([x, 12.0 * np.sin(x / 40.0) ** 3])
    line = line_through(points, closed=False, ds_m=0.5, run_on_m=35.0)
    alone = line_through(points, closed=False, ds_m=0.5)
    assert line.length == pytest.approx(alone.length + 35.0)
    assert alone.curvature[[0, -1]] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert alone.dcurvature[[0, -1]] == pytest.approx([0.0, 0.0], abs=1e-12)
    behind = line.station > alone.length + 1e-9
    assert not line.curvature[behind].any()
    end = alone.heading[-1]
    np.testing.assert_allclose(line.heading[behind], end, atol=1e-12)
    beyond = line.station[behind] - alone.length
    np.testing.assert_allclose(line.x[behind], alone.x[-1] + beyond * math.cos(end), atol=1e-9)
    np.testing.assert_allclose(line.y[behind], alone.y[-1] + beyond * math.sin(end), atol=1e-9)


def test_uneven_points_make_no_loops() -> None:
    every = ring(60, 50.0)
    kept = np.delete(every, [3, 4, 5, 20, 33, 34], axis=0)
    line = line_through(kept, closed=True)
    assert np.abs(np.hypot(line.x, line.y) - 50.0).max() < 0.05
    assert (np.diff(line.heading) > 0.0).all()


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (ring(24)[:7], "at least 8 points"),
        (np.where(np.arange(48).reshape(24, 2) == 9, np.nan, ring(24)), r"points\.4: expected finite"),
        (np.insert(ring(24), 5, ring(24)[5] + 0.1, axis=0), r"points\.5: expected 0.5 m or more from the"),
        (np.vstack([ring(24), ring(24)[:1]]), r"points\.0: .* a closed line does not repeat its first point"),
        (np.vstack([ring(24), 1.05 * ring(24)]), "they turn by 720"),
        (1e4 * ring(24), "at most 100000 m, got 2513274 m"),
        (ring(24, 2.5), "at station .* a radius of 2.50 m; expected 3 m or more"),
    ],
)
def test_points_that_give_no_line_are_refused(points: np.ndarray, words: str) -> None:
    with pytest.raises(LineError, match=words):
        line_through(points, closed=True)


def test_the_tightest_turn_there_may_be_is_taken() -> None:
    assert line_through(ring(24, 1.02 * LEAST_RADIUS_m), closed=True).length > 0.0
