"""GNSS epochs on their way to the rider: position and velocity of one time, and how old they are.

An epoch is complete when both GGA and RMC of one time have arrived. Compiled, so that the virtual stage does
not leave its ticks for one; sentences of unusual form are read by Python (``ReferenceRider.hear``), which
works on the same memory.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.robot.rider import Rider, hear_gnss
from emulator.wire.geodesy import Frame, geodetic_to_enu
from emulator.wire.nmea_reading import (
    ALTITUDE,
    COURSE,
    GGA,
    LATITUDE,
    LONGITUDE,
    OTHER,
    QUALITY,
    RMC,
    SEPARATION,
    SPEED,
    UTC_ns,
    kind_of,
    read_plain,
)

_BACK_ns = 500_000_000
"""An epoch that is older than the last one by less is a repeated or a late one; by more, its time was set."""
_MOST = 300  # epochs of the mean age
_JUMP_ns = 500_000_000  # the receiver's time was set
_NEWLINE = 10

HEARD_DTYPE = np.dtype(
    [
        ("partial", np.int64),  # bytes of a sentence that has not ended yet
        ("placed", np.int64),  # 1: a position waits for its RMC
        ("place", np.float64, (3,)),  # it [m], ENU
        ("quality", np.int64),
        ("epochs", np.int64),  # heard so far, but for those of an old time
        ("utc_ns", np.int64),  # of the last one
        ("first_ns", np.int64),  # arrival less UTC of the first one
        ("mean_ns", np.float64),  # the same beyond it, on the mean
        ("aged", np.int64),  # epochs in that mean
    ]
)


class Ears(NamedTuple):
    """What the rider keeps of sentences.

    heard       (1,)  HEARD_DTYPE
    frame       the line's ENU axes, see ``wire.geodesy``
    mean_age_s  how old an epoch is on the mean
    usual_ns    how far ages stray usually
    numbers, whole  room for what is read, see ``wire.nmea_reading``
    """

    heard: NDArray[np.void]
    frame: Frame
    mean_age_s: float
    usual_ns: float
    numbers: NDArray[np.float64]
    whole: NDArray[np.int64]


def ears(frame: Frame, mean_age_s: float, jitter_s: float) -> Ears:
    """Those of a rider that has heard nothing; ``jitter_s``: how far an epoch's age strays from the mean."""
    room = np.zeros(6), np.zeros(2, np.int64)
    return Ears(np.zeros(1, HEARD_DTYPE), frame, mean_age_s, 3.0 * jitter_s * 1e9 + 2e6, *room)


@jit
def epoch_age(e: Ears, utc_ns: int, arrived_ns: int, stepped_ns: int) -> float:
    """Age [s] of a complete epoch at the last control period; NaN: a repeated or an older one."""
    h = e.heard[0]
    if h.epochs > 0 and 0 <= h.utc_ns - utc_ns < _BACK_ns:
        return math.nan
    h.epochs += 1
    h.utc_ns = utc_ns
    return _age_of(e, utc_ns, arrived_ns) - (arrived_ns - stepped_ns) * 1e-9


@jit
def _age_of(e: Ears, utc_ns: int, arrived_ns: int) -> float:
    """Age [s] on arrival of an epoch, from the receiver's time and the rider's own clock.

    Both clocks run alike, and the mean age is in the receiver's data sheet: the mean of (arrival - UTC) is
    where that age lies. Arrivals that stray beyond what is usual, as when the host stalled, move it less.
    """
    h = e.heard[0]
    late_ns = arrived_ns - utc_ns - h.first_ns
    if h.aged == 0 or abs(late_ns - h.mean_ns) > _JUMP_ns:
        h.first_ns, h.mean_ns, h.aged, late_ns = arrived_ns - utc_ns, 0.0, 0, 0
    h.aged += 1
    usual = min(e.usual_ns, max(-e.usual_ns, late_ns - h.mean_ns))
    h.mean_ns += usual / min(h.aged, _MOST)
    return float(e.mean_age_s + (late_ns - h.mean_ns) * 1e-9)


@jit
def hear_burst(
    e: Ears, rider: Rider, burst: NDArray[np.uint8], length: int, arrived_ns: int, stepped_ns: int
) -> bool:
    """Let the rider hear a whole burst; False, and nothing done, if it is not in the usual form.

    burst   the first ``length`` bytes of it: whole sentences, a GGA and behind it an RMC among them
    The others as in ``ReferenceRider.hear``.
    """
    h = e.heard[0]
    if h.partial != 0 or length == 0 or burst[length - 1] != _NEWLINE:
        return False
    found, start = OTHER, 0
    while start < length:
        end = start + 1
        while burst[end - 1] != _NEWLINE:
            end += 1
        kind = kind_of(burst, start, end)
        if kind != OTHER:
            expected = GGA if found == OTHER else RMC
            if found == RMC or kind != expected:
                return False
            found = read_plain(burst, start, end, e.numbers, e.whole)
            if found != expected:
                return False
        start = end
    if found != RMC:
        return False
    n = e.numbers
    x, y, z = geodetic_to_enu(e.frame, n[LATITUDE], n[LONGITUDE], n[ALTITUDE] + n[SEPARATION])
    h.placed = 0
    if e.whole[QUALITY] > 0 and math.isfinite(x) and math.isfinite(y) and math.isfinite(z):
        age = epoch_age(e, e.whole[UTC_ns], arrived_ns, stepped_ns)
        if not math.isnan(age):
            hear_gnss(rider, x, y, z, n[SPEED], n[COURSE], e.whole[QUALITY], age)
    return True
