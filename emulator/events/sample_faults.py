"""What a fault does to a sampled value, before it is quantised and sent.

Effects carry the names ISO 26262-5 annex D uses for sensors where it has one (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.random_streams import normal

EFFECTS = (
    *("dropout", "freeze", "stuck", "offset", "gain", "noise", "drift"),
    *("spike", "saturation", "quantisation", "delay", "sign_change"),
)
"""Effects by number: no value; the value at onset; a given value; plus; times; plus white; plus a slope;
plus, in single samples; cut at limits; in steps; the value of a while ago; times -1."""
(
    DROPOUT,
    FREEZE,
    STUCK,
    OFFSET,
    GAIN,
    NOISE,
    DRIFT,
    SPIKE,
    SATURATION,
    QUANTISATION,
    DELAY,
    SIGN_CHANGE,
) = range(len(EFFECTS))


@jit
def faulted(
    e: Record,
    clean: float,
    held: float,
    past: float,
    elapsed_s: float,
    strength: float,
    streams: NDArray[np.uint64],
) -> float:
    """The value the sensor delivers instead of ``clean``.

    e          the event (emulator.events.table): effect as in EFFECTS, value in the signal's unit (gain:
               factor; drift: unit per second; quantisation: step), low and high of a saturation, stream
    held       the clean value at onset
    past       the value a delay shows
    strength   0..1, the ramp: scales offset, gain - 1, noise, drift and spike; blends the others from clean
    NaN is "not available".
    """
    effect, value = e.effect, e.value
    if effect == DROPOUT:
        return np.nan
    if effect in (OFFSET, SPIKE):
        return float(clean + strength * value)
    if effect == GAIN:
        return float(clean * (1.0 + strength * (value - 1.0)))
    if effect == NOISE:
        return float(clean + strength * value * normal(streams, e.stream))
    if effect == DRIFT:
        return float(clean + strength * value * elapsed_s)
    shown = clean
    if effect == FREEZE:
        shown = held
    elif effect == STUCK:
        shown = value
    elif effect == SATURATION:
        shown = clean if np.isnan(clean) else min(e.high, max(e.low, clean))
    elif effect == QUANTISATION:
        steps = float(np.rint(clean / value))
        shown = steps * value if np.isfinite(steps) else clean  # a step too fine to count changes nothing
    elif effect == DELAY:
        shown = past
    elif effect == SIGN_CHANGE:
        shown = -clean
    # exactly what is shown at full strength: the difference of two numbers is rounded
    return shown if strength >= 1.0 else clean + strength * (shown - clean)


@jit
def delayed_sample(past: NDArray[np.float64], n: int, delay: int, value: float) -> float:
    """Remember ``value`` as sample ``n`` (counted from 0) and return the one of ``delay`` samples before.

    past   (K,) ring of samples, ``delay`` below K
    Before there are so many: the first one.
    """
    size = past.shape[0]
    past[n % size] = value
    return float(past[(n - min(delay, n)) % size])
