"""Pulse frames under a fault of the wheel speed: the ring behind them turns as the fault has it.

Whoever plays the pulses to a real control unit shows it the same fault that the frame ``wheel_speed`` shows:

- dropout      the pick-up is silent: no edge, and the frequency falls to 0 within the time-out, which is all
               that a receiver of pulses can see of it
- noise, spike, and what hits only a share of the samples   leave the pulses alone: a pick-up's edges don't
               jump about with single readings
- sign change  leaves them alone, too: a pick-up knows no sign
- all others   edges come at the frequency of the faulted speed

The counter goes on from where it was; edges that a fault took away are not made up for afterwards.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.signals import V_WHEELS
from emulator.events.sample_faults import edge_fault
from emulator.events.table import FAULT
from emulator.plant.outputs import S_WHEEL_FRONT
from emulator.sensors.wheel_speed import bring_to_rest, turn


@jit
def turn_pulses(
    run: Record,
    rings: NDArray[np.void],
    events: NDArray[np.void],
    past: NDArray[np.float64],
    senses: NDArray[np.float64],
    streams: NDArray[np.uint64],
    now_ns: int,
    share: float,
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
            if e.kind != FAULT or e.signal != V_WHEELS + k:
                continue
            speed = edge_fault(e, abs(rate) * ring.radius, past[i, 1], run.scenario_tick, share, streams)
            if speed >= 0.0:
                rate = speed / ring.radius
        turn(ring, rate, now_ns)
        bring_to_rest(ring, share > 0.0)
