from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from emulator.campaign.comparison.exact_tests import (
    COUNTED_UP_TO,
    sign_test,
    signed_rank_test,
    significant,
    smallest_possible,
)


def test_signs_are_those_of_a_fair_coin() -> None:
    assert sign_test(5, 0) == 1 / 32
    assert sign_test(3, 2) == 0.5
    assert sign_test(0, 4) == 1.0
    assert sign_test(0, 0) == 1.0


def by_enumeration(differences: list[float]) -> float:
    """Share of all patterns of signs whose risen ranks sum to at least the sum seen."""
    sizes = [abs(d) for d in differences if d]
    ranks = stats.rankdata(sizes)
    seen = sum(r for r, d in zip(ranks, (d for d in differences if d), strict=True) if d > 0)
    patterns = list(itertools.product((0, 1), repeat=len(sizes)))
    return sum(np.dot(p, ranks) >= seen - 1e-9 for p in patterns) / len(patterns)


@pytest.mark.parametrize(
    "differences",
    [
        [3.0],
        [1.0, -2.0, 3.0, 4.0, -5.0],
        [1.0, 1.0, -1.0, 2.0, 2.0, 0.0],
        [math.inf, math.inf, -1.0, 0.5, -math.inf, 7.0],
        [-1.0, -2.0, -3.0],
    ],
)
def test_signed_ranks_equal_all_patterns_counted(differences: list[float]) -> None:
    assert signed_rank_test(differences) == pytest.approx(by_enumeration(differences), abs=1e-12)


def test_signed_ranks_equal_another_implementation_without_ties() -> None:
    rng = np.random.default_rng(7)
    for n in (8, 23, 50):
        drawn = rng.normal(0.3, 1.0, n)
        other = stats.wilcoxon(drawn, alternative="greater", method="exact").pvalue
        assert signed_rank_test(drawn) == pytest.approx(other, rel=1e-9)


def test_the_normal_form_goes_on_where_counting_ends() -> None:
    rng = np.random.default_rng(3)
    for shift in (0.0, 0.1, 0.2):
        drawn = rng.normal(shift, 1.0, COUNTED_UP_TO + 1)
        exact = stats.wilcoxon(drawn, alternative="greater", method="exact").pvalue
        assert exact <= signed_rank_test(drawn) * 1.01  # never more than it is by more than its own rounding
        assert signed_rank_test(drawn) == pytest.approx(exact, rel=0.25)
    tied = np.round(rng.normal(0.1, 1.0, 2 * COUNTED_UP_TO), 1)
    other = stats.wilcoxon(tied, alternative="greater", method="asymptotic", correction=True).pvalue
    assert signed_rank_test(tied) == pytest.approx(other, rel=0.01)


def test_no_change_says_nothing() -> None:
    assert signed_rank_test([]) == 1.0
    assert signed_rank_test([0.0, 0.0]) == 1.0
    assert smallest_possible(0) == 1.0


@pytest.mark.parametrize("n", [1, 6, 14])
def test_the_smallest_possible_is_reached_when_all_go_one_way(n: int) -> None:
    assert signed_rank_test(np.arange(1.0, n + 1)) == pytest.approx(smallest_possible(n), rel=1e-12)
    assert sign_test(n, 0) == pytest.approx(smallest_possible(n), rel=1e-12)


def test_tests_that_could_never_stand_do_not_weaken_the_others() -> None:
    """By hand: of 101 tests only the first can reach 0.01, so it is tested at 0.01 and not at 0.01 / 101."""
    found = significant([0.009] + [0.5] * 100, [0.001] + [0.5] * 100, 0.01)
    assert found == [True] + [False] * 100
    assert significant([0.009, 0.2], [0.001, 0.001], 0.01) == [False, False]
    assert significant([0.005, 0.2], [0.001, 0.001], 0.01) == [True, False]
    assert significant([], [], 0.01) == []


def test_families_of_nothing_seldom_have_a_finding() -> None:
    """300 families of 30 groups of exchangeable pairs: at most 1 % have one, up to what chance adds."""
    rng = np.random.default_rng(11)
    alarms = 0
    for _ in range(300):
        sizes = rng.integers(1, 25, 30)
        groups = [rng.normal(size=n) for n in sizes]
        ps = [signed_rank_test(g) for g in groups]
        alarms += any(significant(ps, [smallest_possible(n) for n in sizes], 0.01))
    assert alarms <= stats.binom.ppf(0.999, 300, 0.01)
