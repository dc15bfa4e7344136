"""The rating's parts by closed forms of our own, and beside the package that implements it."""

import math
import sys
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.track.comparison.rating import (
    GRADES,
    INNER,
    MOST_SAMPLES,
    MOST_SHIFT,
    OUTER,
    WEIGHTS,
    Rating,
    rating,
)

T = np.arange(500) / 500.0
DYING = np.exp(-T) * np.sin(4.0 * math.pi * T)


def test_the_same_curve_is_rated_one_throughout():
    found = rating(DYING, DYING)
    assert found == Rating(1.0, 1.0, 1.0, 1.0, 0)
    assert (found.whole, found.grade) == (1.0, "excellent")


def test_weights_add_up_to_one():
    assert sum(WEIGHTS.values()) == pytest.approx(1.0)


@given(st.floats(INNER + 0.01, OUTER - 0.01))
def test_an_offset_of_a_level_curve_is_rated_by_the_corridors_parabola(offset):
    # all samples lie so far off: ((outer - offset) / (outer - inner))^2
    found = rating(np.ones(200), np.full(200, 1.0 + offset))
    assert found.corridor == pytest.approx(((OUTER - offset) / (OUTER - INNER)) ** 2)
    # no warping brings two level curves nearer: their distance over the reference is the offset
    assert found.magnitude == pytest.approx(max(0.0, 1.0 - offset / 0.5))


@given(st.floats(0.3, 2.5))
def test_a_gain_costs_half_of_itself_in_slope(gain):
    # |gain slope - slope| / |slope| = |gain - 1|, over 2
    found = rating(DYING, gain * DYING)
    assert found.slope == pytest.approx(1.0 - abs(gain - 1.0) / 2.0)
    assert found.shift == 0


@pytest.mark.parametrize("late", [5, 10, 25, 50, 99])
def test_a_shift_costs_its_share_of_a_fifth_of_the_length(late):
    # a swing that begins after the shift and ends before the curve does: moved, it is the same
    swing = np.zeros(500)
    swing[100:300] = np.sin(np.linspace(0.0, 4.0 * math.pi, 200)) * np.hanning(200)
    found = rating(swing, np.roll(swing, late))
    assert found.shift == late
    assert found.phase == pytest.approx(1.0 - late / (MOST_SHIFT * 500))
    assert found.magnitude == pytest.approx(1.0)
    assert found.slope == pytest.approx(1.0)
    assert rating(swing, np.roll(swing, -late)).phase == pytest.approx(found.phase)


@pytest.mark.parametrize(
    ("compared", "parts"),
    [
        # computed by an implementation of its own, independent of this one, kept to four places
        (1.1 * DYING, (0.9629, 1.0, None, 0.95)),
        (1.3 * DYING, (0.6649, 1.0, None, 0.85)),
        (DYING + 0.1, (0.7397, 1.0, None, 1.0)),
    ],
)
def test_what_another_implementation_came_to(compared, parts):
    found = rating(DYING, compared)
    for one, expected in zip(found, parts, strict=False):
        assert expected is None or one == pytest.approx(expected, abs=2e-4)


def test_warping_takes_out_what_comes_later_and_no_size():
    # one sample repeated: a path that waits one step meets the rest without a difference
    ramp = np.concatenate([np.zeros(50), np.arange(100.0), np.full(50, 99.0)])
    held = np.concatenate(
        [np.zeros(50), np.arange(60.0), np.full(5, 59.0), np.arange(60.0, 100.0), np.full(45, 99.0)]
    )
    assert rating(ramp, held).magnitude > 0.99
    assert rating(ramp, 1.2 * ramp).magnitude < 0.95


def test_grades_are_by_their_bounds():
    words = [Rating(x, x, x, x, 0).grade for x in (0.95, 0.94, 0.81, 0.79, 0.59, 0.57)]
    assert words == ["excellent", "good", "good", "fair", "fair", "poor"]
    assert [above for above, _ in GRADES] == sorted((above for above, _ in GRADES), reverse=True)


@pytest.mark.parametrize(
    ("reference", "compared", "words"),
    [
        (np.ones(9), np.ones(9), "10 to"),
        (np.ones(MOST_SAMPLES + 1), np.ones(MOST_SAMPLES + 1), "10 to"),
        (np.ones(20), np.ones(21), "got 20 and 21"),
        (np.zeros(20), np.ones(20), "not 0 all the time"),
        (np.ones(20), np.full(20, np.nan), "numbers throughout"),
    ],
)
def test_curves_that_cannot_be_rated_are_refused_in_words(reference, compared, words):
    with pytest.raises(ValueError, match=words):
        rating(reference, compared)


@pytest.fixture(scope="module")
def package():
    """The registry's package without what it draws with, and as Python carries it out.

    It would be compiled anew in each run, which takes thrice as long as all cases.
    """
    with pytest.MonkeyPatch.context() as patch:
        for name in ("matplotlib", "matplotlib.pyplot", "networkx", "seaborn"):
            patch.setitem(sys.modules, name, ModuleType(name))
        from objective_rating_metrics.rating import ISO18571

        for name in ("dtwalign.dtw", "dtwalign.backtrack"):
            for key, value in list(vars(sys.modules[name]).items()):
                if hasattr(value, "py_func"):
                    patch.setattr(sys.modules[name], key, value.py_func)
        yield ISO18571


def package_ratings(package, reference, compared):
    """(corridor, phase, magnitude, slope) by the registry's package, unrounded."""
    time = np.arange(len(reference)) * 1e-4
    its = package(np.column_stack([time, reference]), np.column_stack([time, compared]))
    return (
        its.corridor_rating(-1),
        its.phase_rating(-1),
        its.magnitude_rating(-1),
        its.slope_rating(-1),
    )


@pytest.mark.parametrize("case", range(12))
def test_parts_are_those_of_the_package_that_implements_it(package, case):
    draws = np.random.default_rng(case)
    n = int(draws.integers(120, 400))
    smooth = np.convolve(draws.standard_normal(n + 40), np.hanning(41), mode="valid")[:n]
    other = np.convolve(draws.standard_normal(n + 40), np.hanning(41), mode="valid")[:n]
    compared = draws.uniform(0.7, 1.3) * np.roll(smooth, int(draws.integers(-20, 20))) + 0.1 * other
    found = rating(smooth, compared)
    assert found[:4] == pytest.approx(package_ratings(package, smooth, compared), abs=1e-9)
