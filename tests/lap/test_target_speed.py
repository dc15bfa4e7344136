"""Target speed against closed forms, and against every limit it promises, on circuits drawn at random."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from emulator.core.constants import GRAVITY as G
from emulator.lap import target_speed as speed_profile
from emulator.lap.target_speed import (
    AIR_DENSITY,
    SpeedLimits,
    _passes,
    acceleration,
    engine_curve,
    jerk,
    lap_time,
    speed_limits,
    target_speed,
)
from emulator.road.build_line import Straight, Turn, build_line
from emulator.road.line import Line
from tests.support.lines import segments_from_rows, with_speed

DEG = math.pi / 180.0
CIRCUIT = Path(__file__).parents[2] / "scenarios" / "circuits" / "ostrevel.yaml"


def limits(**changes: object) -> SpeedLimits:
    """44 degrees of lean, 6.5 m/s2 of braking, 0.9 g of drive, 75 m/s, no jerk limit unless changed."""
    values: dict[str, object] = {
        "lean_rad": 44 * DEG,
        "braking_m_s2": 6.5,
        "drive_m_s2": 0.9 * G,
        "top_speed_m_s": 75.0,
        "jerk_m_s3": math.inf,
    }
    return speed_limits(**{**values, **changes})  # type: ignore[arg-type]


def superbike(**changes: object) -> SpeedLimits:
    """The same with 120 kW at 275 kg (invented for the demo)."""
    speeds, values = engine_curve(120e3, 275.0, 0.35, 75.0)
    return limits(engine_speed_m_s=speeds, engine_m_s2=values, **changes)


def circuit() -> Line:
    rows = YAML(typ="safe").load(CIRCUIT)["segments"]
    return build_line(segments_from_rows(rows), closed=True, blend_m=8.0)


def assert_within(line: Line, lim: SpeedLimits, v: np.ndarray, grip: float | np.ndarray = math.inf) -> None:
    """Every limit, written out anew: cap at each sample, ellipse and engine at both ends of each step."""
    mu_g = np.broadcast_to(np.asarray(grip) * G, v.shape)
    lateral = np.minimum(lim.lateral_m_s2, mu_g)
    use = np.abs(line.curvature) * v**2 / lateral
    assert use.max() <= 1.0 + 1e-9
    assert v.max() <= lim.top_speed_m_s + 1e-12
    share = np.sqrt(np.clip(1.0 - use**2, 0.0, None))
    engine = np.maximum(np.interp(v, lim.engine_speed_m_s, lim.engine_m_s2), 0.0)
    most = np.minimum(np.minimum(lim.drive_m_s2, mu_g) * share, engine)
    least = -np.minimum(lim.braking_m_s2, mu_g) * share
    a = acceleration(line, v)
    # A share near 0 is the root of a difference: 1e-10 of rounding in speed is 1e-5 of it.
    assert (a - np.minimum(most[1:], most[:-1])).max() <= 2e-4
    assert (np.maximum(least[1:], least[:-1]) - a).max() <= 2e-4


def test_constant_radius_is_the_root_of_lateral_acceleration_times_radius():
    line = build_line([Turn(2.0 * math.pi, 40.0, 0.0)], closed=True)
    expected = math.sqrt(G * math.tan(44 * DEG) * 40.0)
    for jerk_limit in (math.inf, 20.0):
        v = target_speed(line, limits(jerk_m_s3=jerk_limit))
        np.testing.assert_allclose(v, expected, rtol=1e-12)
    assert lap_time(line, v) == pytest.approx(80.0 * math.pi / expected, rel=1e-12)


def test_grip_below_the_lean_limit_caps_the_corner():
    line = build_line([Turn(2.0 * math.pi, 40.0, 0.0)], closed=True)
    np.testing.assert_allclose(target_speed(line, limits(), grip=0.5), math.sqrt(0.5 * G * 40.0), rtol=1e-12)


def test_a_straight_from_rest_and_into_a_corner_is_uniform_acceleration():
    # v^2 = 2 a s up from rest; v^2 = v_corner^2 + 2 b d at a distance d before the corner.
    line = build_line([Straight(400.0), Turn(math.pi, 20.0, 0.0)], closed=False, ds_m=0.5)
    v = target_speed(line, limits(drive_m_s2=4.0), initial_speed_m_s=0.0)
    corner = math.sqrt(G * math.tan(44 * DEG) * 20.0)
    straight = line.station < 399.0
    up = np.sqrt(2.0 * 4.0 * line.station[straight])
    # The step that ends in the corner has no share left, so the braking ends at the last sample before.
    last = line.station[line.curvature == 0.0][-1]
    down = np.sqrt(corner**2 + 2.0 * 6.5 * np.maximum(last - line.station[straight], 0.0))
    np.testing.assert_allclose(v[straight], np.minimum(up, down), rtol=1e-9)
    braking = up > down
    assert braking.any()
    assert not braking.all()
    # Braking distance from the fastest point: (v^2 - corner^2) / 2 b.
    top = int(np.argmax(v))
    assert last - line.station[top] == pytest.approx((v[top] ** 2 - corner**2) / (2.0 * 6.5), abs=0.5)


def test_top_speed_is_held_and_the_time_for_it_is_length_over_speed():
    line = build_line([Straight(300.0)], closed=False)
    v = target_speed(line, limits(top_speed_m_s=50.0))
    assert (v == 50.0).all()
    assert lap_time(line, v) == pytest.approx(6.0)
    assert lap_time(with_speed(line, v)) == pytest.approx(6.0)


def test_time_from_rest_is_that_of_uniform_acceleration():
    line = build_line([Straight(100.0)], closed=False)
    v = target_speed(line, limits(drive_m_s2=2.0), initial_speed_m_s=0.0)
    assert lap_time(line, v) == pytest.approx(math.sqrt(2.0 * 100.0 / 2.0))


def test_engine_power_bounds_the_speed_as_work_over_time():
    # Constant power without drag: m v^3 / 3 = P s, far above the wheelie bound's end.
    speeds, values = engine_curve(50e3, 250.0, 0.0, 120.0)
    lim = limits(drive_m_s2=1e3, top_speed_m_s=120.0, engine_speed_m_s=speeds, engine_m_s2=values)
    line = build_line([Straight(2000.0)], closed=False, ds_m=0.25)
    v = target_speed(line, lim, initial_speed_m_s=20.0)
    np.testing.assert_allclose(v, (20.0**3 + 3.0 * 50e3 / 250.0 * line.station) ** (1.0 / 3.0), rtol=2e-3)


def test_drag_holds_the_speed_where_it_takes_all_the_power():
    speeds, values = engine_curve(60e3, 250.0, 0.5, 100.0)
    lim = limits(top_speed_m_s=100.0, engine_speed_m_s=speeds, engine_m_s2=values)
    line = build_line([Straight(6000.0)], closed=False, ds_m=1.0)
    v = target_speed(line, lim, initial_speed_m_s=20.0)
    terminal = (2.0 * 60e3 / (AIR_DENSITY * 0.5)) ** (1.0 / 3.0)
    assert v[-1] == pytest.approx(terminal, rel=1e-3)
    assert v.max() <= terminal * (1.0 + 1e-4)


@pytest.mark.parametrize("initial", [None, 8.0])
def test_the_passes_are_idempotent(initial):
    line, lim = circuit(), superbike()
    v = target_speed(line, lim, initial_speed_m_s=initial)
    again = v.copy()
    endless, flat = np.full(v.size, math.inf), np.zeros(v.size)
    at = np.column_stack([endless, endless, np.abs(line.curvature), flat, flat])
    _passes(lim, again, at, line.length / (v.size - 1), initial is None)
    np.testing.assert_allclose(again, v, rtol=1e-12)


@pytest.mark.parametrize("jerk_limit", [math.inf, 25.0])
def test_a_closed_line_has_no_first_sample(jerk_limit):
    line, lim = circuit(), superbike(jerk_m_s3=jerk_limit)
    v = target_speed(line, lim)
    rolled = np.roll(line.curvature[:-1], 1000)
    again = target_speed(line._replace(curvature=np.append(rolled, rolled[0])), lim)
    assert v[0] == v[-1]
    np.testing.assert_allclose(again[:-1], np.roll(v[:-1], 1000), rtol=1e-9)


@pytest.mark.parametrize("jerk_limit", [math.inf, 25.0])
def test_the_first_lap_begins_as_told_and_ends_as_the_next_one_begins(jerk_limit):
    line, lim = circuit(), superbike(jerk_m_s3=jerk_limit)
    flying, first = target_speed(line, lim), target_speed(line, lim, initial_speed_m_s=8.0)
    assert first[0] == pytest.approx(8.0, abs=0.01)
    assert first[0] < first[200] < flying[200]
    after = line.station > 400.0
    # With a jerk limit the slow start's long steps widen the minimum filter: a little slower in corners.
    np.testing.assert_allclose(first[after], flying[after], atol=1e-8 if jerk_limit == math.inf else 1.0)


@pytest.mark.parametrize("jerk_limit", [math.inf, 40.0, 20.0, 10.0])
@pytest.mark.parametrize("initial", [None, 8.0])
def test_on_the_demo_circuit_no_limit_is_exceeded(jerk_limit, initial):
    line, lim = circuit(), superbike(jerk_m_s3=jerk_limit)
    v = target_speed(line, lim, initial_speed_m_s=initial)
    assert_within(line, lim, v)
    if math.isfinite(jerk_limit):
        assert np.abs(jerk(line._replace(closed=initial is None), v)).max() <= jerk_limit
        assert (v <= target_speed(line, superbike(), initial_speed_m_s=initial) + 1e-9).all()


@settings(max_examples=40)
@given(
    radii=st.tuples(*[st.floats(15.0, 120.0)] * 3),
    first=st.floats(40.0, 400.0),
    lean=st.floats(20.0, 50.0),
    braking=st.floats(2.0, 9.0),
    drive=st.floats(2.0, 9.0),
    power_kW=st.floats(20.0, 150.0),
    jerk_limit=st.sampled_from([math.inf, 500.0, 60.0, 25.0, 5.0]),
    wet=st.floats(0.2, 1.2),
)
def test_on_circuits_drawn_at_random_no_limit_is_exceeded(
    radii, first, lean, braking, drive, power_kW, jerk_limit, wet
):
    a, b, c = radii
    line = build_line(
        [
            Straight(first + 300.0),
            Turn(130 * DEG, a, 0.4 * a),
            Straight(100.0, True),
            Turn(110 * DEG, b, 0.4 * b),
            Straight(100.0, True),
            Turn(120 * DEG, c, 0.4 * c),
            Straight(30.0),
        ],
        closed=True,
        blend_m=6.0,
        ds_m=1.0,
    )
    speeds, values = engine_curve(power_kW * 1e3, 260.0, 0.35, 75.0)
    lim = limits(
        lean_rad=lean * DEG,
        braking_m_s2=braking,
        drive_m_s2=drive,
        engine_speed_m_s=speeds,
        engine_m_s2=values,
        jerk_m_s3=jerk_limit,
    )
    grip = np.where((line.station > 100.0) & (line.station < 160.0), wet, 1.2)
    v = target_speed(line, lim, grip=grip)
    assert_within(line, lim, v, grip)
    assert v[0] == v[-1]
    assert np.abs(jerk(line, v)).max() <= jerk_limit


def test_demo_circuit_is_one_for_a_superbike():
    """What it is for: leans of 44 degrees left and right, over 170 km/h, braking to under 50 km/h."""
    line = circuit()
    lim = limits(drive_m_s2=0.45 * G, jerk_m_s3=30.0)
    v = target_speed(line, lim)
    lean = np.arctan(v**2 * line.curvature / G) / DEG
    assert lean.max() == pytest.approx(44.0, abs=0.01)
    assert lean.min() == pytest.approx(-44.0, abs=0.01)
    assert v.max() * 3.6 > 170.0
    assert v.min() * 3.6 < 50.0
    assert 80.0 < lap_time(line, v) < 110.0
    # Room to roll: every transition takes at least 0.8 s at the speed it is ridden with.
    for segment in segments_from_rows(YAML(typ="safe").load(CIRCUIT)["segments"]):
        if isinstance(segment, Turn):
            assert segment.transition_m / math.sqrt(lim.lateral_m_s2 * segment.radius_m) >= 0.8


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"lean_rad": 0.0}, "lean_rad: expected more than 0 and less than 80 degrees"),
        ({"lean_rad": 44.0}, "lean_rad: .* got 44.0"),
        ({"braking_m_s2": 0.0}, "braking_m_s2: expected a number above 0, got 0.0"),
        ({"drive_m_s2": math.nan}, "drive_m_s2: expected a number above 0, got nan"),
        ({"top_speed_m_s": math.inf}, "top_speed_m_s: expected a number above 0, got inf"),
        ({"jerk_m_s3": -1.0}, "jerk_m_s3: expected a number above 0"),
        ({"engine_m_s2": np.ones(2)}, "expected both engine_speed_m_s and engine_m_s2"),
        ({"engine_speed_m_s": np.array([2.0, 1.0]), "engine_m_s2": np.ones(2)}, "speeds, rising"),
        ({"engine_speed_m_s": np.array([1.0, 2.0]), "engine_m_s2": np.ones(3)}, "as many accelerations"),
        (
            {"engine_speed_m_s": np.array([1.0, 2.0]), "engine_m_s2": np.array([0.0, 1.0])},
            "first acceleration",
        ),
    ],
)
def test_limits_that_make_no_sense_are_refused(changes, text):
    with pytest.raises(ValueError, match=text):
        limits(**changes)


def test_what_can_not_be_ridden_is_refused():
    line = build_line([Straight(30.0), Turn(math.pi, 20.0, 10.0), Straight(5.0)], closed=False)
    with pytest.raises(ValueError, match="too fast to brake for the first corner; expected at most"):
        target_speed(line, limits(), initial_speed_m_s=60.0)
    with pytest.raises(ValueError, match=r"expected 0 to 75.000 m/s .*, got 80.0"):
        target_speed(line, limits(), initial_speed_m_s=80.0)
    with pytest.raises(ValueError, match=r"initial_speed_m_s: expected 1 to .*, got 0.0"):
        target_speed(line, limits(jerk_m_s3=20.0), initial_speed_m_s=0.0)
    with pytest.raises(ValueError, match="grip: expected numbers above 0, got 0"):
        target_speed(line, limits(), grip=0.0)


def test_a_result_that_misses_its_jerk_limit_is_not_handed_out(monkeypatch):
    monkeypatch.setattr(speed_profile, "_averaged", lambda _tau, values, _window, _closed: values)
    with pytest.raises(ValueError, match=r"jerk_m_s3: 25 can't be met on this line, it would be \d+"):
        target_speed(circuit(), superbike(jerk_m_s3=25.0))


# -- bank and slope ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bank_deg", "left"), [(-7.0, True), (7.0, True), (7.0, False), (-7.0, False)])
def test_on_a_banked_circle_grip_holds_more_where_the_inner_side_is_down(bank_deg, left):
    # v^2 = g R (mu + tan b) / (1 - mu tan b); bank is positive right side down
    line = build_line([Turn(math.copysign(2.0 * math.pi, 1 if left else -1), 50.0, 0.0)], closed=True)
    b = math.tan(-bank_deg * DEG if left else bank_deg * DEG)
    expected = math.sqrt(G * 50.0 * (0.6 + b) / (1.0 - 0.6 * b))
    v = target_speed(line, limits(), grip=0.6, bank=bank_deg * DEG)
    np.testing.assert_allclose(v, expected, rtol=1e-9)


def test_the_lean_limit_does_not_know_the_bank():
    line = build_line([Turn(2.0 * math.pi, 50.0, 0.0)], closed=True)
    v = target_speed(line, limits(lean_rad=20 * DEG), grip=1.0, bank=-5.0 * DEG)
    np.testing.assert_allclose(v, math.sqrt(G * math.tan(20 * DEG) * 50.0), rtol=1e-9)


@pytest.mark.parametrize("slope_deg", [5.0, -5.0])
def test_a_slope_helps_one_way_and_costs_the_other(slope_deg):
    line = build_line([Straight(400.0), Turn(math.pi, 20.0, 0.0)], closed=False, ds_m=0.5)
    lim = limits(drive_m_s2=4.0)
    v = target_speed(line, lim, initial_speed_m_s=0.0, slope=slope_deg * DEG)
    pull = G * math.sin(slope_deg * DEG)
    a = acceleration(line, v)
    assert a[100] == pytest.approx(4.0 - pull, rel=1e-9)
    assert a[780] == pytest.approx(-(6.5 + pull), rel=1e-9)
    # In the corner the tyre also has to take the pull: u^2 + (g sin s / limit)^2 = 1.
    most = 4.0 if pull > 0.0 else 6.5
    lateral = lim.lateral_m_s2 * math.sqrt(1.0 - (pull / most) ** 2)
    assert v[-1] == pytest.approx(math.sqrt(20.0 * lateral), rel=1e-6)


@pytest.mark.parametrize("rise_deg", [6.0, -6.0])
def test_where_a_slope_begins_the_average_over_the_jerks_window_keeps_the_limits_of_both_sides(rise_deg):
    line = build_line([Straight(500.0), Turn(0.5 * math.pi, 20.0, 15.0)], closed=False, ds_m=0.5)
    rises = (line.station > 100.0) & (line.station < 300.0) | (line.station > 470.0)
    slope = np.where(rises, rise_deg * DEG, 0.0)
    lim = limits(drive_m_s2=3.0, braking_m_s2=4.0, jerk_m_s3=8.0)
    v = target_speed(line, lim, initial_speed_m_s=8.0, slope=slope, bank=0.0)
    a, pull = acceleration(line, v), G * np.sin(slope)
    assert (a - np.minimum(3.0 - pull[1:], 3.0 - pull[:-1])).max() <= 1e-6
    assert (np.maximum(-4.0 - pull[1:], -4.0 - pull[:-1]) - a).max() <= 1e-6


def test_a_climb_is_not_faster_than_the_engine_can_hold():
    speeds, values = engine_curve(20e3, 250.0, 0.4, 75.0)
    lim = limits(engine_speed_m_s=speeds, engine_m_s2=values)
    line = build_line([Straight(3000.0)], closed=False, ds_m=2.0)
    v = target_speed(line, lim, slope=6.0 * DEG)
    # power = m g sin(s) v + drag
    at = v[-1]
    assert 250.0 * G * math.sin(6.0 * DEG) * at + 0.5 * AIR_DENSITY * 0.4 * at**3 == pytest.approx(
        20e3, rel=0.01
    )


def test_a_crest_is_ridden_no_faster_than_half_the_load_allows():
    line = build_line([Straight(400.0)], closed=False, ds_m=0.5)
    slope = -(line.station - 200.0) / 200.0 * 0.4  # 1/500 m
    v = target_speed(line, limits(), grip=1.0, slope=slope)
    assert v[400] == pytest.approx(math.sqrt(0.5 * G * 500.0), rel=1e-3)


@settings(max_examples=25)
@given(
    radii=st.tuples(*[st.floats(15.0, 120.0)] * 3),
    grip=st.floats(0.5, 1.4),
    banks=st.floats(-6.0, 6.0),
    rise=st.floats(0.0, 5.0),
    jerk_limit=st.sampled_from([math.inf, 60.0, 25.0]),
)
def test_on_banked_and_hilly_circuits_the_friction_circle_is_kept(radii, grip, banks, rise, jerk_limit):
    a, b, c = radii
    line = build_line(
        [
            Straight(400.0),
            Turn(130 * DEG, a, 0.4 * a),
            Straight(100.0, True),
            Turn(110 * DEG, b, 0.4 * b),
            Straight(100.0, True),
            Turn(120 * DEG, c, 0.4 * c),
            Straight(30.0),
        ],
        closed=True,
        blend_m=6.0,
        ds_m=1.0,
    )
    round_ = 2.0 * math.pi * line.station / line.length
    bank, slope = banks * DEG * np.cos(2.0 * round_), rise * DEG * np.sin(round_)
    speeds, values = engine_curve(90e3, 260.0, 0.35, 75.0)
    lim = limits(engine_speed_m_s=speeds, engine_m_s2=values, jerk_m_s3=jerk_limit)
    v = target_speed(line, lim, grip=grip, bank=bank, slope=slope)
    assert v[0] == v[-1]
    # The whole of it anew, a point mass in road axes: |force in the road's plane| <= grip * normal force.
    rate = (np.roll(slope[:-1], -1) - np.roll(slope[:-1], 1)) / (2.0 * line.length / (v.size - 1))
    rate = np.append(rate, rate[0])
    steps = acceleration(line, v)
    for end, k in ((slice(None, -1), 0), (slice(1, None), 1)):
        w, cb, sb = v[end], np.cos(bank[end]), np.sin(bank[end])
        inward, upward = line.curvature[end] * w**2, rate[end] * w**2
        y = inward * cb + upward * sb + G * np.cos(slope[end]) * sb
        n = upward * cb - inward * sb + G * np.cos(slope[end]) * cb
        x = steps + G * np.sin(slope[end])
        assert (np.hypot(x, y) / n).max() <= grip * 1.004, k
        assert (x + 0.0).max() <= lim.drive_m_s2 + 1e-3
        assert (-x).max() <= lim.braking_m_s2 + 1e-3


def test_bank_and_slope_of_the_line_are_taken_unless_others_are_given():
    line = build_line([Turn(2.0 * math.pi, 50.0, 0.0)], closed=True)
    banked = line._replace(bank=np.full(line.station.size, -0.1))
    expected = target_speed(line, limits(), grip=0.6, bank=-0.1)
    np.testing.assert_array_equal(target_speed(banked, limits(), grip=0.6), expected)
    np.testing.assert_array_equal(
        target_speed(banked, limits(), grip=0.6, bank=0.0), target_speed(line, limits(), grip=0.6)
    )


def test_roads_that_can_not_be_ridden_are_refused():
    line = build_line([Straight(100.0)], closed=False)
    with pytest.raises(
        ValueError, match=r"bank: 30\.0 degrees at station 0\.0 m leave nothing of a grip of 0\.4"
    ):
        target_speed(line, limits(), grip=0.4, bank=30.0 * DEG)
    with pytest.raises(ValueError, match=r"slope: 45\.0 degrees take 6\.94 m/s\^2 of the 6\.50"):
        target_speed(line, limits(), slope=-45.0 * DEG)
    speeds, values = engine_curve(100.0, 250.0, 0.4, 75.0)
    with pytest.raises(ValueError, match="slope: the engine can't climb it"):
        target_speed(line, limits(engine_speed_m_s=speeds, engine_m_s2=values), slope=6.0 * DEG)
    with pytest.raises(ValueError, match="bank, slope: expected finite numbers"):
        target_speed(line, limits(), slope=math.nan)
