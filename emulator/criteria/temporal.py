"""Signal temporal logic over a record: whether a formula holds, by how much, and where it is closest.

The margin (robustness) of a comparison is how far the signal is on its right side, in its unit; of all of
several the least, of any the greatest, of not the opposite. In time, over sampled instants:

- always, eventually within [a, b]: least, greatest margin from a to b after the instant
- until within [a, b]: at some instant j of the window the goal holds, and before j, from now on, what has to
  hold until then: max over j of min(goal(j), min over i < j of holding(i)). At j itself it need not hold any
  more; the other convention found in papers asks for that, too

A window that reaches beyond the end of the record is cut there; nothing is left of it: always is true without
bound, eventually and until false. A value that is missing or no number makes every margin that would have
looked at it NaN: unknown, and so not met.

Sources: A. Donze, O. Maler, *Robust satisfaction of temporal logic over real-valued signals*, FORMATS 2010
(semantics); A. Donze, T. Ferrere, O. Maler, *Efficient robust monitoring for STL*, CAV 2013 (bounded until
from an unbounded one); both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit_with_memory

Values: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True)
class Compare:
    """A signal, or its size, at least or at most a limit in its unit."""

    signal: str
    relation: Literal["at_least", "at_most"]
    limit: float
    size: bool = False


@dataclass(frozen=True)
class Not:
    """The opposite."""

    part: Formula


@dataclass(frozen=True)
class Every:
    """All of its parts, at least one."""

    parts: tuple[Formula, ...]


@dataclass(frozen=True)
class Either:
    """Any of its parts, at least one."""

    parts: tuple[Formula, ...]


@dataclass(frozen=True)
class Always:
    """At every instant from ``from_s`` to ``to_s`` after now; without end: to the end of the record."""

    part: Formula
    from_s: float = 0.0
    to_s: float = math.inf


@dataclass(frozen=True)
class Eventually:
    """At some instant of the window."""

    part: Formula
    from_s: float = 0.0
    to_s: float = math.inf


@dataclass(frozen=True)
class Until:
    """``goal`` at some instant of the window, ``holding`` before it."""

    holding: Formula
    goal: Formula
    from_s: float = 0.0
    to_s: float = math.inf


Formula: TypeAlias = Compare | Not | Every | Either | Always | Eventually | Until


def implies(condition: Formula, consequence: Formula) -> Either:
    """If the condition holds, so does the consequence."""
    return Either((Not(condition), consequence))


def signals_of(formula: Formula) -> list[str]:
    """Names of the signals a formula looks at, each once, in order of appearance."""
    if isinstance(formula, Compare):
        return [formula.signal]
    if isinstance(formula, Until):
        parts: tuple[Formula, ...] = (formula.holding, formula.goal)
    else:
        parts = formula.parts if isinstance(formula, Every | Either) else (formula.part,)
    return list(dict.fromkeys(name for part in parts for name in signals_of(part)))


class Closest(NamedTuple):
    """Where a margin comes from: its value, the row, the comparison that decides (None: there is none)."""

    margin: float
    row: int
    comparison: Compare | None


@dataclass
class Monitor:
    """Margins over one record, each formula's worked out once.

    signals   name -> (n,) values, one a sample
    period_s  [s] between samples
    """

    signals: Mapping[str, Values]
    period_s: float = 1e-3
    _known: dict[Formula, Values] = field(default_factory=dict)

    def margins(self, formula: Formula) -> Values:
        """(n,) margin at every sample. KeyError for a signal the record has not."""
        if formula not in self._known:
            self._known[formula] = self._margins(formula)
        return self._known[formula]

    def _margins(self, f: Formula) -> Values:
        if isinstance(f, Compare):
            values = np.abs(self.signals[f.signal]) if f.size else self.signals[f.signal]
            return np.asarray(values - f.limit if f.relation == "at_least" else f.limit - values)
        if isinstance(f, Not):
            return -self.margins(f.part)
        if isinstance(f, Every):
            return np.asarray(np.minimum.reduce([self.margins(part) for part in f.parts]))
        if isinstance(f, Either):
            return np.asarray(np.maximum.reduce([self.margins(part) for part in f.parts]))
        first, last = self._window(f)
        if isinstance(f, Always):
            return -_greatest(-self.margins(f.part), first, last)
        if isinstance(f, Eventually):
            return _greatest(self.margins(f.part), first, last)
        holding, goal = self.margins(f.holding), self.margins(f.goal)
        margins = np.minimum(_greatest(goal, first, last), _until(holding, goal, first))
        unknown = np.isnan(holding) | np.isnan(goal)
        margins[_greatest(unknown.astype(float), 0, last) > 0.0] = math.nan
        return margins

    def _window(self, f: Always | Eventually | Until) -> tuple[int, int]:
        """First and last sample of the window, counted from now; beyond the record: its length."""
        n = len(next(iter(self.signals.values())))
        return self._samples(f.from_s, n), self._samples(f.to_s, n)

    def _samples(self, seconds: float, n: int) -> int:
        return min(n, round(seconds / self.period_s)) if seconds < math.inf else n

    def closest(self, formula: Formula, row: int = 0) -> Closest:
        """The margin at a sample and the sample and comparison that decide it."""
        margin = float(self.margins(formula)[row])
        found = self._deciding(formula, row)
        return Closest(margin, *found)

    def _deciding(self, f: Formula, row: int) -> tuple[int, Compare | None]:
        if isinstance(f, Compare):
            return row, f
        if isinstance(f, Not):
            return self._deciding(f.part, row)
        if isinstance(f, Every | Either):
            here = np.array([self.margins(part)[row] for part in f.parts])
            return self._deciding(f.parts[_extreme(here, least=isinstance(f, Every))], row)
        first, last = self._window(f)
        if isinstance(f, Always | Eventually):
            window = self.margins(f.part)[row + first : row + last + 1]
            if not len(window):
                return row, None
            return self._deciding(f.part, row + first + _extreme(window, least=isinstance(f, Always)))
        goal = self.margins(f.goal)[row : row + last + 1]
        if len(goal) <= first:
            return row, None
        # before[j]: least of what has to hold up to j, j left out
        before = np.concatenate(
            ([math.inf], np.minimum.accumulate(self.margins(f.holding)[row : row + last]))
        )
        reached = np.minimum(goal[first:], before[first : len(goal)])
        j = first + _extreme(reached, least=False)
        if goal[j] <= before[j] or j == 0:
            return self._deciding(f.goal, row + j)
        return self._deciding(f.holding, row + int(np.argmin(self.margins(f.holding)[row : row + j])))


def _extreme(values: Values, *, least: bool) -> int:
    """Place of the least or greatest value; of the first one that is no number, if there is one."""
    unknown = np.flatnonzero(np.isnan(values))
    if len(unknown):
        return int(unknown[0])
    return int(np.argmin(values) if least else np.argmax(values))


def _greatest(values: Values, first: int, last: int) -> Values:
    """(n,) greatest of values[t + first .. t + last], cut at the end; -infinite where nothing is left."""
    n = len(values)
    if first >= n:
        return np.full(n, -math.inf)
    unknown = np.isnan(values)
    if unknown.any():
        out = _greatest(np.where(unknown, -math.inf, values), first, last)
        out[_greatest(unknown.astype(float), first, last) > 0.0] = math.nan
        return out
    ahead = np.concatenate((values[first:], np.full(first, -math.inf)))
    width = min(last - first, n) + 1
    if last - first >= n - 1:  # to the end: one sweep back
        return np.asarray(np.maximum.accumulate(ahead[::-1])[::-1])
    from scipy.ndimage import maximum_filter1d  # not worth its time where a scenario is only checked

    # the filter's window lies about each sample; the origin moves it to begin there
    return np.asarray(maximum_filter1d(ahead, width, mode="constant", cval=-math.inf, origin=-(width // 2)))


def _until(holding: Values, goal: Values, first: int) -> Values:
    """(n,) until with a window from ``first`` on without end."""
    reached = _reached(holding, goal)
    if first == 0:
        return reached
    n = len(goal)
    later = np.full(n, -math.inf)
    later[: n - first] = reached[first:] if first < n else []
    # all of the way to where the window begins it has to hold
    return np.asarray(np.minimum(later, -_greatest(-holding, 0, first - 1)))


@jit_with_memory
def _reached(holding: Values, goal: Values) -> Values:
    """(n,) until without bounds, from the end backwards: u(t) = max(goal(t), min(holding(t), u(t + 1)))."""
    out = np.empty(goal.shape[0])
    u = -np.inf
    for t in range(goal.shape[0] - 1, -1, -1):
        u = max(goal[t], min(holding[t], u))
        out[t] = u
    return out
