"""Line and surface against circles and straights, whose stations, offsets and grips are known."""

from __future__ import annotations

import gc
import math
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.core.compiled import jit
from emulator.road.build_line import Straight, Turn, build_line
from emulator.road.line import Line, Patch, continue_station, grip_at, locate, sample, surface, wrap_station

RADIUS = 15.0
CIRCLE = build_line([Turn(2.0 * math.pi, RADIUS, 0.0)], closed=True)
OVAL = build_line(
    [
        Straight(200.0),
        Turn(math.radians(170), 20.0, 15.0),
        Straight(50.0, True),
        Turn(math.radians(100), 30.0, 15.0),
        Straight(60.0, True),
        Turn(math.radians(90), 25.0, 10.0),
        Straight(20.0),
    ],
    closed=True,
    blend_m=6.0,
)
OPEN = build_line([Straight(50.0), Turn(math.radians(-90), 30.0, 15.0), Straight(40.0)], closed=False)


def beside(line: Line, station: float, offset: float) -> tuple[float, float]:
    """The point at an offset to the left of a station."""
    x, y, heading, _curvature, _speed = sample(line, station)
    return x - offset * math.sin(heading), y + offset * math.cos(heading)


def apart(line: Line, a: float, b: float) -> float:
    """Distance of two stations, the short way round."""
    d = abs(a - b) % line.length
    return min(d, line.length - d) if line.closed else d


@settings(deadline=None)  # the first call compiles
@given(angle=st.floats(0.0, 6.28), offset=st.floats(-30.0, 12.0), ahead=st.floats(-10.0, 10.0))
def test_on_a_circle_station_is_the_arc_and_offset_the_distance_from_it(angle, offset, ahead):
    # Centre (0, RADIUS), ridden anticlockwise: left is towards the centre.
    r = RADIUS - offset
    x, y = r * math.sin(angle), RADIUS - r * math.cos(angle)
    station, found, _index = locate(CIRCLE, x, y, angle * RADIUS + ahead)
    assert found == pytest.approx(offset, abs=1e-7)
    assert apart(CIRCLE, station, angle * RADIUS) < 3e-5


@settings(deadline=None)  # the first call compiles
@given(station=st.floats(0.0, OVAL.length), offset=st.floats(-8.0, 8.0), laps=st.integers(-3, 3))
def test_a_point_beside_the_line_is_found_again(station, offset, laps):
    x, y = beside(OVAL, station, offset)
    found, left, index = locate(OVAL, x, y, station + laps * OVAL.length)
    assert left == pytest.approx(offset, abs=1e-5)
    assert apart(OVAL, found, station) < 1e-4
    assert 0.0 <= found < OVAL.length
    assert OVAL.station[index] - 1e-9 <= found <= OVAL.station[index + 1] + 1e-9


def test_without_a_hint_the_whole_line_is_searched():
    for station in np.arange(1.0, OVAL.length, 7.3):
        x, y = beside(OVAL, station, 2.0)
        found, offset, _index = locate(OVAL, x, y, math.nan)
        assert apart(OVAL, found, station) < 1e-4
        assert offset == pytest.approx(2.0, abs=1e-5)


def test_a_hint_far_off_still_leads_to_the_foot_on_a_straight():
    for hint in (0.0, 40.0, 160.0, 195.0):
        assert locate(OVAL, 100.0, 1.5, hint)[:2] == pytest.approx((100.0, 1.5), abs=1e-8)


def test_station_and_offset_have_no_jump_at_samples_and_over_the_lap_end():
    # A slow weave in steps of 10 mm, once round and over the start. Neither may
    # change by more than the motion itself.
    step = 0.01
    stations = np.arange(-20.0, OVAL.length + 20.0, step)
    total, last = -20.0, None
    worst_station = worst_offset = 0.0
    for s in stations:
        x, y = beside(OVAL, s, 3.0 * math.sin(s / 11.0))
        found, offset, _index = locate(OVAL, x, y, total)
        new = continue_station(OVAL, found, total)
        if last is not None:
            worst_station = max(worst_station, abs(new - total - step))
            worst_offset = max(worst_offset, abs(offset - last))
        total, last = new, offset
    assert worst_station < 2e-5
    assert worst_offset < step * 3.0 / 11.0 + 2e-6
    assert total == pytest.approx(stations[-1], abs=1e-4)  # laps were added up


def test_offset_and_station_are_continuous_right_at_a_sample():
    for i in range(0, OVAL.station.size - 1, 17):
        x, y = beside(OVAL, OVAL.station[i], 4.0)
        c, s = math.cos(OVAL.heading[i]), math.sin(OVAL.heading[i])
        before = locate(OVAL, x - 1e-7 * c, y - 1e-7 * s, OVAL.station[i])
        after = locate(OVAL, x + 1e-7 * c, y + 1e-7 * s, OVAL.station[i])
        assert abs(after[1] - before[1]) < 1e-9
        assert apart(OVAL, after[0], before[0]) < 1e-6


def test_the_branch_of_the_hint_is_kept_where_the_line_passes_near_itself():
    # Two straights 24 m apart: a point nearer to the second one still belongs to the first by its hint.
    line = build_line(
        [Straight(100.0), Turn(math.pi, 10.0, 8.0), Straight(100.0)], closed=False, ds_m=0.5, blend_m=2.0
    )
    gap = line.y[-1]
    y = 0.8 * gap
    assert locate(line, 50.0, y, 50.0)[1] == pytest.approx(y, abs=1e-9)
    assert locate(line, 50.0, y, line.length - 50.0)[1] == pytest.approx(0.2 * gap, abs=1e-9)


def test_an_open_line_holds_its_ends():
    station, offset, index = locate(OPEN, -30.0, 2.0, 10.0)
    assert (station, index) == (0.0, 0)
    assert offset == pytest.approx(2.0)
    x, y, heading, _curvature, _speed = sample(OPEN, OPEN.length + 9.0)
    beyond = (x + 10.0 * math.cos(heading), y + 10.0 * math.sin(heading))
    station, offset, index = locate(OPEN, *beyond, OPEN.length - 5.0)
    assert station == OPEN.length
    assert offset == pytest.approx(0.0, abs=1e-9)
    assert index == OPEN.station.size - 2
    assert (x, y) == pytest.approx((OPEN.x[-1], OPEN.y[-1]))
    assert wrap_station(OPEN, -3.0) == 0.0
    assert continue_station(OPEN, 5.0, 900.0) == 5.0


def test_bad_numbers_come_out_as_nan_and_not_as_a_search_without_end():
    station, offset, index = locate(OVAL, math.nan, 0.0, 10.0)
    assert math.isnan(station)
    assert math.isnan(offset)
    assert OVAL.station[index] <= 10.0 <= OVAL.station[index + 1]
    assert math.isfinite(locate(OVAL, 1e9, -1e9, 10.0)[0])


@settings(deadline=None)  # the first call compiles
@given(station=st.floats(-2000.0, 2000.0))
def test_sample_on_a_circle_is_the_circle(station):
    x, y, heading, curvature, _speed = sample(CIRCLE, station)
    angle = station / RADIUS
    assert (x, y) == pytest.approx((RADIUS * math.sin(angle), RADIUS - RADIUS * math.cos(angle)), abs=1e-7)
    assert math.remainder(heading - angle, 2.0 * math.pi) == pytest.approx(0.0, abs=1e-9)
    assert curvature == pytest.approx(1.0 / RADIUS, abs=1e-12)


def test_sample_gives_the_samples_and_heading_and_curvature_that_belong_together():
    for i in range(0, OVAL.station.size - 1, 5):
        x, y, heading, curvature, _speed = sample(OVAL, OVAL.station[i])
        assert (x, y, heading, curvature) == pytest.approx(
            (OVAL.x[i], OVAL.y[i], OVAL.heading[i], OVAL.curvature[i]), abs=1e-9
        )
    s = np.arange(0.01, OVAL.length - 0.01, 0.05)
    d = 1e-4
    values = np.array([sample(OVAL, q) for q in s])
    later = np.array([sample(OVAL, q + d) for q in s])
    slope = (later - values) / d
    np.testing.assert_allclose(slope[:, 0], np.cos(values[:, 2]), atol=2e-5)
    np.testing.assert_allclose(slope[:, 1], np.sin(values[:, 2]), atol=2e-5)
    np.testing.assert_allclose(slope[:, 2], values[:, 3], atol=2e-5)


def test_target_speed_between_samples_is_that_of_constant_acceleration():
    speed = np.sqrt(100.0 + 2.0 * 3.0 * OPEN.station)  # v^2 = v0^2 + 2 a s
    line = OPEN._replace(target_speed=speed)
    for s in (0.0, 3.21, 17.1, 80.33):
        assert sample(line, s)[4] == pytest.approx(math.sqrt(100.0 + 6.0 * s), abs=1e-12)


@pytest.mark.parametrize(
    ("station", "wrapped"), [(-0.5, 0.5), (0.5, 0.5), (1.0, 0.0), (-1e-18, 0.0), (2.25, 0.25)]
)
def test_closed_stations_fold_into_the_lap(station, wrapped):
    folded = wrap_station(OVAL, station * OVAL.length)
    assert folded == pytest.approx(wrapped * OVAL.length, abs=1e-9)
    assert 0.0 <= folded < OVAL.length


def test_riding_backwards_over_the_start_takes_the_lap_off_again():
    assert continue_station(OVAL, OVAL.length - 1.0, 2.0) == pytest.approx(-1.0)
    assert continue_station(OVAL, 1.0, 3.0 * OVAL.length - 1.0) == pytest.approx(3.0 * OVAL.length + 1.0)


WET = Patch(from_m=50.0, to_m=70.0, left_m=2.0, right_m=-1.0, grip=0.4, edge_m=1.0)


def test_grip_inside_outside_and_half_way_over_an_edge():
    road = surface(1.2, [WET])
    assert grip_at(road, OVAL, 60.0, 0.0) == 0.4
    assert grip_at(road, OVAL, 50.0, 2.0) == 0.4  # the rectangle itself has the stated grip
    assert grip_at(road, OVAL, 48.9, 0.0) == 1.2
    assert grip_at(road, OVAL, 60.0, 3.1) == 1.2
    assert grip_at(road, OVAL, 60.0, -2.1) == 1.2
    for station, offset in ((49.5, 0.0), (70.5, 0.0), (60.0, 2.5), (60.0, -1.5)):
        assert grip_at(road, OVAL, station, offset) == pytest.approx(0.8)  # smoothstep(1/2) = 1/2
    assert grip_at(road, OVAL, 49.5, 2.5) == pytest.approx(1.2 - 0.25 * 0.8)
    assert grip_at(surface(0.9), OVAL, 60.0, 0.0) == 0.9


def test_the_last_patch_lies_on_top():
    paint = Patch(60.0, 61.0, 5.0, -5.0, 0.6, 0.0)
    assert grip_at(surface(1.2, [WET, paint]), OVAL, 60.5, 0.0) == 0.6
    assert grip_at(surface(1.2, [paint, WET]), OVAL, 60.5, 0.0) == 0.4
    assert grip_at(surface(1.2, [paint, WET]), OVAL, 60.5, 4.0) == 0.6


@pytest.mark.parametrize("to_m", [10.0, 10.0 + OVAL.length])
def test_a_patch_over_the_lap_end(to_m):
    road = surface(1.2, [Patch(OVAL.length - 5.0, to_m, 4.0, -4.0, 0.5, 2.0)])
    for station in (OVAL.length - 5.0, OVAL.length - 1e-9, 0.0, 10.0, OVAL.length + 3.0, -3.0):
        assert grip_at(road, OVAL, station, 0.0) == 0.5
    assert grip_at(road, OVAL, 11.0, 0.0) == pytest.approx(0.85)
    assert grip_at(road, OVAL, OVAL.length - 6.0, 0.0) == pytest.approx(0.85)
    assert grip_at(road, OVAL, 12.5, 0.0) == 1.2


def test_the_fading_edge_of_a_patch_goes_over_the_lap_end_too():
    road = surface(1.2, [Patch(1.0, 10.0, 4.0, -4.0, 0.5, 2.0)])
    assert grip_at(road, OVAL, OVAL.length - 1e-9, 0.0) == pytest.approx(
        grip_at(road, OVAL, 0.0, 0.0), abs=1e-8
    )
    assert grip_at(road, OVAL, OVAL.length - 0.5, 0.0) < 1.2


def test_on_an_open_line_nothing_wraps():
    road = surface(1.2, [Patch(OPEN.length - 5.0, OPEN.length, 4.0, -4.0, 0.5, 2.0)])
    assert grip_at(road, OPEN, OPEN.length, 0.0) == 0.5
    assert grip_at(road, OPEN, 0.0, 0.0) == 1.2


@settings(max_examples=200)
@given(
    rows=st.lists(
        st.tuples(
            st.floats(0.0, OVAL.length),
            st.floats(0.0, OVAL.length),
            st.floats(0.0, 6.0),
            st.floats(-6.0, 0.0),
            st.floats(0.1, 1.5),
            st.floats(0.5, 5.0),
        ),
        max_size=4,
    ),
    station=st.floats(0.0, OVAL.length),
    offset=st.floats(-8.0, 8.0),
)
def test_grip_stays_between_the_grips_there_are_and_has_no_steps(rows, station, offset):
    road = surface(1.0, [Patch(*row) for row in rows])
    here = grip_at(road, OVAL, station, offset)
    grips = [1.0] + [row[4] for row in rows]
    assert min(grips) - 1e-12 <= here <= max(grips) + 1e-12
    # Steepest smoothstep: 1.5 / edge a metre; at most 1.4 of grip a patch, along and across.
    bound = 1e-3 * len(rows) * 1.5 / 0.5 * 1.5 + 1e-12
    assert abs(grip_at(road, OVAL, station + 1e-3, offset) - here) <= bound
    assert abs(grip_at(road, OVAL, station, offset + 1e-3) - here) <= bound


@pytest.mark.parametrize(
    ("base", "patch", "text"),
    [
        (-0.1, WET, "base grip: expected a number from 0 up, got -0.1"),
        (math.nan, WET, "base grip"),
        (1.0, WET._replace(grip=-1.0), "patch 0: expected a grip from 0 up, got -1.0"),
        (1.0, WET._replace(edge_m=-1.0), "patch 0: expected an edge_m from 0 up"),
        (1.0, WET._replace(to_m=math.inf), "patch 0: expected finite numbers"),
        (1.0, WET._replace(left_m=-3.0), "left_m must not be below right_m; got left_m -3.0, right_m -1.0"),
    ],
)
def test_surfaces_that_make_no_sense_are_refused(base, patch, text):
    with pytest.raises(ValueError, match=text.replace("(", r"\(")):
        surface(base, [patch])


@jit
def _ride(line, road, steps):
    total = 0.0
    station = 0.0
    for k in range(steps):
        x, y, heading, _curvature, _speed = sample(line, k * 0.02)
        station, offset, _index = locate(line, x - math.sin(heading), y + math.cos(heading), station)
        total += grip_at(road, line, station, offset)
    return total


def test_compiled_callers_use_it_without_leaving_memory_behind():
    road = surface(1.0, [WET])
    assert _ride(OVAL, road, 10) == 10.0
    gc.collect()
    blocks = sys.getallocatedblocks()
    for _ in range(50):
        _ride(OVAL, road, 200)
    gc.collect()
    # One block a step would be 10 000. Other parts of the interpreter move a few hundred now and then.
    assert sys.getallocatedblocks() - blocks < 1000
