"""What a fault does to a sampled value, before it is quantised and sent.

Effects carry the names ISO 26262-5 annex D uses for sensors where it has one (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Set
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.random_streams import normal
from emulator.core.signals import OUTPUTS, TICK_NS, V_FORK_ANGLE
from emulator.events.declaration import (
    PAUSES,
    Column,
    Effect,
    EventKeys,
    EventKind,
    Key,
    RigView,
    Row,
    Takes,
    Wrong,
    effect_key,
)
from emulator.events.progress import hits, strength, ticks

_VALUE = {"value": "a number"}
EFFECTS = (
    Effect("dropout", "it is not available"),
    Effect("freeze", "it stays what it was when the fault began"),
    Effect("stuck", "it is ``value``", needs=_VALUE),
    Effect("offset", "plus ``value``", needs=_VALUE),
    Effect("gain", "times ``value``, a factor", needs=_VALUE),
    Effect("noise", "plus white noise, one sigma ``value``", needs=_VALUE, least={"value": 0}),
    Effect("drift", "plus ``value`` a second", needs=_VALUE),
    Effect(
        "spike",
        "plus ``value`` in single samples, a ``share`` of them",
        needs={"value": "a number", "share": "the share of samples it hits"},
    ),
    Effect("saturation", "cut at ``low`` and ``high``, one or both", takes=("low", "high")),
    Effect("quantisation", "in steps of ``value``", needs=_VALUE, least={"value": 0}),
    Effect("delay", "older by ``delay_ms``", needs={"delay_ms": "a time"}),
    Effect("sign_change", "times -1"),
)
SAMPLE_EFFECTS = tuple(e.name for e in EFFECTS)
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

PAST = 1024
"""Samples a fault's delay can go back."""
_TICK_S = TICK_NS * 1e-9
_FORK_ANGLE = OUTPUTS[V_FORK_ANGLE].name
"""Of all the values a fault may act on the one that the bench takes and does not send: it is imposed."""


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


@jit
def sample_fault(
    e: Record,
    value: float,
    past: NDArray[np.float64],
    tick: int,
    share: float,
    streams: NDArray[np.uint64],
) -> float:
    """One sample of the signal an event acts on, faulted if it is live and hits this one.

    past   (PAST,) samples a delay remembers
    tick   scenario tick
    share  0..1, how far the signals have gone to rest after the ride: the fault fades with it
    """
    before = value
    if e.effect == DELAY:
        before = delayed_sample(past, e.past_n, e.delay, value)
        e.past_n += 1
    if share < 1.0 and hits(e, streams):
        if e.effect == FREEZE and e.holds == 0:
            e.holds, e.held = 1, value
        elapsed = (tick - e.started) * _TICK_S
        return faulted(e, value, e.held, before, elapsed, strength(e, tick) * (1.0 - share), streams)
    return value


@jit
def edge_fault(
    e: Record,
    speed: float,
    past: NDArray[np.float64],
    tick: int,
    share: float,
    streams: NDArray[np.uint64],
) -> float:
    """Speed [m/s] that a ring behind pulse frames shows instead of ``speed``; 0: no edges, below: as it was.

    Call every tick; arguments as of :func:`sample_fault`. A pick-up's edges don't jump about with single
    readings and know no sign, so effects of such kinds leave them alone.
    """
    before = speed
    if e.effect == DELAY:
        before = delayed_sample(past, e.past_turning_n, e.delay_ticks, speed)
        e.past_turning_n += 1
    if share >= 1.0 or e.live == 0 or e.share < 1.0 or e.effect in (NOISE, SPIKE, SIGN_CHANGE):
        return -1.0
    if e.effect == FREEZE and math.isnan(e.held_turning):
        e.held_turning = speed
    elapsed = (tick - e.started) * _TICK_S
    ramp = strength(e, tick) * (1.0 - share)
    shown = faulted(e, speed, e.held_turning, before, elapsed, ramp, streams)
    return 0.0 if math.isnan(shown) else max(0.0, shown)


def _fill(e: Row, event: EventKeys, rig: RigView) -> None:
    e["effect"], e["signal"] = SAMPLE_EFFECTS.index(event.effect), rig.outputs.index(event.signal)
    e["value"] = 0.0 if event.value is None else event.value
    e["low"] = -math.inf if event.low is None else event.low
    e["high"] = math.inf if event.high is None else event.high
    if event.delay_ms is not None:
        e["delay_ticks"] = ticks(event.delay_ms * 1e-3)
        e["delay"] = round(event.delay_ms * 1e-3 * rig.rates_hz[event.signal])


def _rules(event: EventKeys, _given: Set[str]) -> Iterator[Wrong]:
    if event.effect == "quantisation" and event.value == 0:
        yield Wrong("expected a step above 0", "value")
    if event.effect == "saturation":
        if event.low is None and event.high is None:
            yield Wrong("expected low, high or both with effect saturation, got none of them")
        elif event.low is not None and event.high is not None and event.low >= event.high:
            yield Wrong(f"expected more than low ({event.low:g}), got {event.high:g}", "high")


def _unmet(event: EventKeys, rig: RigView) -> Iterator[Wrong]:
    if event.signal not in rig.rates_hz:
        known = ", ".join(sorted(rig.rates_hz))
        yield Wrong(f"expected a signal of this rig's outputs ({known}), got {event.signal}", "signal")
    elif event.signal == _FORK_ANGLE and event.effect == "dropout":
        yield Wrong(
            "expected another effect: an angle that stays away is kind frame, frame steering, effect loss",
            "effect",
        )


_IN_ITS_UNIT: dict[str, Any] = {"unit": "unit of the signal", "least": -1e6, "most": 1e6}
KIND = EventKind(
    "fault",
    "A fault of one output signal, or of the angle that is imposed; ``value`` in the signal's unit.\n\n"
    "``share`` of its samples is hit, each drawn. ``intermittent`` makes it come and go.",
    (
        Key("signal", Takes.SIGNAL, "the output value it acts on", required=True),
        effect_key(EFFECTS, "what becomes of its samples"),
        Key(
            "value",
            Takes.NUMBER,
            "how much: the value, offset, one sigma or step; for gain a factor, for drift a change a second",
            **_IN_ITS_UNIT,
        ),
        Key("low", Takes.NUMBER, "least that still comes", left_out="not cut below", **_IN_ITS_UNIT),
        Key("high", Takes.NUMBER, "most that still comes", left_out="not cut above", **_IN_ITS_UNIT),
        Key("delay_ms", Takes.NUMBER, "how much older its samples are", least=1, most=1000),
        Key(
            "share",
            Takes.NUMBER,
            "share of the samples that is hit, each drawn",
            left_out="all",
            above=0,
            most=1,
        ),
        PAUSES,
    ),
    _fill,
    EFFECTS,
    ramped=True,
    rules=_rules,
    unmet=_unmet,
    columns=(
        Column("low", np.float64, np.nan),  # limits of a saturation
        Column("high", np.float64, np.nan),
        Column("delay", np.int64),  # [samples]
        Column("delay_ticks", np.int64),  # the same for the rings, which turn every tick
        Column("past_n", np.int64),  # samples in its part of the history
        Column("past_turning_n", np.int64),
    ),
)
