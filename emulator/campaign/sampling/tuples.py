"""All ways in which t factors can be set together, numbered, so that arrays can count over them.

A *factor* is what a plan varies, a *level* one of its settings, both numbered from 0. A *tuple* of strength t
is t different factors, each with a level. Tuples of the same factors stand next to each other, the last
factor's level running fastest; so the number of a tuple is the start of its group plus level times stride.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import NDArray

MOST_TUPLES = 50_000_000  # a table of them with its counts still fits a desk's memory


@dataclass(frozen=True)
class Tuple:
    """``factors`` in ascending order, and the level of each."""

    factors: tuple[int, ...]
    levels: tuple[int, ...]


class TupleTable:
    """All tuples of ``strength`` over factors with the given numbers of levels.

    levels    (n,) number of levels of each factor, at least 1
    strength  from 1 to n
    Raises ValueError where one of these is not so, or where there are more than ``MOST_TUPLES``.

    groups    (C, t) the factors of each group, in lexicographic order
    starts    (C,)   number of its first tuple
    strides   (C, t) what a level of each of its factors adds
    within    (n, C * t / n) the groups that each factor is in
    """

    def __init__(self, levels: Sequence[int], strength: int) -> None:
        self.levels = np.array(levels, dtype=np.int64)
        n = len(self.levels)
        if n == 0 or self.levels.min() < 1:
            raise ValueError("every factor needs at least one level, and there has to be a factor")
        if not 1 <= strength <= n:
            raise ValueError(f"strength {strength} is not between 1 and the number of factors, {n}")
        self.strength = strength
        flat = np.fromiter(
            (f for group in combinations(range(n), strength) for f in group),
            dtype=np.int64,
            count=comb(n, strength) * strength,
        )
        self.groups = flat.reshape(-1, strength)
        sizes = self.levels[self.groups]
        self.strides = np.ones_like(sizes)
        for place in range(strength - 2, -1, -1):
            self.strides[:, place] = self.strides[:, place + 1] * sizes[:, place + 1]
        self.sizes = self.strides[:, 0] * sizes[:, 0]
        ends = np.cumsum(self.sizes)
        self.starts = ends - self.sizes
        self.count = int(ends[-1])
        if self.count > MOST_TUPLES:
            raise ValueError(f"{self.count} tuples of strength {strength} are more than {MOST_TUPLES}")
        order = np.argsort(self.groups.ravel(), kind="stable")
        self.within = (order // strength).reshape(n, -1)

    def numbers(self, rows: NDArray[np.int64], groups: NDArray[np.int64] | None = None) -> NDArray[np.int64]:
        """(rows, C) numbers of the tuples that each row holds, one a group; of ``groups`` only, if given."""
        chosen = slice(None) if groups is None else groups
        places = self.groups[chosen]
        out = rows[:, places[:, 0]] * self.strides[chosen, 0]
        out += self.starts[chosen]
        for place in range(1, self.strength):
            out += rows[:, places[:, place]] * self.strides[chosen, place]
        return out

    def counts(self, rows: NDArray[np.int64]) -> NDArray[np.int64]:
        """(tuples,) how many rows hold each tuple."""
        out = np.zeros(self.count, dtype=np.int64)
        for begin in range(
            0, len(rows), 64
        ):  # rows by rows, so that long plans need no table of rows x groups
            out += np.bincount(self.numbers(rows[begin : begin + 64]).ravel(), minlength=self.count)
        return out

    def group_of(self, number: int) -> int:
        """The group that a tuple stands in."""
        return int(np.searchsorted(self.starts, number, side="right")) - 1

    def tuple_of(self, number: int) -> Tuple:
        """A tuple by its number."""
        group = self.group_of(number)
        rest = number - int(self.starts[group])
        levels = []
        for stride in self.strides[group].tolist():
            levels.append(rest // stride)
            rest %= stride
        return Tuple(tuple(self.groups[group].tolist()), tuple(levels))
