"""Which fix a GNSS receiver has: what its satellites allow, the way back after a loss, dilution.

Kinds of fix are ranked none, single, differential, float, fixed. Progress is the time the receiver has
tracked since its signals came back: from ``ladder[k]`` on it can have a fix of rank k. What happens meanwhile
only holds it back: an outage at the foot, a fix no better than rank b at ``ladder[b]``. So after any trouble
it climbs on from where it was held, and from float to fixed takes ``ladder[fixed] - ladder[float]``.

There is no constellation: so many satellites are in use and make so much dilution, by the rig, and an event
takes some away. Source of the dilution without them: least squares (:func:`thinned`).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit

RANKS = ("none", "single", "differential", "float", "fixed")
"""Kinds of fix, worst first; the index is the rank."""
QUALITY_OF_RANK = (0, 1, 2, 5, 4)
"""Quality as in GGA (NMEA 0183, from memory)."""
FOR_A_FIX, FOR_CARRIER = 4, 5
"""Satellites a position takes (place and clock: four unknowns), and one from carrier phase (one to check the
whole numbers by; common practice, no source)."""

USUAL_REACQUISITION_s = {"single": 1.0, "differential": 2.0, "float": 4.0, "fixed": 10.0}
"""Until a receiver that lost its satellites for seconds has each fix again (common practice, no source)."""

_DIFFERENTIAL = RANKS.index("differential")


@jit
def allowed(best: int, satellites: int) -> int:
    """Best rank that so many satellites in use leave of ``best``."""
    if satellites < FOR_A_FIX:
        return 0
    if satellites < FOR_CARRIER:
        return min(best, _DIFFERENTIAL)
    return best


@jit
def hold(progress: int, best: int, ladder: NDArray[np.int64]) -> int:
    """Progress [ticks] where the best rank possible in this tick holds it; ``ladder`` (5,) [ticks] rises."""
    return min(progress, ladder[best] if best > 0 else 0)


@jit
def climb(progress: int, best: int, ladder: NDArray[np.int64]) -> int:
    """Progress [ticks] a tick later."""
    return progress + 1 if best > 0 and progress < ladder[best] else progress


@jit
def fix_in_use(progress: int, best: int, ladder: NDArray[np.int64]) -> int:
    """Rank of the fix: the best one possible whose time has come."""
    rank = 0
    for k in range(1, best + 1):
        if progress >= ladder[k]:
            rank = k
    return rank


@jit
def dilution_factor(satellites: int, left: int) -> float:
    """Factor on dilutions and errors when ``left`` of so many satellites are left; NaN for none.

    The covariance is the inverse of the information, and each satellite adds the same of that on average:
    sqrt(satellites / left). Source: least squares with equal weights (closed form, satellites evenly spread).
    """
    return math.sqrt(satellites / left) if left > 0 else math.nan
