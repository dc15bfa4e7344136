"""From master cylinder to caliper through two valves: an inlet, open at rest, and an outlet, shut at rest.

    open     the caliper's pressure follows the master cylinder's, a first-order lag, up to a ceiling (an
             inlet that is held partly open, or pulsed faster than the pressure follows)
    shut     it stays
    let off  it falls towards that of an empty accumulator, a first-order lag, down to a floor

Whatever the valves do, a check valve lets the caliper follow a master cylinder that is let go. What a valve
is told to do it does a dead time later. Neglected: the elasticity of hoses and pads as a volume, the pump's
ripple at the lever.  Source: R. Limpert, *Brake Design and Safety* (1999), from memory; lags common practice,
no source.
"""

from __future__ import annotations

import math

from emulator.core.compiled import Record, jit

OPEN, SHUT, LET_OFF = range(3)
"""What valves are told."""
LONGEST_DEAD_TIME = 32
"""[ticks] that the memory of commands holds."""


@jit
def modulate(b: Record, k: int, master: float, command: int, ceiling: float) -> float:
    """One tick of one line; returns the pressure at its caliper [Pa].

    b        record of the unit: ``pressure`` (2,) and what was commanded before are read and written
    k        0 front, 1 rear
    master   [Pa] at the master cylinder
    command  OPEN, SHUT or LET_OFF; ``ceiling`` the pressure [Pa] up to which, or down to which; both act
             ``dead_ticks`` later
    """
    now = b.command_at
    b.commands[k, now] = command
    b.ceilings[k, now] = ceiling
    then = (now - b.dead_ticks) % LONGEST_DEAD_TIME
    command, ceiling = b.commands[k, then], b.ceilings[k, then]
    fills = b.inlet_shut[k] == 0 and (command == OPEN or b.inlet_open[k] != 0)
    empties = b.outlet_shut[k] == 0 and (command == LET_OFF or b.outlet_open[k] != 0)
    top = math.inf if b.inlet_open[k] != 0 else ceiling
    floor = 0.0 if b.outlet_open[k] != 0 else ceiling
    p = b.pressure[k]
    if master < p:
        p += b.line_gain * (master - p)
    elif fills and p < top:
        p = min(top, p + b.line_gain * (master - p))
    b.let_off[k] = 0.0 if b.takes == math.inf else b.let_off[k]
    if empties and p > floor:
        left = max(floor, p - min(b.release_gain * p, max(0.0, b.takes - b.let_off[k])))
        b.let_off[k] += p - left
        p = left
    b.pressure[k] = p
    return float(p)
