"""The stability diagram: curves that keep their names, published frequencies, and motions that agree."""

from __future__ import annotations

import itertools
import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from ruamel.yaml import YAML

from emulator.vehicle.equilibrium import NoEquilibrium, steady_motion
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.linearise import linearise
from emulator.vehicle.modes import (
    CAPSIZE,
    NAMES,
    WEAVE,
    WOBBLE,
    Eigen,
    Stability,
    SteadyTurns,
    eigen,
    follow,
    looks_like,
    named_roots,
    participation,
    ranges_above_zero,
    same_roots,
    stability,
)
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import JOINT, JOINT_RATE, OMEGA, STEER, U_STEER_TORQUE, VELOCITY, scratch
from tests.support.machines import benchmark_bicycle, demo

RANGES: dict[str, Any] = YAML(typ="safe").load(
    (Path(__file__).parents[1] / "reference" / "typical_ranges.yaml").read_text()
)
KMH = 1.0 / 3.6

# J. P. Meijaard et al., Proc. R. Soc. A 463 (2007) 1955-1982, table 2: speed [m/s]: weave, capsize [1/s].
# Status: published (digits as public transcriptions of the table have them, the paper itself not opened);
# computed again from its appendix at 40 digits, they agree to 5e-14. Nothing is asked to less than 1e-4.
PUBLISHED = {
    1.0: (3.52696170990070 + 0.80774027519930j, -3.13423125066578),
    3.0: (1.70675605663975 + 2.31582447384325j, -2.63366137253667),
    5.0: (-0.77534188219585 + 4.46486771378823j, -0.32286642900409),
    7.0: (-2.13875644258362 + 7.19525913329805j, 0.10268170574766),
    10.0: (-3.72016840437287 + 10.90681139476287j, 0.16105338653172),
}


@cache
def bicycle() -> Stability:
    return stability(benchmark_bicycle(1e9), sorted({*PUBLISHED, *np.round(np.arange(0.4, 7.0, 0.05), 2)}))


@cache
def racer() -> Stability:
    return stability(demo(), np.arange(10.0, 251.0, 5.0) * KMH, np.radians([0.0, 20.0, 40.0]))


# ---- names and curves --------------------------------------------------------------------------------------


@pytest.mark.parametrize("speed", PUBLISHED)
def test_the_published_bicycles_modes_have_their_names(speed: float) -> None:
    k = int(np.flatnonzero(bicycle().speeds == speed)[0])
    weave, capsize = PUBLISHED[speed]
    assert abs(bicycle().mode(WEAVE)[0, k] - weave) < 1e-4
    assert abs(bicycle().mode(CAPSIZE)[0, k] - capsize) < 1e-4


def test_a_bicycle_on_stiff_tyres_has_no_wobble() -> None:
    assert set(bicycle().names) == {WEAVE, CAPSIZE}
    assert np.isnan(bicycle().mode(WOBBLE)).all()


def test_the_published_bicycle_is_stable_between_its_published_speeds() -> None:
    # Meijaard et al. (2007), section 5: weave speed 4.29238253634111, capsize speed 6.02426201538837 m/s
    # (published; status as PUBLISHED)
    d = bicycle()
    ((start, end),) = ranges_above_zero(d.speeds, d.mode(WEAVE)[0].real)
    assert start == d.speeds[0]
    assert end == pytest.approx(4.29238253634111, abs=1e-3)
    ((start, end),) = ranges_above_zero(d.speeds, d.mode(CAPSIZE)[0].real)
    assert start == pytest.approx(6.02426201538837, abs=1e-3)
    assert end == d.speeds[-1]


def test_weave_keeps_its_name_where_it_stops_swinging() -> None:
    # Meijaard et al. (2007): two unstable real roots meet at 0.684 m/s (from memory) and become weave.
    d = bicycle()
    weave = d.mode(WEAVE)[0]
    assert np.all(weave.imag[d.speeds < 0.66] == 0.0)
    assert np.all(weave.imag[d.speeds > 0.71] > 0.0)
    assert np.all(weave.real[d.speeds < 1.0] > 3.0)


def test_the_racers_modes_are_found_and_named_at_every_lean() -> None:
    d = racer()
    assert set(d.names) == set(NAMES)
    assert len({k for curves in d.names.values() for k in curves}) == 5
    missing = {(g.speed, g.lean) for g in d.gaps}
    for i, lean in enumerate(d.leans):
        there = [(v, lean) not in missing for v in d.speeds]
        assert np.array_equal(np.isfinite(d.roots[i].real).all(axis=1), there)


def test_curves_are_smooth_in_speed_and_in_lean() -> None:
    """A curve that took another's place would jump by some 1/s; what it bends from step to step is less."""
    speeds = np.arange(20.0, 60.0, 0.5)
    leans = np.radians(np.arange(0.0, 41.0, 4.0))
    for d in (stability(demo(), speeds, np.radians([0.0, 40.0])), stability(demo(), [40.0, 60.0], leans)):
        for name in (WEAVE, WOBBLE):
            roots = d.mode(name)
            assert np.isfinite(roots.real).all()
            over = roots if roots.shape[1] > 2 else roots.T
            for curve in over:
                bend = np.abs(np.diff(curve, 2))
                assert bend.max() < 0.35, (name, bend.max())


def test_names_do_not_depend_on_what_else_is_asked() -> None:
    all_of_it = racer()
    some = stability(demo(), all_of_it.speeds[[7, 30]], all_of_it.leans[[2]])
    for name in NAMES:
        assert np.allclose(some.mode(name)[0], all_of_it.mode(name)[2, [7, 30]], rtol=1e-4, atol=1e-5), name


def test_a_lean_to_the_left_is_one_to_the_right() -> None:
    d = stability(demo(), [12.0, 40.0], np.radians([-30.0, 30.0]))
    for name in NAMES:
        left, right = d.mode(name)
        assert np.allclose(left, right, rtol=1e-3, atol=1e-3)


def test_where_curves_cross_a_root_is_told_by_its_vectors_not_by_its_value() -> None:
    def at(x: float) -> Eigen:
        # Two oscillators whose frequencies pass each other, seen in mixed coordinates.
        blocks = np.zeros((4, 4))
        blocks[:2, :2] = [[-0.1, 2.0 + x], [-2.0 - x, -0.1]]
        blocks[2:, 2:] = [[-0.2, 3.0 - x], [-3.0 + x, -0.2]]
        mix = np.array(
            [[1.0, 0.3, 0.2, 0.1], [0.0, 1.0, 0.5, 0.2], [0.1, 0.0, 1.0, 0.4], [0.3, 0.1, 0.0, 1.0]]
        )
        return eigen(mix @ blocks @ np.linalg.inv(mix))

    before, after = at(0.4), at(0.6)
    order, sure = same_roots(before, after)
    assert sure > 0.99
    assert np.allclose(before.roots.real, after.roots[order].real)  # -0.1 stays -0.1, -0.2 stays -0.2
    nearest = np.argmin(np.abs(before.roots[:, None] - after.roots[None, :]), axis=1)
    assert not np.array_equal(nearest, order)


def test_where_curves_veer_apart_the_step_is_halved_until_that_is_seen() -> None:
    """Two coupled oscillators: their frequencies come close, turn off, and swap what swings.

    In one step from before to after the vectors rather say that the curves crossed; they never meet.
    """

    def at(x: float) -> Eigen:
        stiffness = np.array([[4.0 + x, 0.45], [0.45, 5.0 - x]])
        return eigen(np.block([[np.zeros((2, 2)), np.eye(2)], [-stiffness, -0.02 * np.eye(2)]]))

    before = at(0.0)
    slow = int(np.argmin(np.where(before.roots.imag > 0.0, before.roots.imag, math.inf)))
    order, _ = same_roots(before, at(1.0))
    assert at(1.0).roots[order][slow].imag == pytest.approx(math.sqrt(5.1727), abs=1e-3)
    assert follow(at, before, 0.0, 1.0).roots[slow].imag == pytest.approx(math.sqrt(3.8273), abs=1e-3)


@settings(max_examples=40)
@given(seed=st.integers(0, 10_000), n=st.integers(3, 12))
def test_overlap_does_not_depend_on_units_or_order(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    A = rng.normal(size=(n, n))
    B = A + 1e-4 * rng.normal(size=(n, n))
    shuffle = rng.permutation(n)
    units = np.diag(10.0 ** rng.uniform(-3, 3, n))
    plain = eigen(A), eigen(B).ordered(shuffle)
    scaled = eigen(units @ A @ np.linalg.inv(units)), eigen(units @ B @ np.linalg.inv(units))
    order, sure = same_roots(*plain)
    gap = min(abs(a - b) for a, b in itertools.combinations(plain[0].roots, 2))
    if gap < 0.05:
        return  # nearly a double root: nothing to tell apart
    assert np.max(np.abs(plain[1].roots[order] - plain[0].roots)) < 0.5 * gap
    other, other_sure = same_roots(*scaled)
    assert np.max(np.abs(scaled[1].roots[other] - scaled[0].roots)) < 0.5 * gap
    assert other_sure == pytest.approx(sure, abs=1e-3)


def test_participation_is_a_share() -> None:
    e = eigen(linearise(demo(), steady_motion(demo(), 25.0)).A)
    share = participation(e)
    assert np.allclose(share.sum(axis=0), 1.0)
    assert share.min() >= 0.0


@pytest.mark.parametrize("speed", [15.0, 25.0, 40.0])
def test_modes_look_as_their_names_say(speed: float) -> None:
    e = eigen(linearise(demo(), steady_motion(demo(), speed)).A)
    found = named_roots(e)
    assert set(found) == set(NAMES)
    share = participation(e)
    states = list(e.states)

    def part(name: str, *which: int) -> float:
        return float(sum(share[states.index(k), found[name]] for k in which))

    assert part(CAPSIZE, 1) > 0.8  # roll
    assert part(WOBBLE, 5, 16) > 0.3  # steer and its rate
    assert part(WEAVE, 1, 7, 9, 11) > part(WEAVE, 5, 16)
    assert looks_like(e.roots[found[WOBBLE]] * 3.0, share[:, found[WOBBLE]], e.states) == ""


# ---- published frequencies ---------------------------------------------------------------------------------


def within(hertz: NDArray[np.float64], key: str) -> bool:
    low, high = RANGES[key]["range"]
    return bool(np.all((hertz >= low) & (hertz <= high)))


def test_the_racers_upright_modes_have_published_frequencies() -> None:
    d = racer()
    weave, wobble = (d.mode(name)[0].imag / (2.0 * math.pi) for name in (WEAVE, WOBBLE))
    fast = d.speeds > RANGES["weave_fast_hz"]["above_m_s"]
    moving = d.speeds >= 4.0  # slower, weave is on its way to two real roots
    assert within(weave[moving & ~fast], "weave_hz")
    assert within(weave[fast], "weave_fast_hz")
    low, high = RANGES["wobble_at_45_mph_hz"]["between_m_s"]
    there = (d.speeds >= low) & (d.speeds <= high)
    assert there.any()
    assert within(wobble[there], "wobble_at_45_mph_hz")
    assert within(wobble[d.speeds < 240.0 * KMH], "wobble_hz")
    assert within(wobble, "wobble_seen_hz")


def test_the_upright_racer_weaves_slowly_then_is_stable_but_for_a_slow_capsize() -> None:
    d = racer()
    weave, wobble, capsize = (d.mode(name)[0].real for name in (WEAVE, WOBBLE, CAPSIZE))
    ((_, weave_ends),) = ranges_above_zero(d.speeds, weave)
    # From the parameters of R. S. Sharp (1971): weave stable above 5.9, capsize unstable above 10.3 m/s.
    assert 4.0 < weave_ends < 9.0
    ((capsize_begins, _),) = ranges_above_zero(d.speeds, capsize)
    assert 6.0 < capsize_begins < 13.0
    assert weave_ends < capsize_begins
    assert not ranges_above_zero(d.speeds, wobble)
    assert (
        capsize.max() < 0.3
    )  # 1/s: the slow fall a rider corrects without noticing; common practice, no source


# ---- the same in time --------------------------------------------------------------------------------------


def with_steady_treads() -> Vehicle:
    """The demo racer whose treads stay as warm as they are: cooling pushes, and capsize makes that grow."""
    return demo(tread_front__heat_capacity=1e12, tread_rear__heat_capacity=1e12)


def observed_roots(speed: float, lean: float, seconds: float) -> NDArray[np.complex128]:
    """Roots [1/s] that show in the ride itself: hands off after a small knock at the bars.

    Dynamic mode decomposition with delays (P. J. Schmid, J. Fluid Mech. 656 (2010) 5-28; from memory): the
    linear map that best takes each stretch of samples to the next has them. It knows no eigenvector of ours.
    """
    vehicle = with_steady_treads()
    steady = SteadyTurns(vehicle).at(speed, lean)
    x, u, s = steady.x.copy(), steady.u.copy(), scratch()
    rows = []
    for k in range(round(seconds / 1e-3)):
        u[U_STEER_TORQUE] = steady.u[U_STEER_TORQUE] + (0.05 if k < 20 else 0.0)
        begin(vehicle.body, vehicle.tyre, x, u, s)
        finish(vehicle.body, vehicle.tyre, x, u, 1e-3, s)
        if k >= 200 and k % 8 == 0:  # 0.2 s: what dies at once is gone
            rows.append(
                [
                    x[OMEGA] - steady.x[OMEGA],
                    x[OMEGA + 2] - steady.x[OMEGA + 2],
                    x[VELOCITY + 1] - steady.x[VELOCITY + 1],
                    x[JOINT + STEER] - steady.x[JOINT + STEER],
                    0.1 * (x[JOINT_RATE + STEER] - steady.x[JOINT_RATE + STEER]),
                ]
            )
    samples = np.array(rows)
    delays = 6
    stretches = np.hstack([samples[i : len(samples) - delays + i] for i in range(delays)]).T
    U, size, V = np.linalg.svd(stretches[:, :-1], full_matrices=False)
    r = int(np.sum(size > 1e-7 * size[0]))
    small = U[:, :r].T @ stretches[:, 1:] @ V[:r].T / size[:r]
    return np.asarray(np.log(np.linalg.eigvals(small).astype(complex)) / 8e-3)


@pytest.mark.parametrize(
    ("name", "speed", "lean_deg", "seconds"),
    [
        (WEAVE, 4.0, 0.0, 3.0),  # grows
        (WEAVE, 15.0, 0.0, 3.0),
        (WEAVE, 40.0, 0.0, 3.0),  # lightly damped
        (WEAVE, 60.0, 0.0, 3.0),
        (WOBBLE, 60.0, 0.0, 3.0),  # lightly damped
        (WOBBLE, 55.0, 40.0, 3.0),
        (WEAVE, 40.0, 40.0, 3.0),
        (CAPSIZE, 12.0, 0.0, 6.0),  # grows
        (CAPSIZE, 30.0, 0.0, 6.0),  # grows slowly
        (CAPSIZE, 20.0, 20.0, 4.0),  # grows
    ],
)
def test_the_ride_grows_and_swings_as_the_diagram_says(
    name: str, speed: float, lean_deg: float, seconds: float
) -> None:
    lean = math.radians(lean_deg)
    expected = complex(stability(demo(), [speed], [lean]).mode(name)[0, 0])
    seen = observed_roots(speed, lean, seconds)
    nearest = complex(seen[np.argmin(np.abs(seen - expected))])
    assert nearest.real == pytest.approx(expected.real, rel=0.05)
    assert nearest.imag == pytest.approx(expected.imag, rel=0.05, abs=1e-3)


# ---- edges -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("speeds", "leans", "said"),
    [
        ([], [0.0], "at least one speed"),
        ([0.0, 5.0], [0.0], "above zero"),
        ([5.0, math.nan], [0.0], "above zero"),
        ([5.0, 5.0], [0.0], "rising order"),
        ([9.0, 5.0], [0.0], "rising order"),
        ([5.0], [], "at least one lean"),
        ([5.0], [1.5], "below 80 degrees"),
        ([5.0], [math.nan], "below 80 degrees"),
        ([5.0], [0.1, 0.1], "each lean once"),
    ],
)
def test_speeds_and_leans_that_are_none_are_refused(
    speeds: list[float], leans: list[float], said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        stability(demo(), speeds, leans)


def test_a_turn_that_can_not_be_is_a_gap_with_its_reason() -> None:
    d = stability(demo(), [2.8, 30.0], np.radians([0.0, 40.0]))
    assert [(g.speed, math.degrees(g.lean)) for g in d.gaps] == [(2.8, pytest.approx(40.0))]
    assert "the stop is at 26" in d.gaps[0].reason
    assert np.isnan(d.roots[1, 0]).all()
    assert np.isfinite(d.roots[1, 1].real).all()
    assert np.isnan(d.mode(WEAVE)[1, 0])


def test_a_bike_without_any_steady_motion_is_all_gaps() -> None:
    d = stability(demo(tyre_rear__friction_x=1e-3, tyre_front__rolling_resistance=0.02), [20.0, 30.0])
    assert len(d.gaps) == 2
    assert d.roots.shape[:2] == (1, 2)
    assert np.isnan(d.mode(WEAVE)).all()


def test_a_turn_does_not_depend_on_the_one_found_before() -> None:
    """From the edge of what can be ridden fast, a guess for a slow turn ends in a wrong one, on the stop."""
    lean = math.radians(45.0)
    scout, alone, after = (SteadyTurns(demo()) for _ in range(3))
    edge = 60.0
    for speed in np.arange(60.0, 90.0, 0.05):
        try:
            scout.at(float(speed), lean)
        except NoEquilibrium:
            break
        edge = float(speed)
    after.at(edge, lean)
    for speed in (12.0, 16.0):
        assert np.allclose(after.at(speed, lean).x, alone.at(speed, lean).x, atol=1e-6)


def test_beyond_a_gap_the_curves_come_back_under_their_names() -> None:
    turns = SteadyTurns(demo())
    with pytest.raises(NoEquilibrium):
        turns.at(2.8, math.radians(40.0))
    whole = stability(demo(), [30.0, 31.0, 32.0], np.radians([40.0]))
    again = stability(demo(), [2.8, 30.0, 31.0, 32.0], np.radians([40.0]))
    for name in NAMES:
        assert np.allclose(whole.mode(name)[0], again.mode(name)[0, 1:], rtol=1e-4, atol=1e-5)


def test_ranges_above_zero() -> None:
    at = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    nan = math.nan
    assert ranges_above_zero(at, np.array([-1.0, 1.0, 3.0, -1.0, -1.0, 2.0])) == [
        (0.5, 2.75),
        (pytest.approx(4.0 + 1.0 / 3.0), 5.0),
    ]
    assert ranges_above_zero(at, np.array([1.0, 1.0, nan, 1.0, nan, -1.0])) == [(0.0, 1.0), (3.0, 3.0)]
    assert ranges_above_zero(at, np.full(6, -1.0)) == []
    assert ranges_above_zero(at, np.full(6, nan)) == []
    assert ranges_above_zero(at, np.ones(6)) == [(0.0, 5.0)]
