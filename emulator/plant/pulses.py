"""Pulse frames under a fault of the wheel speed: the ring behind them turns as the fault has it.

Whoever plays the pulses to a real control unit shows it the same fault that the frame ``wheel_speed`` shows:

- dropout      the pick-up is silent: no edge, and the frequency falls to 0 within the time-out, which is all
               that a receiver of pulses can see of it
- freeze, stuck, offset, gain, drift   edges come at the frequency of the faulted speed
- noise        leaves the pulses alone: a pick-up's edges don't jump about with the noise of a reading

The counter goes on from where it was; edges that a fault took away are not made up for afterwards.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.compiled import Record, jit
from emulator.faults.sample import FREEZE, NOISE, faulted
from emulator.plant.sensing import S_WHEEL_FRONT, V_WHEEL_FRONT
from emulator.sensors.wheel_speed import bring_to_rest, turn
from emulator.timeline import ACTIVE, FAULT, strength


@jit
def turn_pulses(
    run: Record,
    rings: NDArray[np.void],
    events: NDArray[np.void],
    senses: NDArray[np.float64],
    streams: NDArray[np.uint64],
    now_ns: int,
    share: float,
    tick_s: float,
) -> None:
    """Turn the rings behind the pulse frames (2 front, 3 rear) on to this tick; call every tick.

    Faults fade as ``share`` nears 1, as in the sampled values. Rings without teeth are left alone.
    """
    for k in range(2):
        ring = rings[2 + k]
        if ring.teeth == 0:
            continue
        rate = senses[S_WHEEL_FRONT + k]
        for i in range(events.shape[0]):
            e = events[i]
            if e.kind != FAULT or e.state != ACTIVE or e.signal != V_WHEEL_FRONT + k or share >= 1.0:
                continue
            if e.effect == NOISE:
                continue
            speed = abs(rate) * ring.radius
            if e.effect == FREEZE and math.isnan(e.held_turning):
                e.held_turning = speed
            elapsed = (run.scenario_tick - e.started) * tick_s
            ramp = strength(e, run.scenario_tick) * (1.0 - share)
            speed = faulted(e.effect, speed, e.value, e.held_turning, elapsed, ramp, streams, e.stream)
            rate = 0.0 if math.isnan(speed) else max(0.0, speed) / ring.radius
        turn(ring, rate, now_ns)
        bring_to_rest(ring, share > 0.0)
