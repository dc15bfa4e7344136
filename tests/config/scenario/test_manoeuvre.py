"""Manoeuvres: lines that pass where they are asked to, smooth enough to be ridden."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from emulator.config.scenario.course import Course, overrun
from emulator.config.scenario.manoeuvre import (
    Braking,
    Circle,
    LaneChange,
    Manoeuvre,
    Slalom,
    StraightOn,
    brake_profile,
    has_laps,
    manoeuvre_course,
    most_speed,
)
from emulator.road.build_line import LineError

TOP = 80.0 / 3.6
JERK = 12.0


def course(m: Manoeuvre) -> Course:
    return manoeuvre_course(m, TOP, JERK)


def slalom(**values: Any) -> Slalom:
    return Slalom(**{"kind": "slalom", "gates": 5, "spacing_m": 25.0, "offset_m": 1.0, **values})


def lane_change(**values: Any) -> LaneChange:
    return LaneChange(**{"kind": "lane_change", "offset_m": 3.5, "length_m": 60.0, **values})


def braking(**values: Any) -> Braking:
    return Braking(**{"kind": "braking", "deceleration_m_s2": 6.0, "to_km_h": 20.0, **values})


OPEN: list[Manoeuvre] = [
    StraightOn(kind="straight", length_m=300.0),
    slalom(),
    slalom(gates=4),
    lane_change(),
    lane_change(offset_m=-3.5),
    braking(),
]


@pytest.mark.parametrize("m", OPEN, ids=lambda m: m.kind)
def test_an_open_line_goes_on_behind_its_finish_and_its_curvature_is_smooth(m: Manoeuvre) -> None:
    c = course(m)
    assert not c.line.closed
    assert not has_laps(m)
    assert c.finish_m == c.sector_ends_m[-1] == c.length_m
    assert c.line.length - c.finish_m == pytest.approx(overrun(TOP))
    assert list(c.sector_ends_m) == sorted(c.sector_ends_m)
    # the curvature is the integral of its slope (trapezium: exact to the step's square), so it has no jump
    ds = c.line.station[1]
    rise = np.cumsum(0.5 * ds * (c.line.dcurvature[1:] + c.line.dcurvature[:-1]))
    np.testing.assert_allclose(c.line.curvature[1:], rise, atol=3e-4)
    # and that slope has none either: it changes by no more than its greatest value over a blend
    greatest = np.abs(c.line.dcurvature).max()
    assert np.abs(np.diff(c.line.dcurvature)).max() <= greatest * 4.0 * ds / 8.0 + 1e-12
    # straight on where it starts and ends
    assert c.line.heading[0] == c.line.heading[-1] == pytest.approx(0.0, abs=1e-9)
    assert c.line.curvature[0] == c.line.curvature[-1] == 0.0


@settings(max_examples=15)
@example(spacing=52.0, share=0.0546875, gates=2)  # where one way of solving gets stuck
@given(spacing=st.floats(10.0, 80.0), share=st.floats(0.01, 0.12), gates=st.integers(2, 7))
def test_a_slalom_passes_its_cones_beside_them_in_turn(spacing: float, share: float, gates: int) -> None:
    offset = min(5.0, max(0.1, share * spacing))
    c = course(slalom(spacing_m=spacing, offset_m=offset, gates=gates))
    x, y = c.line.x, c.line.y
    inner = np.flatnonzero((y[1:-1] - y[:-2]) * (y[2:] - y[1:-1]) < 0) + 1  # where it turns round
    # between the half waves at both ends
    peaks = [
        i
        for i in inner
        if c.sector_ends_m[0] + 0.2 * spacing < c.line.station[i] < c.sector_ends_m[1] - 0.2 * spacing
    ]
    assert len(peaks) == gates
    assert y[peaks[0]] > y[peaks[1]]  # the first one is passed on its left
    np.testing.assert_allclose(np.diff(x[peaks]), spacing, atol=1.01)  # samples are 0.5 m apart
    np.testing.assert_allclose(np.abs(np.diff(y[peaks])), 2.0 * offset, atol=0.01 * offset + 0.005)


@settings(max_examples=15)
@given(length=st.floats(10.0, 300.0), share=st.floats(0.02, 0.4), side=st.sampled_from([1.0, -1.0]))
def test_a_lane_change_ends_beside_by_its_offset(length: float, share: float, side: float) -> None:
    offset = side * min(20.0, share * length)
    c = course(lane_change(length_m=length, offset_m=offset, run_up_m=50.0))
    assert c.line.y[-1] == pytest.approx(offset, rel=1e-6)
    done = np.abs(c.line.y - offset) < 0.002 * abs(offset)
    begun = np.abs(c.line.y) > 0.002 * abs(offset)
    # within its length, but for half a blend
    assert c.line.x[done].min() <= 50.0 + length + length / 12.0 + 0.5
    assert c.line.x[begun].min() >= 50.0 - length / 12.0 - 0.5
    assert np.ptp(c.line.y) == pytest.approx(abs(offset), rel=1e-6)  # without swinging out


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_circle_is_one_and_has_laps(side: str) -> None:
    m = Circle(kind="circle", radius_m=40.0, side=side, bank_deg=5.0)
    c = course(m)
    sign = 1.0 if side == "left" else -1.0
    assert has_laps(m)
    assert c.line.closed
    assert c.finish_m is None
    assert c.length_m == c.sector_ends_m[-1] == pytest.approx(80.0 * math.pi)
    np.testing.assert_allclose(np.hypot(c.line.x, c.line.y - sign * 40.0), 40.0, atol=1e-9)
    np.testing.assert_allclose(c.line.curvature, sign / 40.0, atol=1e-15)
    assert c.banking == ((0.0, math.radians(5.0)),)


def test_slope_is_a_height_that_rises_evenly() -> None:
    c = course(StraightOn(kind="straight", length_m=100.0, slope_deg=3.0))
    (s0, z0), (s1, z1) = c.elevation
    assert (s0, z0) == (0.0, 0.0)
    assert z1 / s1 == pytest.approx(math.tan(math.radians(3.0)))
    assert s1 == c.line.length
    assert course(OPEN[0]).elevation == ()
    assert course(OPEN[0]).banking == ()


def test_braking_begins_where_the_run_up_ends_and_ends_where_it_is_slow() -> None:
    m = braking()
    c = course(m)
    v = most_speed(m, c.line, TOP, JERK)
    begin, end, finish = c.sector_ends_m
    assert (begin, finish - end) == (m.run_up_m, pytest.approx(m.run_out_m))
    assert (v[c.line.station <= begin] == TOP).all()
    assert v[c.line.station >= end] == pytest.approx(m.to_km_h / 3.6)
    assert (np.diff(v) <= 1e-12).all()
    deceleration = -np.diff(v**2) / (2.0 * c.line.station[1])
    # reached and held; between samples it is a mean, so nowhere above
    assert deceleration.max() == pytest.approx(6.0, rel=1e-6)
    # closed form: at the mean speed for dv / a + a / j (a trapezium in time is symmetric)
    gone = TOP - 20.0 / 3.6
    assert end - begin == pytest.approx((TOP - gone / 2.0) * (gone / 6.0 + 6.0 / JERK), rel=1e-6)


def test_nothing_else_limits_the_speed() -> None:
    for m in (None, *OPEN[:5]):
        assert (most_speed(m, course(OPEN[0]).line, TOP, JERK) == TOP).all()


def test_a_small_step_in_speed_stays_below_the_deceleration() -> None:
    way, speed = brake_profile(braking(to_km_h=79.0), TOP, JERK)
    a = -np.diff(speed**2) / 2.0 / np.diff(way)
    # closed form: a triangle of height sqrt(dv j)
    assert a.max() == pytest.approx(math.sqrt(1.0 / 3.6 * JERK), rel=1e-2)
    assert speed[-1] == pytest.approx(79.0 / 3.6)


@pytest.mark.parametrize(
    ("m", "said"),
    [
        (braking(to_km_h=80.0), "expected a to_km_h below the approach speed of 80 km/h"),
        (lane_change(offset_m=0.0), "expected an offset_m other than 0"),
        (slalom(spacing_m=8.0, offset_m=5.0), None),
        (lane_change(offset_m=20.0, length_m=8.0), "found no line for a lane change of this offset_m"),
    ],
)
def test_what_has_no_line_is_refused(m: Manoeuvre, said: str | None) -> None:
    if said is None:  # hard, yet there is one
        assert course(m).line.length > 0.0
        return
    with pytest.raises(LineError, match=said):
        course(m)
