"""The six actuators between what the robot asks and what acts on the bike, and what goes wrong in them.

    asked -> free play -> lag and rate limit -> stuck -> weak, strong, offset -> limits -> acts on the bike
                                                                   brake fade -> torque at the disc

An actuator that does not respond gets its rest position instead of what is asked. Faults of one channel act
in this order, whatever their order in the scenario; of several of one kind gains multiply, offsets add, the
widest play and the last stuck one count.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Set

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.events.declaration import (
    PAUSES,
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

CHANNELS = ("steering", "throttle", "front_brake", "rear_brake", "clutch", "gear")
"""Actuator channels as rigs and scenarios name them."""
STEERING, THROTTLE, FRONT_BRAKE, REAR_BRAKE, CLUTCH, GEAR = range(len(CHANNELS))

_FACTOR = {"factor": "a number"}
EFFECTS = (
    Effect(
        "no_response",
        "it goes to rest: no torque (a fork's stand-in: straight ahead), throttle shut, no pressure, clutch "
        "released",
    ),
    Effect("stuck", "it stays where it is, or at ``value``", takes=("value",)),
    Effect(
        "slow",
        "its time constant is ``factor`` times as long, its rate limit so many times less",
        needs=_FACTOR,
        least={"factor": 1},
    ),
    Effect("weak", "it delivers ``factor`` of what it should", needs=_FACTOR, most={"factor": 1}),
    Effect("offset", "it delivers ``value`` more", needs={"value": "a number"}),
    Effect(
        "free_play",
        "it moves only once asked for more than half of ``value`` to a side",
        needs={"value": "a number"},
        least={"value": 0},
    ),
    Effect(
        "brake_fade",
        "``factor`` of the brake's torque at the same pressure",
        needs=_FACTOR,
        most={"factor": 1},
    ),
    Effect(
        "strong",
        "it delivers ``factor`` times what it should, as far as its limits go",
        needs=_FACTOR,
        least={"factor": 1},
    ),
)
ACTUATOR_EFFECTS = tuple(e.name for e in EFFECTS)
NO_RESPONSE, STUCK, SLOW, WEAK, OFFSET, FREE_PLAY, BRAKE_FADE, STRONG = range(len(EFFECTS))

ACTUATOR_DTYPE = np.dtype(
    [
        ("state", np.float64),  # where it is, behind lag and rate limit
        ("played", np.float64),  # what is behind the free play; NaN: nothing asked yet
        ("delivered", np.float64),  # what it delivers: torque, opening, line pressure
        ("own_play", np.float64),  # free play that it has without any fault
        # faults of this tick
        ("silent", np.int64),
        ("stuck_at", np.float64),  # NaN: it moves
        ("slow", np.float64),
        ("gain", np.float64),
        ("offset", np.float64),
        ("play", np.float64),
        ("fade", np.float64),
    ]
)
"""One channel; the units are those of its signal ``actuator.*``."""


def actuators(own_play: Mapping[str, float] | None = None) -> NDArray[np.void]:
    """(6,) channels at rest, without faults.

    own_play  free play that channels have of their own, by name, in the unit of what they deliver
    """
    table = np.zeros(len(CHANNELS), ACTUATOR_DTYPE)
    table["played"] = np.nan
    for name, play in (own_play or {}).items():
        table["own_play"][CHANNELS.index(name)] = play
    for channel in range(len(CHANNELS)):
        intact(table[channel])
    return table


@jit
def intact(a: Record) -> None:
    """Nothing is wrong with it but what it has of its own."""
    a.silent = 0
    a.stuck_at = math.nan
    a.slow = a.gain = a.fade = 1.0
    a.offset = 0.0
    a.play = a.own_play


@jit
def apply_fault(a: Record, e: Record, strength: float) -> None:
    """Event ``e`` of this channel is live; ``strength`` 0..1 scales what can be scaled."""
    if e.effect == NO_RESPONSE:
        a.silent = 1
    elif e.effect == STUCK:
        if e.holds == 0:
            e.holds, e.held = 1, a.state if math.isnan(e.value) else e.value
        a.stuck_at = e.held
    elif e.effect == SLOW:
        a.slow *= 1.0 + strength * (e.value - 1.0)
    elif e.effect in (WEAK, STRONG):
        a.gain *= 1.0 + strength * (e.value - 1.0)
    elif e.effect == OFFSET:
        a.offset += strength * e.value
    elif e.effect == FREE_PLAY:
        a.play = max(a.play, strength * e.value)
    else:
        a.fade *= 1.0 + strength * (e.value - 1.0)


@jit
def move(a: Record, commanded: float, gain: float, step: float, low: float, high: float) -> float:
    """One tick of an actuator; returns what it delivers.

    commanded  NaN: never asked, it stays
    gain       share of the way its first-order lag goes in a tick
    step       most it changes in a tick
    low, high  what it can deliver
    """
    if a.silent != 0:
        commanded = 0.0
    if not math.isnan(commanded):
        half = 0.5 * a.play
        if half > 0.0 and not math.isnan(a.played):
            commanded = min(commanded + half, max(commanded - half, a.played))
        a.played = commanded
        if a.slow > 1.0:
            gain, step = 1.0 - (1.0 - gain) ** (1.0 / a.slow), step / a.slow
        change = gain * (commanded - a.state)
        a.state += min(step, max(-step, change))
        a.state = min(high, max(low, a.state))
    if not math.isnan(a.stuck_at):
        a.state = min(high, max(low, a.stuck_at))
    a.delivered = min(high, max(low, a.state * a.gain + a.offset))
    return float(a.delivered)


def _fill(e: Row, event: EventKeys, _rig: RigView) -> None:
    e["effect"], e["signal"] = ACTUATOR_EFFECTS.index(event.effect), CHANNELS.index(event.channel)
    applied = event.value if event.factor is None else event.factor
    e["value"] = math.nan if applied is None else applied


def _rules(event: EventKeys, _given: Set[str]) -> Iterator[Wrong]:
    if event.effect in ("no_response", "stuck") and event.ramp_s > 0:
        yield Wrong(f"effect {event.effect} takes no ramp_s; remove it", "ramp_s")
    if event.effect == "brake_fade" and not event.channel.endswith("brake"):
        yield Wrong(f"expected a brake for effect brake_fade, got {event.channel}", "channel")
    if event.channel == "gear" and event.effect not in ("no_response", "stuck", "slow"):
        yield Wrong(f"expected no_response, stuck or slow for the gear lever, got {event.effect}", "effect")
    if event.channel == "gear" and event.value is not None:
        yield Wrong("a gear lever is stuck in the gear it is in; remove value", "value")


def _unmet(event: EventKeys, rig: RigView) -> Iterator[Wrong]:
    if event.channel == "steering" and rig.steering_imposed and not rig.fork_stands_in:
        yield Wrong(
            "expected another channel: on this rig the real fork's measured angle is imposed; its faults are "
            "kind fault, signal fork_angle_rad",
            "channel",
        )


KIND = EventKind(
    "actuator",
    "A fault of one actuator channel.\n\n"
    "``value`` in the unit of the channel's signal ``actuator.*``; [rad] for the stand-in of a fork. A gear "
    "lever knows the first three.",
    (
        Key("channel", CHANNELS, "the actuator it acts on", required=True),
        effect_key(EFFECTS, "what is wrong with it"),
        Key(
            "value",
            Takes.NUMBER,
            "where it is stuck, the offset or the play",
            left_out="stuck where it is",
            unit="unit of the channel",
            least=-1e8,
            most=1e8,
        ),
        Key(
            "factor",
            Takes.NUMBER,
            "slow: how many times slower it is; weak, brake_fade: the share that is left; strong: how many "
            "times as much",
            least=0,
            most=1000,
        ),
        PAUSES,
    ),
    _fill,
    EFFECTS,
    ramped=True,
    rules=_rules,
    unmet=_unmet,
)
