"""Covering arrays, checked tuple by tuple by a count of the test's own."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from itertools import combinations, product

import numpy as np
import pytest

from emulator.campaign.sampling.covering import covering_array, impossible_tuples
from emulator.campaign.sampling.exclusions import UNSET, Exclusions
from emulator.campaign.sampling.orthogonal import field_tables, orthogonal_array

SHORT = (
    6_000_000  # of the search for fewer rows: a tenth of what a plan gets, enough for what is asked for here
)
MIXED = [4] * 15 + [3] * 17 + [2] * 29

Setting = tuple[tuple[int, ...], tuple[int, ...]]


def held(rows: np.ndarray, strength: int) -> set[Setting]:
    """All (factors, levels) that some row has, one by one."""
    return {
        (factors, tuple(int(row[f]) for f in factors))
        for row in rows
        for factors in combinations(range(rows.shape[1]), strength)
    }


def every(levels: Sequence[int], strength: int) -> set[Setting]:
    return {
        (factors, setting)
        for factors in combinations(range(len(levels)), strength)
        for setting in product(*(range(levels[f]) for f in factors))
    }


def allowed(levels: Sequence[int], strength: int, excluded: Sequence[Mapping[int, int]]) -> set[Setting]:
    """What some row without a violation has, by looking at every row there is."""
    rows = [
        row
        for row in product(*(range(q) for q in levels))
        if not any(all(row[f] == v for f, v in exclusion.items()) for exclusion in excluded)
    ]
    return held(np.array(rows), strength)


def drawn_exclusions(levels: Sequence[int], count: int, seed: int) -> list[dict[int, int]]:
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(count):
        factors = rng.choice(len(levels), size=int(rng.integers(1, 4)), replace=False)
        out.append({int(f): int(rng.integers(levels[f])) for f in factors})
    return out


@pytest.mark.parametrize(
    ("levels", "strength", "most_rows"),
    [
        # Sizes of the best of four packages of the public Python registry in this same test, measured
        # 2026-11-27 (allpairspy 2.5.1, covertable 3.2.0, coverwise 1.6.1, testflows.combinatorics 1.1): 9,
        # 17, 36. Ours has to be no larger by more than a tenth; what is asked for here is what it is, and
        # less.
        ([3] * 4, 2, 9),
        ([3] * 13, 2, 17),
        (MIXED, 2, 36),
        ([2], 1, 2),
        ([5, 3, 2], 1, 5),
        ([4, 4, 3, 3, 3, 2, 2, 2, 2], 2, 17),
        ([3] * 4 + [2] * 3, 3, 35),
        ([4] * 5, 3, 64),
        ([2, 3, 2], 3, 12),  # all factors together: every combination
    ],
)
def test_every_tuple_occurs_in_few_rows(levels: list[int], strength: int, most_rows: int) -> None:
    rows = covering_array(levels, strength, seed=3, work=SHORT)
    assert rows.dtype == np.int64
    assert held(rows, strength) == every(levels, strength)
    assert len(rows) <= most_rows


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("strength", [2, 3])
def test_with_exclusions_every_possible_tuple_occurs_and_no_excluded_row(strength: int, seed: int) -> None:
    levels = [4, 3, 3, 2, 2, 3]
    excluded = drawn_exclusions(levels, 7, seed)
    rows = covering_array(levels, strength, excluded, seed, work=SHORT // 10)
    possible = allowed(levels, strength, excluded)
    assert held(rows, strength) == possible
    impossible = {(t.factors, t.levels) for t in impossible_tuples(levels, strength, excluded)}
    assert impossible == every(levels, strength) - possible
    assert 0 < len(impossible) < len(every(levels, strength))


def test_what_exclusions_forbid_together_is_found() -> None:
    # factor 1 has two levels; beside level 0 of factor 0 one is excluded, beside level 0 of factor 2 the
    # other
    excluded = [{0: 0, 1: 0}, {2: 0, 1: 1}]
    impossible = [(t.factors, t.levels) for t in impossible_tuples([2, 2, 2], 2, excluded)]
    assert impossible == [((0, 1), (0, 0)), ((0, 2), (0, 0)), ((1, 2), (1, 0))]


def test_a_large_plan_with_exclusions_keeps_them() -> None:
    # each of 20 first levels goes with a few others only: one factor that is bound to all
    levels = [20] + [3] * 12 + [2] * 12
    rng = np.random.default_rng(8)
    excluded = [{0: v, int(f): 0} for v in range(20) for f in rng.choice(np.arange(1, 25), 6, replace=False)]
    rows = covering_array(levels, 2, excluded, seed=1, work=0)
    assert not Exclusions(levels, excluded).violated(rows).any()
    impossible = {(t.factors, t.levels) for t in impossible_tuples(levels, 2, excluded)}
    assert held(rows, 2) == every(levels, 2) - impossible
    assert impossible == {(tuple(sorted(e)), tuple(e[f] for f in sorted(e))) for e in excluded}


def test_the_same_seed_gives_the_same_rows() -> None:
    levels, excluded = [4, 3, 3, 2, 2], [{0: 1, 1: 2}]
    first = covering_array(levels, 2, excluded, seed=5, work=SHORT // 10)
    assert np.array_equal(first, covering_array(levels, 2, excluded, seed=5, work=SHORT // 10))
    assert not np.array_equal(first, covering_array(levels, 2, excluded, seed=6, work=SHORT // 10))


def test_the_search_for_fewer_rows_pays() -> None:
    levels = [3] * 8
    greedy = [covering_array(levels, 2, seed=seed, work=0) for seed in range(6)]
    assert all(held(rows, 2) == every(levels, 2) for rows in greedy)
    assert sum(map(len, greedy)) <= 100  # 97; candidates filled by lot take 108
    assert len(covering_array(levels, 2, seed=0, work=SHORT)) < min(map(len, greedy))


@pytest.mark.parametrize(
    ("levels", "strength", "excluded", "message"),
    [
        ([2, 2], 3, [], "strength 3 is not between 1 and the number of factors, 2"),
        ([2, 0], 1, [], "every factor needs at least one level"),
        ([], 1, [], "there has to be a factor"),
        ([2, 2], 2, [{0: 2}], "exclusion 0 names level 2 of factor 0"),
        ([2, 2], 2, [{}], "exclusion 0 names nothing"),
        ([2, 2], 2, [{0: 0}, {0: 1}], "leave no combination at all"),
        ([2, 2], 2, [{0: 0, 1: 0}, {0: 0, 1: 1}, {0: 1, 1: 0}, {0: 1, 1: 1}], "leave no combination at all"),
        ([10_000, 10_000], 2, [], "more than 50000000"),
    ],
)
def test_what_cannot_be_is_told(
    levels: list[int], strength: int, excluded: list[dict[int, int]], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        covering_array(levels, strength, excluded)


def test_entangled_exclusions_end_with_an_error() -> None:
    # twelve things in eleven places, no two in one place: no solution, and a search would try 11! ways
    levels = [11] * 12
    excluded = [{a: v, b: v} for a, b in combinations(range(12), 2) for v in range(11)]
    with pytest.raises(ValueError, match="too entangled"):
        covering_array(levels, 2, excluded)


def test_a_search_completes_what_is_set() -> None:
    exclusions = Exclusions([2, 3, 2], [{0: 0, 1: 0}, {0: 0, 1: 1}, {1: 2, 2: 1}])
    found = exclusions.completed(np.array([0, UNSET, UNSET]))
    assert found is not None
    assert found[0] == 0
    assert found[1] == 2
    assert found[2] != 1
    assert exclusions.completed(np.array([0, UNSET, 1])) is None


@pytest.mark.parametrize(("q", "strength"), [(2, 1), (3, 2), (4, 2), (4, 3), (5, 3), (7, 2), (8, 2), (9, 2)])
def test_in_an_orthogonal_array_every_tuple_occurs_once(q: int, strength: int) -> None:
    rows = orthogonal_array([q] * (q + 1), strength, most_rows=q**strength)
    assert rows is not None
    assert orthogonal_array([q] * (q + 1), strength, most_rows=q**strength - 1) is None
    assert len(rows) == q**strength
    assert held(rows, strength) == every([q] * (q + 1), strength)


@pytest.mark.parametrize("q", [2, 3, 4, 5, 7, 8, 9, 16])
def test_a_field_has_its_laws(q: int) -> None:
    add, multiply = field_tables(q)
    a, b, c = np.meshgrid(np.arange(q), np.arange(q), np.arange(q), indexing="ij")
    assert np.array_equal(multiply[a, add[b, c]], add[multiply[a, b], multiply[a, c]])
    assert np.array_equal(multiply[a, multiply[b, c]], multiply[multiply[a, b], c])
    assert np.array_equal(multiply[a, b], multiply[b, a])
    assert all(1 in multiply[x] for x in range(1, q))


def test_there_is_no_field_of_six() -> None:
    with pytest.raises(ValueError, match="6 is no power of a prime"):
        field_tables(6)


@pytest.mark.timing
def test_sixty_one_factors_take_seconds() -> None:
    began = time.process_time()
    covering_array(MIXED, 2, seed=0)
    assert time.process_time() - began < 15.0  # some seconds: 5.5 on the machine it was written on
