"""The six actuators between what the robot asks and what acts on the bike, and what goes wrong in them.

    asked -> free play -> lag and rate limit -> stuck -> weak, offset -> limits -> acts on the bike
                                                                        brake fade -> torque at the disc

An actuator that does not respond gets its rest position instead of what is asked. Faults of one channel act
in this order, whatever their order in the scenario; of several of one kind gains multiply, offsets add, the
widest play and the last stuck one count.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit

CHANNELS = ("steering", "throttle", "front_brake", "rear_brake", "clutch", "gear")
"""Actuator channels as rigs and scenarios name them."""
STEERING, THROTTLE, FRONT_BRAKE, REAR_BRAKE, CLUTCH, GEAR = range(len(CHANNELS))

ACTUATOR_EFFECTS = ("no_response", "stuck", "slow", "weak", "offset", "free_play", "brake_fade")
"""Goes to rest; stays where it is or at a given value; slower by a factor; times a factor; plus; moves only
once asked for more than half the play to a side; torque of the brake times a factor at the same pressure."""
NO_RESPONSE, STUCK, SLOW, WEAK, OFFSET, FREE_PLAY, BRAKE_FADE = range(len(ACTUATOR_EFFECTS))

ACTUATOR_DTYPE = np.dtype(
    [
        ("state", np.float64),  # where it is, behind lag and rate limit
        ("played", np.float64),  # what is behind the free play; NaN: nothing asked yet
        ("delivered", np.float64),  # what it delivers: torque, opening, line pressure
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


def actuators() -> NDArray[np.void]:
    """(6,) channels at rest, without faults."""
    table = np.zeros(len(CHANNELS), ACTUATOR_DTYPE)
    table["played"] = np.nan
    for channel in range(len(CHANNELS)):
        intact(table[channel])
    return table


@jit
def intact(a: Record) -> None:
    """Nothing is wrong with it."""
    a.silent = 0
    a.stuck_at = math.nan
    a.slow = a.gain = a.fade = 1.0
    a.offset = a.play = 0.0


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
    elif e.effect == WEAK:
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
