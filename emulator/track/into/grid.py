"""Samples put on the rows of a record: held or joined by straight lines, never across a gap.

A signal that a device sends stands until its next sample, as in every record, also one that was taken out.
What the record calls truth goes on a straight line from sample to sample. A row that has a sample at its
instant has just that, to the bit, whichever way.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from emulator.track.into.marks import Sound

SAME_INSTANT_s = 1e-6
"""Instants that are the same: a log's own times are rounded."""

_AT_ONCE = 1 << 17

Values = NDArray[np.float64]


def held(sound: Sound, rows_s: Values) -> Values:
    """(n,) the last sample of each row's instant; NaN before the first and when one has stood too long."""
    return _in_parts(_held, sound, rows_s)


def joined(sound: Sound, rows_s: Values) -> Values:
    """(n,) on the straight line between two samples; NaN in gaps, before the first and behind the last."""
    return _in_parts(_joined if len(sound.time_s) > 1 else _held, sound, rows_s)


def _in_parts(of: Callable[[Sound, Values], Values], sound: Sound, rows_s: Values) -> Values:
    """As ``of`` gives it, in parts: an hour at 1 kHz would take many times its own size in between."""
    values = np.empty(len(rows_s))
    for first in range(0, len(rows_s), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        values[part] = of(sound, rows_s[part])
    return values


def _held(sound: Sound, rows_s: Values) -> Values:
    time_s = sound.time_s
    if not len(time_s):
        return np.full(len(rows_s), np.nan)
    last = np.searchsorted(time_s, rows_s + SAME_INSTANT_s, side="right") - 1
    since_s = time_s[np.maximum(last, 0)]
    values = sound.values[np.maximum(last, 0)]
    missing = (last < 0) | (rows_s - since_s > sound.stands_s + SAME_INSTANT_s)
    if len(sound.taken_s):
        taken = np.searchsorted(sound.taken_s, rows_s + SAME_INSTANT_s, side="right")
        missing |= taken > np.searchsorted(sound.taken_s, since_s)
    values[missing] = np.nan
    return values


def _joined(sound: Sound, rows_s: Values) -> Values:
    time_s, known = sound.time_s, sound.values
    last = np.searchsorted(time_s, rows_s + SAME_INSTANT_s, side="right") - 1
    here = np.clip(last, 0, len(time_s) - 2)
    span = time_s[here + 1] - time_s[here]
    share = (rows_s - time_s[here]) / span
    values = known[here] + share * (known[here + 1] - known[here])
    exact = np.clip(last, 0, len(time_s) - 1)
    at_sample = np.abs(rows_s - time_s[exact]) <= SAME_INSTANT_s
    values[at_sample] = known[exact[at_sample]]
    outside = (last < 0) | (last >= len(time_s) - 1) | (span > sound.stands_s * (1 + 1e-6) + SAME_INSTANT_s)
    if len(sound.taken_s):
        taken = sound.taken_s
        outside |= np.searchsorted(taken, time_s[here + 1]) > np.searchsorted(taken, time_s[here])
    values[outside & ~at_sample] = np.nan
    return values


def averaged(sound: Sound, rows_s: Values, step_s: float) -> Values:
    """(n,) mean of the samples within half a step of each row; joined where there is none."""
    values = joined(sound, rows_s)
    place = np.round((sound.time_s - rows_s[0]) / step_s).astype(np.int64)
    inside = (place >= 0) & (place < len(rows_s))
    count = np.bincount(place[inside], minlength=len(rows_s))
    total = np.bincount(place[inside], sound.values[inside], minlength=len(rows_s))
    many = count > 1
    values[many] = total[many] / count[many]
    return values
