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
    every = (FAST_ms if fast else SLOW_ms) / _TICK_ms
    missing = ~np.isfinite(values)
    steps = tick / every
    np.floor(steps, out=steps)
    even = np.concatenate([[0], np.flatnonzero(steps[1:] != steps[:-1]) + 1])
    del steps  # a long log takes many times its size otherwise
    edges = np.flatnonzero(np.diff(missing))
    with np.errstate(invalid="ignore"):
        changes = np.flatnonzero((values[1:] != values[:-1]) & ~(missing[1:] & missing[:-1])) + 1
    ends = np.array([0, n - 1])
    if len(changes) <= 1.2 * len(even):
        return np.unique(np.concatenate([ends, changes, edges, edges + 1])), True
    parts = [ends, even, edges, edges + 1, _standing_out(values, even)]
    if whole is not None:
        parts.append(np.flatnonzero(whole[:n]))
    return np.unique(np.concatenate(parts)).astype(np.int64), False


def _standing_out(values: NDArray[np.float64], even: Rows) -> Rows:
    """Rows furthest from the line through the even rows around them, so many and where they would be seen."""
    finite = np.isfinite(values)
    usable = even[finite[even]]
    if len(usable) < 2:
        return np.empty(0, np.int64)
    off = np.interp(np.arange(len(values), dtype=float), usable, values[usable])
    np.abs(np.subtract(values, off, out=off), out=off)
    off[~finite] = 0.0
    low, high = (of(values, where=finite, initial=at) for of, at in ((np.min, np.inf), (np.max, -np.inf)))
    span = float(high - low)
    most_of = np.maximum.reduceat(off, even)  # the first row is an even one
    stretch = np.repeat(most_of, np.diff(even, append=len(off)))
    tops = np.flatnonzero(off == stretch)
    worst: Rows = tops[np.searchsorted(tops, even)]  # of each stretch the first that stands out most
    worst = worst[off[worst] > _SEEN * span]
    most = int(_STANDING_OUT * len(even))
    return worst[np.argsort(-off[worst], kind="stable")[:most]]
