"""Which samples of a ride a report carries: enough that nothing that swings, jumps or is missing is lost.

Pairs of extremes alone would keep how far a wobble goes and lose that it swings. So what can swing is kept at
100 Hz everywhere, eleven samples a period of 9 Hz, and at the record's full rate half a second either side of
what happened. Between, the samples that stand out most from the line through their neighbours are kept as
well, and both ends of every gap. A signal that changes more seldom than that is kept at its changes.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.core.signals import TICK_NS

FAST_ms, SLOW_ms = 10, 40
"""From sample to sample of what can swing, and of the rest."""
AROUND_ms = 500
"""Kept at full rate to either side of an instant."""
MOST_INSTANTS = 40
"""Instants that are kept at full rate; a report says if there are more."""
_STANDING_OUT = 0.25  # samples that stand out, for each of the even ones, at most
_SEEN = 1.0 / 400.0  # of the span: what stands out by less is not seen

_AT_ONCE = 1 << 17

Rows = NDArray[np.int64]
_TICK_ms = TICK_NS * 1e-6


def full_rate(tick: NDArray[np.int64], instants: Iterable[float]) -> NDArray[np.bool_]:
    """(n,) which rows lie round an instant [s]."""
    out = np.zeros(len(tick), bool)
    for at_s in list(dict.fromkeys(instants))[:MOST_INSTANTS]:
        middle = at_s * 1e3 / _TICK_ms
        first, last = np.searchsorted(tick, [middle - AROUND_ms / _TICK_ms, middle + AROUND_ms / _TICK_ms])
        out[first : last + 1] = True
    return out


def kept_rows(
    values: NDArray[Any], tick: NDArray[np.int64], *, fast: bool, whole: NDArray[np.bool_] | None = None
) -> tuple[Rows, bool]:
    """(rising rows to keep, whether the signal holds its value from each to the next).

    values, tick  (n,), (n,); not finite: a gap
    fast          whether what it shows can swing
    whole         (n,) rows that are kept all, see :func:`full_rate`
    """
    n = len(values)
    if n == 0:
        return np.empty(0, np.int64), False
    missing = ~np.isfinite(values)
    even = _even(tick, (FAST_ms if fast else SLOW_ms) / _TICK_ms)
    edges = np.flatnonzero(np.diff(missing))
    changes = _changes(values, missing, int(1.2 * len(even)))
    ends = np.array([0, n - 1])
    if changes is not None:
        return _rising(n, (ends, changes, edges, edges + 1)), True
    parts = [ends, even, edges, edges + 1, _standing_out(values, ~missing, even)]
    if whole is not None:
        parts.append(np.flatnonzero(whole[:n]))
    return _rising(n, parts), False


def _rising(n: int, parts: Iterable[Rows]) -> Rows:
    """Rows below n of several parts, each once."""
    there = np.zeros(n, bool)
    for rows in parts:
        there[rows] = True
    return np.flatnonzero(there)


# An hour at 1 kHz is looked at in parts: what is worked out in between would be many times its size.


def _even(tick: NDArray[np.int64], every: float) -> Rows:
    """The first row of each so many ticks."""
    found = [np.zeros(1, np.int64)]
    for first in range(0, len(tick) - 1, _AT_ONCE):
        steps = np.floor(tick[first : first + _AT_ONCE + 1] / every)
        found.append(np.flatnonzero(steps[1:] != steps[:-1]) + first + 1)
    return np.concatenate(found)


def _changes(values: NDArray[Any], missing: NDArray[np.bool_], most: int) -> Rows | None:
    """Rows with another value than the row before; None: more than so many."""
    found, count = [np.empty(0, np.int64)], 0
    for first in range(0, len(values) - 1, _AT_ONCE):
        part, gone = values[first : first + _AT_ONCE + 1], missing[first : first + _AT_ONCE + 1]
        with np.errstate(invalid="ignore"):
            found.append(np.flatnonzero((part[1:] != part[:-1]) & ~(gone[1:] & gone[:-1])) + first + 1)
        count += len(found[-1])
        if count > most:
            return None
    return np.concatenate(found)


def _standing_out(values: NDArray[np.float64], finite: NDArray[np.bool_], even: Rows) -> Rows:
    """Rows furthest from the line through the even rows around them, so many and where they would be seen."""
    usable = even[finite[even]]
    if len(usable) < 2:
        return np.empty(0, np.int64)
    low, high = (of(values, where=finite, initial=at) for of, at in ((np.min, np.inf), (np.max, -np.inf)))
    seen = _SEEN * float(high - low)
    at_usable = values[usable]
    rows, by = [np.empty(0, np.int64)], [np.empty(0)]
    stretches = max(_AT_ONCE * len(even) // len(values), 1)
    for k in range(0, len(even), stretches):
        starts = even[k : k + stretches]
        first = int(starts[0])
        last = int(even[k + stretches]) if k + stretches < len(even) else len(values)
        off = np.interp(np.arange(first, last, dtype=float), usable, at_usable)
        np.abs(np.subtract(values[first:last], off, out=off), out=off)
        off[~finite[first:last]] = 0.0
        most_of = np.maximum.reduceat(off, starts - first)  # the first row is an even one
        tops = np.flatnonzero(off == np.repeat(most_of, np.diff(starts - first, append=len(off))))
        worst = tops[np.searchsorted(tops, starts - first)]  # of each stretch the first that stands out most
        worst = worst[off[worst] > seen]
        rows.append(worst + first)
        by.append(off[worst])
    most = int(_STANDING_OUT * len(even))
    found: Rows = np.concatenate(rows)[np.argsort(-np.concatenate(by), kind="stable")[:most]]
    return found
