"""Intervals of a proportion: definition, closed forms, and what they cover, summed over all outcomes."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from scipy.stats import binom

from emulator.campaign.estimates.intervals import (
    Interval,
    StopRule,
    exact_interval,
    interval_at_any_time,
    runs_for_bound,
    upper_bound,
)

RUNS = 60
PROPORTIONS = (0.01, 0.05, 0.2, 0.5, 0.9)


@pytest.mark.parametrize(
    ("events", "runs", "confidence"), [(1, 10, 0.95), (7, 40, 0.9), (39, 40, 0.99), (3, 5000, 0.95)]
)
def test_at_its_bounds_what_was_seen_is_just_improbable(events: int, runs: int, confidence: float) -> None:
    found = exact_interval(events, runs, confidence)
    tail = (1 - confidence) / 2  # the definition by Clopper and Pearson 1934
    assert binom.sf(events - 1, runs, found.low) == pytest.approx(tail, rel=1e-9)
    assert binom.cdf(events, runs, found.high) == pytest.approx(tail, rel=1e-9)
    bound = upper_bound(events, runs, confidence)
    assert binom.cdf(events, runs, bound) == pytest.approx(1 - confidence, rel=1e-9)


def test_none_seen_is_a_bound() -> None:
    assert upper_bound(0, 2995) == pytest.approx(1 - 0.05 ** (1 / 2995), rel=1e-9)  # closed form
    assert upper_bound(0, 2995) <= 1e-3 < upper_bound(0, 2994)
    assert runs_for_bound(1e-3) == 2995
    assert runs_for_bound(0.5, 0.75) == 2  # 0.5^2 is a quarter: exactly
    assert exact_interval(0, 20).low == 0.0
    assert exact_interval(0, 20).high == pytest.approx(1 - 0.025 ** (1 / 20))


def test_all_seen_mirrors_none_seen() -> None:
    for interval in (exact_interval, interval_at_any_time):
        none, every = interval(0, 30), interval(30, 30)
        assert every.high == 1.0
        assert every.low == pytest.approx(1.0 - none.high, rel=1e-9)
    assert upper_bound(30, 30) == 1.0


@pytest.mark.parametrize("p", PROPORTIONS)
def test_the_exact_interval_covers_at_a_fixed_number_of_runs(p: float) -> None:
    chances = binom.pmf(np.arange(RUNS + 1), RUNS, p)
    covered = sum(c for k, c in enumerate(chances) if exact_interval(k, RUNS).holds(p))
    assert covered >= 0.95


def ever_left_out(intervals: dict[tuple[int, int], Interval], p: float) -> float:
    """Chance that ``p`` is outside of the interval after some run, going over all sequences of outcomes."""
    at, left_out = {0: 1.0}, 0.0
    for runs in range(1, RUNS + 1):
        after: dict[int, float] = {}
        for (events, chance), more in product(at.items(), (0, 1)):
            after[events + more] = after.get(events + more, 0.0) + chance * (p if more else 1 - p)
        at = {k: c for k, c in after.items() if intervals[k, runs].holds(p)}
        left_out += sum(c for k, c in after.items() if k not in at)
    return left_out


@pytest.fixture(scope="module")
def at_any_time() -> dict[tuple[int, int], Interval]:
    return {(k, n): interval_at_any_time(k, n) for n in range(1, RUNS + 1) for k in range(n + 1)}


@pytest.mark.parametrize("p", PROPORTIONS)
def test_a_look_after_each_run_leaves_the_truth_out_seldom(
    at_any_time: dict[tuple[int, int], Interval], p: float
) -> None:
    assert 0.002 < ever_left_out(at_any_time, p) <= 0.05


def test_exact_intervals_do_not_bear_a_look_after_each_run() -> None:
    exact = {(k, n): exact_interval(k, n) for n in range(1, RUNS + 1) for k in range(n + 1)}
    assert ever_left_out(exact, 0.2) > 0.05


def test_what_holds_at_any_time_is_wider_and_narrows() -> None:
    assert interval_at_any_time(0, 0) == Interval(0.0, 1.0, 0.95)
    for events, runs in [(0, 50), (5, 50), (50, 500), (499, 500)]:
        always, once = interval_at_any_time(events, runs), exact_interval(events, runs)
        assert always.low <= once.low <= events / runs <= once.high < always.high or events in {0, runs}
    found = [interval_at_any_time(n // 10, n) for n in (50, 500, 5000)]
    widths = [interval.high - interval.low for interval in found]
    assert widths == sorted(widths, reverse=True)


def test_none_seen_at_any_time_has_a_closed_form() -> None:
    # mixed evenly the chance of none in n is 1 / (n + 1); q goes once (1 - q)^n < 0.05 / (n + 1)
    assert interval_at_any_time(0, 400).high == pytest.approx(1 - (0.05 / 401) ** (1 / 400), rel=1e-9)


def test_a_campaign_stops_when_enough_is_known() -> None:
    rule = StopRule(below=0.01)
    stops = next(n for n in range(1, 2000) if rule.reached(0, n))
    assert interval_at_any_time(0, stops).high < 0.01 <= interval_at_any_time(0, stops - 1).high
    assert stops == 984 > 3 * runs_for_bound(0.01)  # the price of looking, as decision 151 tells it
    assert interval_at_any_time(0, 12_420).high < 0.001 < interval_at_any_time(0, 12_410).high  # so the guide
    assert rule.reached(60, 600)  # proven to be more: as good an answer
    assert not rule.reached(6, 600)
    assert StopRule(quotient=2.0).reached(200, 2000)
    assert not StopRule(quotient=2.0).reached(10, 100)
    assert not StopRule(quotient=2.0).reached(0, 10_000)  # no lower bound, no quotient
    assert not StopRule().reached(50, 100)


@pytest.mark.parametrize(
    ("events", "runs", "confidence"), [(-1, 5, 0.9), (6, 5, 0.9), (0, 0, 0.9), (1, 2, 1.0)]
)
def test_what_is_no_proportion_is_told(events: int, runs: int, confidence: float) -> None:
    with pytest.raises(ValueError, match=r"no proportion|not between"):
        exact_interval(events, runs, confidence)
    with pytest.raises(ValueError, match="between 0 and 1"):
        runs_for_bound(0.0)


def test_extremes_stay_numbers() -> None:
    for events in (0, 1, 10**6 - 1, 10**6):
        found = interval_at_any_time(events, 10**6)
        assert 0.0 <= found.low < found.high <= 1.0
        assert math.isfinite(found.low)
        assert found.holds(events / 10**6)
