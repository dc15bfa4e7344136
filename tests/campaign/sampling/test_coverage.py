"""Combinatorial coverage against the report's worked example and against counting by hand."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from emulator.campaign.sampling.coverage import coverage
from emulator.campaign.sampling.covering import covering_array

# Four binary factors and four tests: the worked example of NIST IR 7878 (2012), section 2. The array is from
# memory; the published results, 33 % simple and 79 % total 2-way coverage, follow from it and from no
# rounding.
EXAMPLE = np.array([[0, 0, 0, 0], [0, 1, 1, 0], [1, 0, 0, 1], [0, 1, 1, 1]])


def test_the_reports_example_has_its_published_coverage() -> None:
    found = coverage([2] * 4, 2, EXAMPLE)
    assert (found.covered, found.possible) == (19, 24)
    assert found.total == pytest.approx(0.792, abs=5e-4)
    assert found.simple == pytest.approx(1 / 3)
    assert found.groups.tolist() == [[0, 1], [0, 2], [0, 3], [1, 2], [1, 3], [2, 3]]
    assert found.of_groups.tolist() == [0.75, 0.75, 0.75, 0.5, 1.0, 1.0]
    assert found.completeness(0.75) == pytest.approx(5 / 6)
    assert found.completeness(0.5) == 1.0
    told = [(t.factors, t.levels) for t in found.missing]
    assert told == [((0, 1), (1, 1)), ((0, 2), (1, 1)), ((0, 3), (1, 0)), ((1, 2), (0, 1)), ((1, 2), (1, 0))]


def test_what_is_excluded_is_neither_covered_nor_missing() -> None:
    # of (0, 1) one pair goes, and since it was missing, the pair is now covered wholly
    found = coverage([2] * 4, 2, EXAMPLE, [{0: 1, 1: 1}])
    assert (found.covered, found.possible) == (19, 23)
    assert found.of_groups[0] == 1.0
    # a covered one that is excluded: the row that has it counts no more for it
    found = coverage([2] * 4, 2, EXAMPLE, [{0: 1, 1: 0}])
    assert (found.covered, found.possible) == (18, 23)


def test_tuples_forbidden_together_do_not_count() -> None:
    found = coverage([2, 2, 2], 2, np.array([[1, 0, 1]]), [{0: 0, 1: 0}, {2: 0, 1: 1}])
    assert (found.covered, found.possible) == (3, 9)


def test_a_group_without_a_possible_tuple_is_no_group() -> None:
    # level 0 is all that is left of factors 0 and 1, and 0 with 0 is all they can be
    found = coverage([2, 2], 2, np.array([[0, 0]]), [{0: 1}, {1: 1}])
    assert (found.covered, found.possible, found.simple) == (1, 1, 1.0)


@pytest.mark.parametrize("strength", [1, 2, 3])
def test_all_rows_and_covering_arrays_cover_everything(strength: int) -> None:
    levels = [3, 2, 4]
    for rows in (np.array(list(product(*map(range, levels)))), covering_array(levels, strength)):
        found = coverage(levels, strength, rows)
        assert found.total == found.simple == 1.0
        assert found.missing == ()


def test_m_rows_that_differ_everywhere_cover_m_of_q_squared() -> None:
    # closed form: rows (v, v, ..., v), v < m, cover m of the q^2 tuples of every pair
    q, m = 5, 3
    found = coverage([q] * 6, 2, np.tile(np.arange(m)[:, None], (1, 6)))
    assert found.total == pytest.approx(m / q**2)
    assert found.simple == 0.0
    assert found.completeness(m / q**2) == 1.0


def test_no_rows_cover_nothing() -> None:
    found = coverage([2, 2], 2, np.empty((0, 2), dtype=np.int64))
    assert (found.covered, found.possible, len(found.missing)) == (0, 4, 4)


@pytest.mark.parametrize(
    ("rows", "message"), [([[0, 2]], "a level that its factor has not"), ([[0]], "rows of 2 factors")]
)
def test_rows_that_do_not_fit_are_told(rows: list[list[int]], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        coverage([2, 2], 2, np.array(rows))
