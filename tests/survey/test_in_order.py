"""Points in order: time, repeats, spikes, one lap of them."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from emulator.core.errors import ConfigError
from emulator.survey.in_order import in_time, one_lap, spikes, without_spikes
from emulator.survey.points import Points
from tests.support.surveyed import Array, distances, oval

CLOSE_m, DEVIATION_m = 5.0, 0.2


def of(plane: Array, times: Array | None = None) -> Points:
    n = len(plane)
    nothing = np.full(n, np.nan)
    time = nothing if times is None else times
    return Points("lap.csv", np.arange(2, n + 2), plane, False, nothing, nothing, time)


# -- time and repeats ----------------------------------------------------------------------------------------


def test_points_out_of_time_are_sorted_and_that_is_told() -> None:
    plane = oval()
    order = np.arange(len(plane))
    order[[50, 51, 90]] = order[[90, 50, 51]]
    points, sorted_plane, remarks = in_time(of(plane[order], order.astype(float)), plane[order])
    np.testing.assert_array_equal(sorted_plane, plane)
    assert points.lines[[50, 51, 90]].tolist() == [53, 92, 52]
    assert remarks == ["the times go back 2 times: points are sorted by time"]


def test_without_all_times_the_order_stays() -> None:
    plane = oval()
    times = np.arange(len(plane), dtype=float)[::-1]
    times[3] = np.nan
    _, same, remarks = in_time(of(plane, times), plane)
    np.testing.assert_array_equal(same, plane)
    assert remarks == ["1 points have no time: they stay in the order of the file"]


def test_repeats_are_left_out_and_counted() -> None:
    plane = np.repeat(oval(), [1 + (k % 7 == 0) for k in range(len(oval()))], axis=0)
    points, once, remarks = in_time(of(plane), plane)
    np.testing.assert_array_equal(once, oval())
    assert len(points.lines) == len(once)
    assert remarks == [f"{len(plane) - len(once)} points that repeat the one before are left out"]


# -- spikes --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("k", [40, 95, 2, len(oval()) - 3])
@pytest.mark.parametrize("aside", [(0.0, 3.0), (1.0, -8.0), (400.0, 90.0), (-9.0, 0.0)])
def test_a_spike_is_found_wherever_it_is(k: int, aside: tuple[float, float]) -> None:
    plane = oval()
    plane[k] += aside
    assert spikes(plane, DEVIATION_m).tolist() == [k]


def test_several_spikes_are_found_also_near_each_other() -> None:
    plane = oval()
    for k in (30, 33, 100, 140):
        plane[k] += (0.0, 5.0 + k / 10.0)
    assert sorted(spikes(plane, DEVIATION_m).tolist()) == [30, 33, 100, 140]


@pytest.mark.parametrize("step", [1.0, 5.0, 20.0])
@pytest.mark.parametrize("radius", [8.0, 20.0, 60.0])
def test_corners_of_few_points_are_no_spikes(step: float, radius: float) -> None:
    assert spikes(oval(radius, 150.0, step), DEVIATION_m).size == 0


@pytest.mark.parametrize(("noise", "deviation"), [(0.03, 0.2), (0.3, 0.2), (1.0, 3.0)])
def test_noise_is_no_spike(noise: float, deviation: float) -> None:
    plane = oval()
    plane += np.random.default_rng(3).normal(0.0, noise, plane.shape)
    assert spikes(plane, deviation).size == 0


def test_spikes_are_left_out_and_told_or_refused() -> None:
    plane = oval()
    plane[40] += (0.0, 3.0)
    points, kept, remarks = without_spikes(of(plane), plane, DEVIATION_m, refuse=False)
    np.testing.assert_array_equal(kept, np.delete(oval(), 40, axis=0))
    assert 42 not in points.lines
    assert remarks == ["1 spike left out: line 42 of the file"]
    with pytest.raises(ConfigError, match=r"lap\.csv:42:1: a spike: this point lies far beside"):
        without_spikes(of(plane), plane, DEVIATION_m, refuse=True)


def test_too_many_are_none() -> None:
    plane = oval()
    plane[10:200:12] += (0.0, 4.0)
    with pytest.raises(ConfigError, match="so many are no spikes"):
        without_spikes(of(plane), plane, DEVIATION_m, refuse=False)


# -- one lap -------------------------------------------------------------------------------------------------


def lap(plane: Array) -> object:
    return one_lap(of(plane), plane, CLOSE_m, DEVIATION_m)


def test_a_lap_that_ends_before_its_start_is_closed_as_it_is() -> None:
    found = one_lap(of(oval()), oval(), CLOSE_m, DEVIATION_m)
    assert found is not None
    assert found.closed
    np.testing.assert_array_equal(found.plane, oval())
    assert found.remarks == ()


def test_a_start_that_is_repeated_at_the_end_is_dropped_silently() -> None:
    plane = np.vstack([oval(), oval()[:1]])
    found = one_lap(of(plane), plane, CLOSE_m, DEVIATION_m)
    assert found is not None
    np.testing.assert_array_equal(found.plane, oval())
    assert found.remarks == ()


@pytest.mark.parametrize("more", [3, 60, 400])
def test_what_comes_after_the_first_lap_is_left_out_and_told(more: int) -> None:
    plane = np.vstack([oval()] * 3)[: len(oval()) + more]
    found = one_lap(of(plane), plane, CLOSE_m, DEVIATION_m)
    assert found is not None
    np.testing.assert_array_equal(found.plane, oval())
    assert found.remarks == (f"the last {more} points, past the end of the first lap, are left out",)


@pytest.mark.parametrize("step", [1.0, 10.0, 30.0])
def test_points_that_lie_far_apart_close_as_well(step: float) -> None:
    plane = oval(60.0, 200.0, step)
    found = one_lap(of(plane), plane, CLOSE_m, DEVIATION_m)
    assert found is not None
    np.testing.assert_allclose(found.plane, plane)


def test_a_gap_sideways_is_shared_out_along_the_way() -> None:
    drift = np.linspace(0.0, 1.0, len(oval()))[:, None] * [0.0, 2.5]
    plane = oval() + drift
    found = one_lap(of(plane), plane, CLOSE_m, DEVIATION_m)
    assert found is not None
    np.testing.assert_array_equal(found.given, plane)
    # what is sideways goes by the directions at both ends, a few metres of a drift: two degrees of 2.5 m
    assert distances(found.plane, np.vstack([oval(), oval()[:1]])).max() < 0.09
    (said,) = found.remarks
    assert re.match(
        r"the lap's end lies 2\.[45]\d m beside its start; that is shared out along the lap", said
    )


def test_a_gap_within_the_deviation_stays() -> None:
    plane = oval() + np.linspace(0.0, 1.0, len(oval()))[:, None] * [0.0, 0.15]
    found = one_lap(of(plane), plane, CLOSE_m, DEVIATION_m)
    assert found is not None
    np.testing.assert_array_equal(found.plane, found.given)


@pytest.mark.parametrize(
    "plane",
    [
        oval()[: len(oval()) // 2],
        oval()[:-20],
        np.column_stack([np.linspace(0.0, 500.0, 200), np.zeros(200)]),
        # there and back again: beside its start, but the other way
        np.vstack(
            [
                np.column_stack([np.linspace(0, 300, 99), np.zeros(99)]),
                np.column_stack([np.linspace(300, 0, 99), np.full(99, 4.0)]),
            ]
        ),
        np.zeros((30, 2)) + np.random.default_rng(0).normal(0.0, 1.0, (30, 2)),
    ],
)
def test_a_line_that_never_comes_back_is_no_lap(plane: Array) -> None:
    assert lap(plane) is None


def test_a_leg_beside_the_start_does_not_end_the_lap() -> None:
    """The circuit passes its start on the way out, 4 m beside it and in the other direction."""
    plane = np.vstack([oval(2.0, 300.0, 1.0)])
    found = one_lap(of(plane), plane, CLOSE_m, DEVIATION_m)
    assert found is not None
    assert len(found.plane) == len(plane)
    assert math.isclose(float(found.plane[-1] @ [0, 1]), float(plane[-1, 1]))
