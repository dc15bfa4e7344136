"""The way back after a loss, to the tick; what satellites allow; dilution of what is left of them."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.sensors.gnss import FIX_QUALITY
from emulator.sensors.gnss_fix import (
    FOR_A_FIX,
    FOR_CARRIER,
    QUALITY_OF_RANK,
    RANKS,
    USUAL_REACQUISITION_s,
    allowed,
    climb,
    dilution_factor,
    fix_in_use,
    hold,
)

FIXED = RANKS.index("fixed")
LADDER = np.array([0, 1000, 2000, 4000, 10_000])


def ranks(best: list[int], ladder: np.ndarray = LADDER) -> list[int]:
    """Rank of the fix in each tick, for the best rank possible in it; the receiver starts with its best."""
    progress, seen = 1 << 62, []
    for b in best:
        progress = hold(progress, b, ladder)
        seen.append(fix_in_use(progress, b, ladder))
        progress = climb(progress, b, ladder)
    return seen


def changes(seen: list[int]) -> list[tuple[int, int]]:
    return [(0, seen[0])] + [(n, seen[n]) for n in range(1, len(seen)) if seen[n] != seen[n - 1]]


def test_after_an_outage_each_fix_is_there_at_its_time() -> None:
    seen = ranks([FIXED] * 500 + [0] * 5000 + [FIXED] * 12_000)
    assert changes(seen) == [(0, 4), (500, 0), (6500, 1), (7500, 2), (9500, 3), (15_500, 4)]


def test_a_receiver_climbs_to_its_own_best_only() -> None:
    for best in range(1, FIXED + 1):
        seen = ranks([best] * 10 + [0] * 10 + [best] * 12_000)
        assert changes(seen)[2:] == [(20 + int(LADDER[k]), k) for k in range(1, best + 1)]


def test_after_a_worse_fix_it_goes_on_from_there() -> None:
    for held in range(1, FIXED):
        seen = ranks([FIXED] * 10 + [held] * 700 + [FIXED] * 12_000)
        after = [(710 + int(LADDER[k] - LADDER[held]), k) for k in range(held + 1, FIXED + 1)]
        assert changes(seen) == [(0, 4), (10, held), *after]


def test_a_worse_fix_on_the_way_back_costs_only_what_it_lasts() -> None:
    """The outage ends at 100; single from 1100; held at single until 5000; then 1 s, 3 s, 9 s on."""
    seen = ranks([0] * 100 + [1] * 4900 + [FIXED] * 12_000)
    assert changes(seen) == [(0, 0), (1100, 1), (6000, 2), (8000, 3), (14_000, 4)]


def test_a_kind_without_a_time_of_its_own_is_left_out() -> None:
    seen = ranks([0] * 10 + [FIXED] * 3000, np.array([0, 0, 500, 500, 2000]))
    assert changes(seen) == [(0, 0), (10, 1), (510, 3), (2010, 4)]


@given(best=st.lists(st.tuples(st.integers(0, FIXED), st.integers(1, 60)), min_size=1, max_size=12))
def test_the_fix_is_never_better_than_possible_and_climbs_without_a_gap(best: list[tuple[int, int]]) -> None:
    possible = [b for b, n in best for _ in range(n)]
    seen = ranks(possible, np.array([0, 5, 10, 20, 40]))
    assert all(s <= p for s, p in zip(seen, possible, strict=True))
    assert all(b <= a + 1 for a, b in itertools.pairwise(seen))
    assert all(s > 0 for s, p, n in zip(seen, possible, range(len(seen)), strict=True) if p and not n)


def test_satellites_allow() -> None:
    assert [allowed(FIXED, n) for n in range(8)] == [0, 0, 0, 0, 2, 4, 4, 4]
    assert [allowed(1, n) for n in (-3, 3, 4, 9)] == [0, 0, 1, 1]
    assert (FOR_A_FIX, FOR_CARRIER) == (4, 5)


def test_dilution_is_that_of_least_squares_with_evenly_spread_satellites() -> None:
    """Rings of n satellites at one elevation and one overhead group: the cofactors go by 1 / n."""

    def dilutions(n: int) -> tuple[float, float]:
        rows = []
        for elevation_deg in (10.0, 60.0):
            e = math.radians(elevation_deg)
            for k in range(n):
                a = 2.0 * math.pi * k / n
                rows.append((math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e), 1.0))
        cofactors = np.diag(np.linalg.inv(np.array(rows).T @ np.array(rows)))
        return math.sqrt(cofactors[0] + cofactors[1]), math.sqrt(cofactors[2])

    horizontal, vertical = dilutions(12)
    for n in (3, 4, 6, 9):
        factor = dilution_factor(24, 2 * n)
        assert dilutions(n) == pytest.approx((factor * horizontal, factor * vertical), rel=1e-12)
    assert dilution_factor(17, 17) == 1.0
    assert math.isnan(dilution_factor(17, 0))


def test_ranks_and_qualities_belong_together() -> None:
    assert {name: QUALITY_OF_RANK[RANKS.index(name)] for name in FIX_QUALITY} == FIX_QUALITY
    assert tuple(USUAL_REACQUISITION_s) == RANKS[1:]
    assert list(USUAL_REACQUISITION_s.values()) == sorted(USUAL_REACQUISITION_s.values())
