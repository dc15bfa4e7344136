"""Lines from segments against circles, Fresnel integrals and the circuits that come with the project."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML
from scipy.special import fresnel

from emulator.road.build_line import (
    LineError,
    Straight,
    Turn,
    build_line,
)
from tests.support.lines import clearance, free_lengths, segments_from_rows

CIRCUITS = sorted((Path(__file__).parents[2] / "scenarios" / "circuits").glob("*.yaml"))
DEG = math.pi / 180.0


def triangle(first: float = 120.0) -> list[Straight | Turn]:
    """A circuit with two free straights that always closes."""
    return [
        Straight(first),
        Turn(130 * DEG, 20.0, 12.0),
        Straight(100.0, True),
        Turn(110 * DEG, 30.0, 20.0),
        Straight(100.0, True),
        Turn(120 * DEG, 25.0, 15.0),
        Straight(30.0),
    ]


def test_a_straight_is_straight():
    line = build_line([Straight(100.0)], closed=False, ds_m=0.3, start=(3.0, -4.0, 0.5))
    np.testing.assert_allclose(line.x, 3.0 + line.station * math.cos(0.5), atol=1e-12)
    np.testing.assert_allclose(line.y, -4.0 + line.station * math.sin(0.5), atol=1e-12)
    assert not line.curvature.any()
    assert line.length == 100.0


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_full_turn_without_transitions_is_a_circle(sign):
    line = build_line([Turn(sign * 2.0 * math.pi, 40.0, 0.0)], closed=True)
    assert line.length == pytest.approx(80.0 * math.pi, abs=1e-10)
    np.testing.assert_allclose(np.hypot(line.x, line.y - sign * 40.0), 40.0, atol=1e-10)
    assert np.ptp(line.curvature) == 0.0
    assert line.curvature[0] == pytest.approx(sign / 40.0)


def test_samples_are_evenly_spaced_and_divide_the_length():
    line = build_line(triangle(), closed=True, ds_m=0.5)
    steps = np.diff(line.station)
    assert line.station[0] == 0.0
    assert line.station[-1] == line.length
    assert steps.max() <= 0.5
    assert np.ptp(steps) < 1e-9
    # The way between samples is never longer along the chord and hardly shorter.
    chord = np.hypot(np.diff(line.x), np.diff(line.y))
    assert (chord <= steps + 1e-11).all()
    assert (chord > steps - 1e-4).all()


def test_a_clothoid_is_the_fresnel_integral():
    # Curvature s / (R L): angle s^2 / (2 R L). With s = A sqrt(pi) t and
    # A^2 = R L: x = A sqrt(pi) C(t), y the same with S.
    # Source: Abramowitz and Stegun, 7.3.1 and 7.3.2, evaluated by scipy.special.fresnel.
    radius, transition = 30.0, 25.0
    line = build_line([Turn(80 * DEG, radius, transition)], closed=False, ds_m=0.5)
    scale = math.sqrt(radius * transition * math.pi)
    inside = line.station <= transition
    s_integral, c_integral = fresnel(line.station[inside] / scale)
    np.testing.assert_allclose(line.x[inside], scale * c_integral, atol=1e-12)
    np.testing.assert_allclose(line.y[inside], scale * s_integral, atol=1e-12)
    np.testing.assert_allclose(
        line.heading[inside], line.station[inside] ** 2 / (2 * radius * transition), atol=1e-14
    )
    assert line.curvature.max() == pytest.approx(1.0 / radius)


def test_a_turn_is_as_long_as_its_angle_and_transitions_say():
    line = build_line([Turn(-90 * DEG, 40.0, 18.0)], closed=False)
    assert line.length == pytest.approx(40.0 * math.pi / 2.0 + 18.0)
    assert line.heading[-1] == pytest.approx(-math.pi / 2.0, abs=1e-12)
    assert line.curvature.min() == pytest.approx(-1.0 / 40.0)


@settings(max_examples=40)
@given(
    angles=st.lists(st.floats(20.0, 170.0), min_size=1, max_size=5),
    signs=st.lists(st.booleans(), min_size=5, max_size=5),
    blend=st.one_of(st.just(0.0), st.floats(0.1, 15.0)),
)
def test_headings_gained_are_exact_with_and_without_a_blend(angles, signs, blend):
    turns = [Turn(a * DEG * (1 if s else -1), 40.0, 10.0) for a, s in zip(angles, signs, strict=False)]
    segments: list[Straight | Turn] = [Straight(20.0)]
    for turn in turns:
        segments += [turn, Straight(20.0)]
    line = build_line(segments, closed=False, blend_m=blend)
    assert line.heading[-1] - line.heading[0] == pytest.approx(
        math.fsum(t.angle_rad for t in turns), abs=1e-9
    )
    # And in the middle of each straight, where no window reaches.
    station = 0.0
    gained = 0.0
    for segment in segments:
        if isinstance(segment, Straight):
            at = np.interp(station + 10.0, line.station, line.heading)
            assert at == pytest.approx(gained, abs=1e-9)
            station += segment.length_m
        else:
            gained += segment.angle_rad
            station += segment.radius_m * abs(segment.angle_rad) + segment.transition_m


def test_a_blend_makes_the_slope_of_curvature_continuous_and_not_steeper():
    plain = build_line(triangle(), closed=True, ds_m=0.1)
    blended = build_line(triangle(), closed=True, ds_m=0.1, blend_m=6.0)
    jump = np.abs(np.diff(plain.dcurvature)).max()
    steepest = np.abs(plain.dcurvature).max()
    assert jump == pytest.approx(steepest)  # the clothoid's slope starts at once
    # The window takes 6 m to take a jump in: a sixtieth of it in each 0.1 m, twice where two jumps meet.
    assert np.abs(np.diff(blended.dcurvature)).max() < 2.0 * jump * 0.1 / 6.0 + 1e-12
    assert np.abs(blended.dcurvature).max() <= steepest + 1e-12
    assert np.abs(blended.curvature).max() <= np.abs(plain.curvature).max() + 1e-12


@pytest.mark.parametrize("blend", [0.0, 7.0])
def test_heading_curvature_and_its_slope_are_derivatives_of_one_another(blend):
    line = build_line(triangle(), closed=True, ds_m=0.02, blend_m=blend)
    ds = line.length / (line.station.size - 1)
    middle = slice(1, -1)
    np.testing.assert_allclose(np.gradient(line.heading, ds)[middle], line.curvature[middle], atol=3e-5)
    inside = np.abs(np.diff(line.dcurvature, 2)) < 1e-9  # not where the slope jumps
    slope = np.gradient(line.curvature, ds)[middle]
    np.testing.assert_allclose(slope[inside], line.dcurvature[middle][inside], atol=1e-6)


@settings(max_examples=25)
@given(first=st.floats(80.0, 250.0), blend=st.sampled_from([0.0, 5.0, 10.0]))
def test_free_straights_close_the_circuit(first, blend):
    segments = triangle(first)
    line = build_line(segments, closed=True, blend_m=blend)
    assert math.hypot(line.x[-1] - line.x[0], line.y[-1] - line.y[0]) < 1e-9
    assert line.heading[-1] - line.heading[0] == pytest.approx(2.0 * math.pi, abs=1e-9)
    assert line.curvature[-1] == line.curvature[0]
    # With the solved lengths put in as given ones it closes as well: the solution is the segments' own.
    lengths = iter(free_lengths(segments, blend))
    given_ = [Straight(next(lengths)) if isinstance(s, Straight) and s.free else s for s in segments]
    again = build_line(given_, closed=True, blend_m=blend)
    assert again.length == pytest.approx(line.length, abs=1e-9)
    np.testing.assert_allclose(again.x, line.x, atol=1e-6)


def test_the_start_may_be_anywhere_and_moves_the_line_as_a_whole():
    plain = build_line(triangle(), closed=True)
    moved = build_line(triangle(), closed=True, start=(100.0, 50.0, 90 * DEG))
    np.testing.assert_allclose(moved.x, 100.0 - plain.y, atol=1e-8)
    np.testing.assert_allclose(moved.y, 50.0 + plain.x, atol=1e-8)
    np.testing.assert_allclose(moved.heading, plain.heading + math.pi / 2.0, atol=1e-12)


def test_a_right_hand_circuit_is_the_mirror_image():
    mirrored = [s._replace(angle_rad=-s.angle_rad) if isinstance(s, Turn) else s for s in triangle()]
    left, right = build_line(triangle(), closed=True), build_line(mirrored, closed=True)
    np.testing.assert_allclose(right.x, left.x, atol=1e-9)
    np.testing.assert_allclose(right.y, -left.y, atol=1e-9)
    assert right.heading[-1] == pytest.approx(-2.0 * math.pi)


R90 = Turn(90 * DEG, 20.0, 10.0)


@pytest.mark.parametrize(
    ("segments", "options", "segment", "text"),
    [
        ([], {}, None, "expected at least one segment, got none"),
        ([Straight(0.0)], {}, 0, "segments.0: expected a straight longer than 0 m, got 0.0"),
        ([Straight(math.nan)], {}, 0, "segments.0: expected finite numbers"),
        ([Straight(5.0), Turn(1.0, -3.0, 0.0)], {}, 1, "segments.1: expected a radius above 0 m, got -3.0"),
        ([Turn(0.0, 3.0, 0.0)], {}, 0, "expected a turn other than 0 degrees"),
        ([Turn(1.0, 3.0, -1.0)], {}, 0, "expected a transition from 0 m up, got -1.0"),
        ([Turn(90 * DEG, 20.0, 32.0)], {}, 0, "expected transition_m of at most 31.416"),
        ([Straight(5.0, True)], {}, 0, "an open line has nothing to close"),
        ([Straight(5.0)], {"ds_m": 0.0}, None, "ds_m: expected a step above 0 m, got 0.0"),
        ([Straight(5.0)], {"blend_m": -1.0}, None, "blend_m: expected 0, or 0.1 m or more, got -1.0"),
        ([Straight(5.0)], {"blend_m": 1e-6}, None, "blend_m: expected 0, or 0.1 m or more, got 1e-06"),
        ([R90, Straight(9.0)], {"blend_m": 4.0}, 0, "must start and end with a straight of 2 m or more"),
        ([Straight(9.0), R90, Straight(1.0)], {"blend_m": 4.0}, 2, "must start and end with a straight"),
        (
            [Straight(9.0), R90, R90, R90],
            {"closed": True},
            None,
            r"must add up to \+360 or -360 degrees, they add up to 270; change them by \+90",
        ),
        ([Straight(9.0), R90, R90, R90, R90], {"closed": True}, None, "misses its start by 9.000 m"),
        (
            [Straight(9.0, True), R90, R90, R90, R90],
            {"closed": True},
            0,
            "expected two free straights .* got 1",
        ),
        (
            [Straight(9.0, True), R90, R90, Straight(9.0, True), R90, R90],
            {"closed": True},
            3,
            r"parallel \(headings 0.000 and 180.000 degrees\)",
        ),
        (
            [Straight(9.0, True), R90, Straight(9.0, True), R90, R90, Straight(50.0), R90],
            {"closed": True},
            0,
            "closing the circuit takes a free straight of .* m here; expected more than 0 m",
        ),
    ],
)
def test_segments_that_give_no_line_are_refused_with_place_and_figure(segments, options, segment, text):
    with pytest.raises(LineError, match=text) as caught:
        build_line(segments, **{"closed": False, **options})
    assert caught.value.number == segment
    assert isinstance(caught.value, ValueError)


def test_rows_of_a_circuit_file_become_segments():
    rows = [
        {"straight_m": 250},
        {"straight_m": 180.5, "free": True},
        {"turn_deg": -90, "radius_m": 40, "transition_m": 20},
        {"turn_deg": 45, "radius_m": 40},
    ]
    assert segments_from_rows(rows) == (
        Straight(250.0),
        Straight(180.5, True),
        Turn(-math.pi / 2.0, 40.0, 20.0),
        Turn(math.pi / 4.0, 40.0, 0.0),
    )


def test_clearance_is_the_gap_between_legs_and_nothing_where_a_line_crosses_itself():
    legs = build_line([Straight(150.0), Turn(math.pi, 20.0, 0.0), Straight(150.0)], closed=False)
    assert clearance(legs) == pytest.approx(40.0, abs=0.1)
    loop = build_line([Straight(100.0), Turn(270 * DEG, 30.0, 0.0), Straight(100.0)], closed=False)
    assert clearance(loop) < 1.0
    assert clearance(build_line([Straight(50.0)], closed=False)) == math.inf


def test_there_is_a_circuit():
    assert CIRCUITS


@pytest.mark.parametrize("path", CIRCUITS, ids=lambda path: path.stem)
def test_circuits_that_come_along_close_and_keep_apart(path):
    document = YAML(typ="safe").load(path)
    segments = segments_from_rows(document["segments"])
    line = build_line(segments, closed=True, blend_m=8.0)
    assert document["kind"] == "circuit"
    assert document["closed"] is True
    assert 2500.0 < line.length < 3500.0
    assert math.hypot(line.x[-1], line.y[-1]) < 1e-6
    # Parts more than 85 m of riding apart (no corner bends back within that) keep 20 m between the roads.
    assert clearance(line, 85.0) > 20.0 + document["width_m"]
    # The support lets go on the first straight.
    assert not line.curvature[line.station < 200.0].any()
    radii = [s.radius_m for s in segments if isinstance(s, Turn)]
    assert min(radii) <= 18.0
    assert max(radii) >= 120.0
