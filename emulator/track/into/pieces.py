"""A straight line through values that hang together: gain, how well it is known, and how alike both are."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

PIECES = 20
"""Pieces of a log that count as independent of each other."""


class Gain(NamedTuple):
    """``b`` over ``a``: gain, half width of its 95 % interval, correlation, rows that both have."""

    gain: float
    half: float
    correlation: float
    rows: int


def gain_of(a: NDArray[np.float64], b: NDArray[np.float64]) -> Gain | None:
    """Least squares of ``b = constant + gain * a`` (n,), rows with NaN left out; None: too few, or no change.

    The interval is from the scatter of the scores of twenty pieces (emulator.track.into.clocks).
    """
    both = np.isfinite(a) & np.isfinite(b)
    a, b = a[both], b[both]
    if len(a) < 10 * PIECES or not np.ptp(a) or not np.ptp(b):
        return None
    centred = a - a.mean()
    energy = float(centred @ centred)
    gain = float(centred @ b) / energy
    residual = b - b.mean() - gain * centred
    pieces = np.arange(len(a)) * PIECES // len(a)
    scores = np.bincount(pieces, centred * residual, PIECES) / energy
    free = PIECES - 2
    half = float(stats.t.ppf(0.975, free) * np.sqrt((scores**2).sum() * PIECES / free))
    return Gain(gain, half, float(np.corrcoef(a, b)[0, 1]), len(a))
