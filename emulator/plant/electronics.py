"""The bike's own electronics in a tick: what they sense, and what they make of what the actuators deliver.

Wheel speeds reach them by wires of their own: the edges of the rings behind the pulse frames, with the faults
that these show (:mod:`emulator.plant.pulses`). Lean, rates, specific force and engine speed they have from
the bus, as everybody does: as old, as noisy and as wrong as frames, faults and losses make them. The gear
lever's sensor feels what the robot asks for.

The slipper clutch is no electronics. It stands here because a rig says of it what it says of them.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.signals import QUICKSHIFTER, SLIPPER_CLUTCH, columns
from emulator.events.actuator_faults import CLUTCH, FRONT_BRAKE, REAR_BRAKE, THROTTLE
from emulator.plant.fall_causes import emit_event
from emulator.plant.states import EV_UNIT
from emulator.sensors.wheel_speed import edge_frequency
from emulator.vehicle.driveline import TOP_GEAR
from emulator.vehicle.electronics.antilock import PASSES, brake
from emulator.vehicle.electronics.gear_changes import cut_for_shift, slipped_lever
from emulator.vehicle.electronics.throttle import hold_front_down, hold_traction, move_valve, through
from emulator.vehicle.electronics.wheel_speeds import FRONT, REAR, follow_wheels
from emulator.vehicle.state import CLUTCH_TWIST, U_BRAKE_FRONT, U_BRAKE_REAR, U_CLUTCH, U_THROTTLE

ACTING = ("antilock front", "antilock rear", "traction", "wheelie", "ignition cut", "slipper", "switched off")
"""Bits of ``unit.acting``."""
_BRAKE_FRONT, _BRAKE_REAR, _TRACTION, _WHEELIE, _CUT, _SLIPPER, _FAILED = (1 << n for n in range(len(ACTING)))

_LEAN, _PITCH_RATE = columns("output.lean_rad", "output.rate_y_rad_s")
_AHEAD, _UP = columns("output.force_x_m_s2", "output.force_z_m_s2")
(_ENGINE,) = columns("output.engine_rad_s")
QUIET_TICKS = 500
"""What acts again sooner than that still acts: antilock lets off and builds up several times a second."""
_OWN_RINGS = 2
"""The first of the rings behind the pulse frames among all."""
_PULLED = 0.5  # clutch lever from which a change of gear is the hand's


@jit
def _read(ring: Record) -> float:
    """Speed [m/s] by the edges of a ring and its wheel's upright radius; 0 at standstill."""
    return float(edge_frequency(ring) * 2.0 * math.pi / ring.teeth * ring.radius)


@jit
def step_electronics(
    b: Record,
    actuators: NDArray[np.void],
    rings: NDArray[np.void],
    row: NDArray[np.float64],
    u: NDArray[np.float64],
    tick_s: float,
) -> None:
    """Put what the units make of the actuators of this tick into the inputs ``u``; call after they moved.

    rings  (4,) as the last tick turned them
    row    the last tick's, whose outputs are what a receiver has
    """
    front, rear = actuators[FRONT_BRAKE], actuators[REAR_BRAKE]
    b.acting = 0
    if b.wheels != 0:
        readings = _read(rings[_OWN_RINGS]), _read(rings[_OWN_RINGS + 1])
        follow_wheels(b, readings[0], readings[1], row[_LEAN], tick_s)
        b.acting = _FAILED if b.failed != 0 else 0
    if b.antilock == 0:
        b.pressure[0], b.pressure[1] = front.delivered, rear.delivered
    else:
        brake(b, front.delivered, rear.delivered, row[_AHEAD], row[_UP], row[_PITCH_RATE], tick_s)
        u[U_BRAKE_FRONT], u[U_BRAKE_REAR] = front.fade * b.pressure[0], rear.fade * b.pressure[1]
        b.acting |= _BRAKE_FRONT if b.phase[FRONT] != PASSES else 0
        b.acting |= _BRAKE_REAR if b.phase[REAR] != PASSES else 0
    opening = actuators[THROTTLE].delivered
    if b.ride_by_wire != 0:
        opening = move_valve(b, opening, tick_s)
    if b.traction != 0 or b.wheelie != 0:
        before = opening
        if b.traction != 0:
            hold_traction(b, before, tick_s)
            b.acting |= _TRACTION if b.traction_share < before else 0
        if b.wheelie != 0:
            hold_front_down(b, before, row[_AHEAD], row[_UP], row[_PITCH_RATE], tick_s)
            b.acting |= _WHEELIE if b.wheelie_share < before else 0
        opening = through(b, before)
    b.throttle = u[U_THROTTLE] = opening


@jit
def ignition_cut(
    b: Record,
    run: Record,
    actuators: NDArray[np.void],
    row: NDArray[np.float64],
    request: float,
    tick_s: float,
) -> bool:
    """Whether a quickshifter cuts the ignition in this tick; ``request``: gear the lever is moved for."""
    if b.quickshifter == 0:
        return False
    if b.cuts != 0 or b.off[QUICKSHIFTER] != 0:
        b.cut, b.cut_spent = 0.0, 0
        b.acting |= _CUT if b.cuts != 0 else 0
        return bool(b.cuts != 0)
    asked = run.gear if math.isnan(request) else min(float(TOP_GEAR), max(0.0, request))
    between = run.shift_left > 0.0
    engaged = run.gear_target if between else run.gear
    up = asked > engaged > 0 and actuators[CLUTCH].delivered < _PULLED and run.shift_refused < 0
    cut = cut_for_shift(b, up, between, actuators[THROTTLE].delivered, row[_ENGINE], tick_s)
    b.acting |= _CUT if cut else 0
    return cut


@jit
def slip_clutch(b: Record, par: Record, x: NDArray[np.float64], u: NDArray[np.float64]) -> None:
    """Let a slipper clutch hold no more than it does; call after the gear change, which goes by the hand's
    lever."""
    if b.slipper_clutch == 0 or b.off[SLIPPER_CLUTCH] != 0:
        return
    lever = slipped_lever(b, par, u[U_CLUTCH], x[CLUTCH_TWIST])
    limit = b.back_torque / par.clutch_stiffness
    b.acting |= _SLIPPER if lever > u[U_CLUTCH] and -x[CLUTCH_TWIST] > 0.99 * limit else 0
    u[U_CLUTCH] = lever


@jit
def tell_units(b: Record, m: Record) -> None:
    """An event for each unit that begins to act; call once all have had their say.

    m  the tick's event buffer; index: the bit of ``unit.acting``
    """
    for bit in range(b.quiet_ticks.shape[0]):
        if b.acting & (1 << bit) == 0:
            b.quiet_ticks[bit] += 1
            continue
        if b.quiet_ticks[bit] >= QUIET_TICKS:
            emit_event(m, EV_UNIT, bit, 0.0)
        b.quiet_ticks[bit] = 0
