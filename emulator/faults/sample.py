"""What a fault does to a sampled value, before it is quantised and sent.

Effects carry the names ISO 26262-5 annex D uses for sensors where it has one (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.compiled import jit
from emulator.sensors.noise import normal

EFFECTS = ("dropout", "freeze", "stuck", "offset", "gain", "noise", "drift")
"""Effects by number: no value; the value at onset; a given value; plus; times; plus white; plus a slope."""
DROPOUT, FREEZE, STUCK, OFFSET, GAIN, NOISE, DRIFT = range(len(EFFECTS))


@jit
def faulted(
    effect: int,
    clean: float,
    value: float,
    held: float,
    elapsed_s: float,
    strength: float,
    streams: NDArray[np.uint64],
    stream: int,
) -> float:
    """The value the sensor delivers instead of ``clean``.

    effect     index into EFFECTS
    value      the fault's parameter in the signal's unit (gain: factor; drift: unit per second)
    held       the clean value at onset
    strength   0..1, the ramp: scales offset, gain - 1, noise and drift; blends stuck and freeze
    NaN is "not available".
    """
    if effect == DROPOUT:
        return np.nan
    if effect == FREEZE:
        return clean + strength * (held - clean)
    if effect == STUCK:
        return clean + strength * (value - clean)
    if effect == OFFSET:
        return clean + strength * value
    if effect == GAIN:
        return clean * (1.0 + strength * (value - 1.0))
    if effect == NOISE:
        return clean + strength * value * normal(streams, stream)
    return clean + strength * value * elapsed_s
