"""Samples put on the rows of a record: held or joined by straight lines, never across a gap.

A signal that a device sends stands until its next sample, as in every record, also one that was taken out.
What the record calls truth goes on a straight line from sample to sample. A row that has a sample at its
instant has just that, to the bit, whichever way.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.track.into.marks import Sound

SAME_INSTANT_s = 1e-6
"""Instants that are the same: a log's own times are rounded."""

Values = NDArray[np.float64]


def held(sound: Sound, rows_s: Values) -> Values:
    """(n,) the last sample of each row's instant; NaN before the first and when one has stood too long."""
    if not len(sound.time_s):
        return np.full(len(rows_s), np.nan)
    last = np.searchsorted(sound.time_s, rows_s + SAME_INSTANT_s, side="right") - 1
    values = sound.values[np.maximum(last, 0)]
    age_s = rows_s - sound.time_s[np.maximum(last, 0)]
    missing = (last < 0) | (age_s > sound.stands_s + SAME_INSTANT_s)
    if len(sound.taken_s):
        taken = np.searchsorted(sound.taken_s, rows_s + SAME_INSTANT_s, side="right")
        missing |= taken > np.searchsorted(sound.taken_s, sound.time_s)[np.maximum(last, 0)]
    values[missing] = np.nan
    return values


def joined(sound: Sound, rows_s: Values) -> Values:
    """(n,) on the straight line between two samples; NaN in gaps, before the first and behind the last."""
    time_s, known = sound.time_s, sound.values
    if len(time_s) < 2:  # nothing to go between
        return held(sound, rows_s)
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
        before = np.searchsorted(sound.taken_s, time_s)
        outside |= before[here + 1] > before[here]
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
