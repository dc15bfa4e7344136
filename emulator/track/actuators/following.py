"""What an actuator makes of a command: the loop's own actuator, played with a command that was logged.

Free play, first-order lag and rate limit are those of :mod:`emulator.events.actuator_faults`. Before it comes
a delay, of bus and program, and behind it what the sensor makes of it, a gain and an offset.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.signals import TICK_NS
from emulator.events.actuator_faults import actuators, intact, move

Values = NDArray[np.float64]

TICK_s = TICK_NS * 1e-9
_AT_REST = actuators()[:1]


class Actuator(NamedTuple):
    """Numbers of an actuator, in the unit y of what it delivers.

    time_constant  [s]      of its first-order lag; 0: none
    slowness       [s/y]    one over its rate limit; 0: it has none
    free_play      [y]      from one flank to the other
    delay          [s]      before it, not its own
    """

    time_constant: float
    slowness: float = 0.0
    free_play: float = 0.0
    delay: float = 0.0


def delivered(actuator: Actuator, asked: Values, low: float, high: float) -> Values:
    """What it delivers (n,) for a command (n,) a tick, which was at its first value for long before.

    low, high  its limits
    Fails never: a command that is not a number moves nothing, as in the loop.
    """
    channel = _AT_REST.copy()
    channel["own_play"] = actuator.free_play
    gain = 1.0 - math.exp(-TICK_s / actuator.time_constant) if actuator.time_constant > 0.0 else 1.0
    step = TICK_s / actuator.slowness if actuator.slowness > 0.0 else math.inf
    out = np.empty(len(asked))
    _follow(channel, asked, actuator.delay / TICK_s, gain, step, low, high, out)
    return out


@jit
def _follow(
    channel: NDArray[np.void],
    asked: Values,
    later: float,
    gain: float,
    step: float,
    low: float,
    high: float,
    out: Values,
) -> None:
    """later  ticks by which the command comes later, straight lines between its ticks."""
    a = channel[0]
    intact(a)
    a.state = min(high, max(low, asked[0]))
    whole = math.floor(later)
    part = later - whole
    for k in range(asked.shape[0]):
        there, before = asked[max(0, k - whole)], asked[max(0, k - whole - 1)]
        out[k] = move(a, (1.0 - part) * there + part * before, gain, step, low, high)
