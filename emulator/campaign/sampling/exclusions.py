"""Settings that must not come together, and whether what is set already can still be completed.

An exclusion names levels of some factors that no row may have all at once. Several exclusions together can
forbid more than each says: if a factor's every level is excluded beside some setting, that setting is
impossible. Whether a partly set row can be completed is therefore searched for, factor with the fewest levels
left first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

UNSET = -1
MOST_STEPS = 5_000  # of one search; exclusions of real plans need as many as there are factors


class Exclusions:
    """Exclusions over factors with the given numbers of levels.

    levels    (n,) number of levels of each factor
    excluded  each a mapping of factor to level: no row has all of these
    Raises ValueError for an exclusion that is empty or names a factor or level that is not there.
    """

    def __init__(self, levels: Sequence[int], excluded: Sequence[Mapping[int, int]]) -> None:
        self.levels = np.array(levels, dtype=np.int64)
        # level that an exclusion names of a factor, UNSET where it names none
        self.named = np.full((len(self.levels), len(excluded)), UNSET, dtype=np.int64)
        for place, exclusion in enumerate(excluded):
            if not exclusion:
                raise ValueError(f"exclusion {place} names nothing")
            for factor, level in exclusion.items():
                if not (0 <= factor < len(self.levels) and 0 <= level < self.levels[factor]):
                    raise ValueError(f"exclusion {place} names level {level} of factor {factor}: not there")
                self.named[factor, place] = level
        self.widths = np.count_nonzero(self.named != UNSET, axis=0)
        self.bound = np.flatnonzero((self.named != UNSET).any(axis=1))

    def __len__(self) -> int:
        return len(self.widths)

    def matched(self, rows: NDArray[np.int64]) -> NDArray[np.int64]:
        """(rows, exclusions) how many of an exclusion's levels each row has."""
        out = np.zeros((len(rows), len(self)), dtype=np.int64)
        for factor in self.bound.tolist():
            level = rows[:, factor, None]
            out += (level == self.named[factor]) & (level != UNSET)
        return out

    def violated(self, rows: NDArray[np.int64]) -> NDArray[np.bool_]:
        """(rows,) whether a row has all levels of some exclusion."""
        return np.asarray((self.matched(rows) == self.widths).any(axis=1))

    def completed(self, row: NDArray[np.int64]) -> NDArray[np.int64] | None:
        """``row`` with as many factors set as it takes that whatever is set later violates nothing, or None.

        row  (n,) levels, UNSET where free
        Raises ValueError where the search does not end within ``MOST_STEPS``.
        """
        self._steps = 0
        return self._search(row.copy())

    def _search(self, row: NDArray[np.int64]) -> NDArray[np.int64] | None:
        self._steps += 1
        if self._steps > MOST_STEPS:
            raise ValueError(
                f"the exclusions are too entangled: {MOST_STEPS} steps did not settle a combination"
            )
        names = self.named != UNSET
        matches = names & (self.named == row[:, None])
        free = names & (row[:, None] == UNSET)
        # an exclusion still threatens if all it names is matched or free
        live = (matches | free).sum(axis=0) == self.widths
        threatening = free & live
        if (live & ~free.any(axis=0)).any():
            return None
        if not threatening.any():
            return row
        last = live & (free.sum(axis=0) == 1)
        allowed = np.arange(self.levels.max()) < self.levels[:, None]
        factors, exclusions = np.nonzero(free & last)
        allowed[factors, self.named[factors, exclusions]] = False
        open_factors = np.flatnonzero(threatening.any(axis=1))
        left = allowed[open_factors].sum(axis=1)
        factor = int(open_factors[np.argmin(left)])
        # levels that no live exclusion names come first: they settle most
        hits = np.bincount(self.named[factor, threatening[factor]], minlength=allowed.shape[1])
        for level in sorted(np.flatnonzero(allowed[factor]).tolist(), key=lambda v: int(hits[v])):
            row[factor] = level
            found = self._search(row.copy())
            if found is not None:
                return found
        return None
