"""What goes wrong with GNSS reception: the fix, the position, the clock."""

from __future__ import annotations

import math
from collections.abc import Iterator, Set

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.random_streams import step_gauss_markov
from emulator.events.declaration import (
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
from emulator.events.progress import raised_cosine, strength, ticks

EFFECTS = (
    Effect(
        "outage",
        "no signals, no fix; afterwards it comes back in the times of the rig's ``reacquisition_s``",
    ),
    Effect(
        "degraded",
        "no fix better than ``best_fix``, ``satellites_lost`` fewer satellites, or both; afterwards it goes "
        "on from the fix it had by the same times",
        takes=("best_fix", "satellites_lost"),
    ),
    Effect(
        "multipath",
        "a bias of the position of ``bias_m``, growing and decaying over ``ramp_s`` (half the duration if "
        "left out): towards a direction clockwise from north, or without one drawn, wandering with "
        "``correlation_time_s`` (10 if left out), its root mean square then ``bias_m``",
        needs={"bias_m": "a length"},
        takes=("towards_deg", "correlation_time_s", "ramp_s"),
    ),
    Effect(
        "jump",
        "the position is ``bias_m`` off towards a direction, at once or growing over ``ramp_s``",
        needs={"bias_m": "a length", "towards_deg": "a direction"},
        takes=("ramp_s",),
    ),
    Effect("time_jump", "its clock is ``time_s`` ahead", needs={"time_s": "a time"}),
    Effect("stale", "it says its last epoch again and again, with its time"),
)
GNSS_EFFECTS = tuple(e.name for e in EFFECTS)
OUTAGE, DEGRADED, MULTIPATH, JUMP, TIME_JUMP, STALE = range(len(EFFECTS))

_CORRELATION_s = 10.0
"""Of a drawn bias, if left out."""


@jit
def disturb_receiver(run: Record, e: Record, riding: bool) -> None:
    """One tick of a live event: what it does to the receiver's clock and to what it reports."""
    if e.effect == STALE and riding:
        run.gnss_stale = 1
    elif e.effect == TIME_JUMP:
        run.gnss_time_shift_ns += int(np.rint(e.value * 1e9))


@jit
def multipath_bias(
    bias_m: float,
    heading: float,
    u: NDArray[np.float64],
    interval_s: float,
    time_s: float,
    streams: NDArray[np.uint64],
    i: int,
) -> tuple[float, float]:
    """Bias [m] of east and north that reflected signals make.

    bias_m   its size: the length if it has a direction, else its root mean square
    heading  [rad] where to, from east, anticlockwise; NaN: drawn, east and north each a process as the drift
    u        (3,) state of that, moved by ``interval_s`` (below 0: it begins); ``time_s`` its correlation time
    """
    if not math.isnan(heading):
        return bias_m * math.cos(heading), bias_m * math.sin(heading)
    step_gauss_markov(u, interval_s, time_s, streams, i)
    return bias_m * math.sqrt(0.5) * u[0], bias_m * math.sqrt(0.5) * u[1]


@jit
def position_bias(
    e: Record, east: float, north: float, tick: int, now_ns: int, streams: NDArray[np.uint64]
) -> tuple[float, float]:
    """East and north [m] of an epoch at ``now_ns`` (loop's time), moved by what a live event adds to them."""
    if e.effect == JUMP:
        share = strength(e, tick)
        east += share * e.value * math.cos(e.heading)
        north += share * e.value * math.sin(e.heading)
    elif e.effect == MULTIPATH:
        interval = (now_ns - e.wander_ns) * 1e-9 if e.wander_ns >= 0 else -1.0
        bias_east, bias_north = multipath_bias(
            e.value, e.heading, e.wander, interval, e.correlation, streams, e.stream
        )
        e.wander_ns = now_ns
        share = raised_cosine(e, tick)
        east += share * bias_east
        north += share * bias_north
    return east, north


def _fill(e: Row, event: EventKeys, rig: RigView) -> None:
    """The best fix it leaves, satellites it takes, its bias, its clock."""
    e["effect"] = GNSS_EFFECTS.index(event.effect)
    best = rig.fixes[0] if event.effect == "outage" else event.best_fix or rig.fixes[-1]
    e["best_fix"], e["satellites"] = rig.fixes.index(best), event.satellites_lost or 0
    e["value"] = event.bias_m or event.time_s or 0.0
    e["heading"] = math.nan if event.towards_deg is None else math.radians(90.0 - event.towards_deg)
    e["correlation"] = event.correlation_time_s or _CORRELATION_s
    if e["effect"] == MULTIPATH and event.ramp_s is None:
        e["ramp"] = ticks(0.5 * event.duration_s)


def _rules(event: EventKeys, _given: Set[str]) -> Iterator[Wrong]:
    if event.effect == "degraded" and event.best_fix is None and event.satellites_lost is None:
        yield Wrong("expected best_fix or satellites_lost with effect degraded, got none of them")
    if event.towards_deg is not None and event.correlation_time_s is not None:
        yield Wrong(
            "expected no correlation_time_s beside towards_deg: it is that of a drawn bias",
            "correlation_time_s",
        )
    duration_s, ramp_s = event.duration_s, event.ramp_s
    if event.effect == "multipath":
        if duration_s is None:
            yield Wrong("'duration_s': effect multipath decays towards its end", absent=True)
        elif ramp_s is not None and ramp_s > 0.5 * duration_s:
            yield Wrong(
                f"expected at most half of duration_s ({0.5 * duration_s:g} s), as it grows and decays "
                f"within it, got {ramp_s:g}",
                "ramp_s",
            )
    elif ramp_s is not None and duration_s is not None and ramp_s > duration_s:
        yield Wrong(f"expected at most duration_s ({duration_s:g} s), got {ramp_s:g}", "ramp_s")


KIND = EventKind(
    "gnss",
    "What happens to the GNSS receiver.",
    (
        effect_key(EFFECTS, "what happens to it"),
        Key("best_fix", ("float", "differential", "single"), "the best fix it still has", left_out="any"),
        Key(
            "satellites_lost", Takes.WHOLE, "how many satellites it loses", left_out="none", least=1, most=99
        ),
        Key("bias_m", Takes.NUMBER, "how far off the position is", above=0, most=100_000),
        Key(
            "towards_deg",
            Takes.NUMBER,
            "where the bias points, clockwise from north",
            left_out="multipath draws it",
            least=0,
            most=360,
        ),
        Key(
            "correlation_time_s",
            Takes.NUMBER,
            "correlation time of a drawn bias",
            left_out="10",
            above=0,
            most=3600,
        ),
        Key(
            "ramp_s",
            Takes.NUMBER,
            "how long the bias takes to grow",
            left_out="none, of multipath half the duration",
            above=0,
            most=3600,
        ),
        Key(
            "time_s", Takes.NUMBER, "how far its clock is ahead; negative: behind", least=-86_400, most=86_400
        ),
    ),
    _fill,
    EFFECTS,
    rules=_rules,
    columns=(
        Column("best_fix", np.int64),  # best rank it leaves
        Column("satellites", np.int64),  # satellites it takes away
        Column("correlation", np.float64),  # [s] of a drawn bias
        Column("wander", np.float64, 0, (3,)),  # state of a drawn bias, unit variance
    ),
)
