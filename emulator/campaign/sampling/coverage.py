"""How much of what could meet has met: combinatorial coverage of any set of rows.

Source: Kuhn, Kacker, Lei, "Combinatorial Coverage Measurement", NIST IR 7878, 2012: variable-value
configuration coverage of a group of factors, total and simple t-way coverage, (p, t)-completeness. Exclusions
go in as there: impossible tuples count neither as covered nor as missing, and a group that has none but these
not at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emulator.campaign.sampling.covering import possible_tuples
from emulator.campaign.sampling.exclusions import Exclusions
from emulator.campaign.sampling.tuples import Tuple, TupleTable


@dataclass(frozen=True)
class Coverage:
    """Coverage of strength ``strength``.

    possible   how many tuples the exclusions leave
    covered    how many of these at least one row has
    groups     (C, t) factors of each group that has a possible tuple
    of_groups  (C,) share of a group's possible tuples that are covered
    missing    tuples that are possible and that no row has
    """

    strength: int
    possible: int
    covered: int
    groups: NDArray[np.int64]
    of_groups: NDArray[np.float64]
    missing: tuple[Tuple, ...]

    @property
    def total(self) -> float:
        """Total variable-value configuration coverage: share of the possible tuples that are covered."""
        return self.covered / self.possible

    @property
    def simple(self) -> float:
        """Simple t-way coverage: share of the groups that are covered wholly."""
        return self.completeness(1.0)

    def completeness(self, p: float) -> float:
        """(p, t)-completeness: share of the groups of which at least the share ``p`` is covered."""
        return float(np.mean(self.of_groups >= p))


def coverage(
    levels: Sequence[int],
    strength: int,
    rows: NDArray[np.int64],
    excluded: Sequence[Mapping[int, int]] = (),
) -> Coverage:
    """What ``rows`` cover.

    levels    (n,) number of levels of each factor
    strength  how many factors are looked at together, from 1 to n
    rows      (rows, n) levels, from 0; rows that an exclusion forbids count for what they hold besides
    excluded  each a mapping of factor to level: no row has all of these
    Raises ValueError for a level that is not there, and as :func:`covering_array` does.
    """
    table = TupleTable(levels, strength)
    if rows.ndim != 2 or rows.shape[1] != len(table.levels):
        raise ValueError(f"rows of {len(table.levels)} factors are needed, not of shape {rows.shape}")
    if rows.size and (rows.min() < 0 or (rows >= table.levels).any()):
        raise ValueError("a row has a level that its factor has not")
    possible = possible_tuples(table, Exclusions(levels, excluded))
    held = (table.counts(rows) > 0) & possible
    in_group = np.add.reduceat(possible, table.starts, dtype=np.int64)
    held_in_group = np.add.reduceat(held, table.starts, dtype=np.int64)
    counted = in_group > 0
    return Coverage(
        strength=strength,
        possible=int(in_group.sum()),
        covered=int(held_in_group.sum()),
        groups=table.groups[counted],
        of_groups=held_in_group[counted] / in_group[counted],
        missing=tuple(table.tuple_of(number) for number in np.flatnonzero(possible & ~held).tolist()),
    )
