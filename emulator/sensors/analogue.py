"""A simple sensor with one value: a lag, white noise, steps, and a range it stays in.

Potentiometers of grip and lever, pressure transducers, travel sensors, a torque shaft: to the bus they all
are this. Source: common practice, no source.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.random_streams import normal


class Analogue(NamedTuple):
    """One sensor; all but the gain in the value's unit.

    noise       one sigma of a sample
    gain        share of the way it goes in a tick: 1 - exp(-tick / time constant)
    resolution  step of the reading; 0: none
    low, high   ends of the range
    """

    noise: float = 0.0
    gain: float = 1.0
    resolution: float = 0.0
    low: float = -math.inf
    high: float = math.inf


@jit
def lagged(shown: float, true: float, gain: float) -> float:
    """What stands behind the reading a tick later; ``shown`` NaN: it begins at the true value."""
    return true if math.isnan(shown) else shown + gain * (true - shown)


@jit
def reading(sensor: NDArray[np.float64], shown: float, streams: NDArray[np.uint64], i: int) -> float:
    """One reading: noise from stream ``i``, then steps, then the range; ``sensor`` (5,) as in Analogue."""
    value = shown + sensor[0] * normal(streams, i)
    if sensor[2] > 0.0:
        value = np.rint(value / sensor[2]) * sensor[2]
    return min(sensor[4], max(sensor[3], value))
