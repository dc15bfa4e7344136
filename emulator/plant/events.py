"""What the scenario's events do in a tick: when they start and end, and what they set up for the rest of it.

Faults of samples act where outputs are measured, faults of frames where frames pass, grip where tyres stand;
this module moves the events and collects what is not theirs alone: wind, gear changes, GNSS reception, the
bus, sensors without power, actuators. Where events overlap, those later in the scenario file act on what the
earlier ones have left; actuators have an order of their own (emulator.events.actuator_faults).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.signals import EVENT_BITS, OUTPUTS, RUNNING, TICK_NS
from emulator.events.actuator_faults import apply_fault, intact
from emulator.events.bus_faults import disturb_bus
from emulator.events.gearbox_faults import disturb_shifts
from emulator.events.gnss_faults import disturb_receiver
from emulator.events.power_faults import DEVICES, cut_power, restore_power
from emulator.events.progress import (
    ACTIVE,
    ENDED,
    NOTHING,
    SPARED,
    STARTED,
    WAITING,
    advance,
    strength,
)
from emulator.events.surface_events import grip_left, gust
from emulator.events.table import ACTUATOR, BUS, ELECTRONICS, GEARBOX, GNSS, GRIP, GUST, MARK, RESTART
from emulator.events.trigger import again, evaluate
from emulator.events.unit_faults import break_unit, units_intact
from emulator.plant.fall_causes import emit_event
from emulator.plant.states import EV_BEGAN, EV_ENDED, EV_SPARED
from emulator.road.line import Line, cover
from emulator.sensors.gnss_fix import allowed, climb, fix_in_use, hold
from emulator.vehicle.state import U_WIND_X, U_WIND_Y

SENSOR_GNSS = DEVICES.index("gnss")
SENSOR_IMU, SENSOR_LEAN = DEVICES.index("imu"), DEVICES.index("lean")
"""Bits of the masks of devices (emulator.events.power_faults)."""

_DEVICES = {"imu_rates": "imu", "imu_force": "imu"}
"""Device of a source (emulator.core.signals.OUTPUTS) where it has another name."""


def sensor_of(value: int) -> int:
    """Bit of the device that an output value comes from; 0: the bench itself, which never loses its power."""
    source = OUTPUTS[value].source
    return 0 if source in ("bench", "fork") else 1 << DEVICES.index(_DEVICES.get(source, source))


@jit
def _move(
    run: Record, events: NDArray[np.void], triggers: NDArray[np.void], m: Record, streams: NDArray[np.uint64]
) -> None:
    """Start and end what is to start and end in this tick, and tell."""
    evaluate(triggers, events, run.scenario_tick, run.station, m.row)
    for i in range(events.shape[0]):
        e = events[i]
        change = advance(e, run.scenario_tick, streams)
        if change == NOTHING:
            continue
        if change == STARTED:
            emit_event(m, EV_BEGAN + e.kind, i, e.value)
        elif change == SPARED:
            emit_event(m, EV_SPARED + e.kind, i, e.probability)
        elif change == ENDED and e.kind != MARK:
            emit_event(m, EV_ENDED + e.kind, i, e.value)
        if change != STARTED:
            if e.kind == RESTART and change == ENDED:
                restore_power(run, e)
            if e.state == WAITING and e.every <= 0:
                again(triggers, events, i)


@jit
def step_events(
    rig: Record,
    run: Record,
    events: NDArray[np.void],
    triggers: NDArray[np.void],
    actuators: NDArray[np.void],
    electronics: Record,
    m: Record,
    u: NDArray[np.float64],
    streams: NDArray[np.uint64],
) -> None:
    """One tick of all events. Wind goes into ``u``, the rest into ``run``, ``actuators`` and the
    bike's own ``electronics``.

    Events move only while the ride runs. What is active at its end stays so; buses, sensors, actuators and
    electronics are sound again from then on, so that nothing stands in the way of signals that go to rest.
    """
    riding = run.state == RUNNING
    run.woken = 0
    if riding:
        _move(run, events, triggers, m, streams)
    for k in range(actuators.shape[0]):
        intact(actuators[k])
    units_intact(electronics)
    best, satellites = rig.gnss_best, rig.gnss_satellites
    mask, load = 0.0, 0.0
    u[U_WIND_X], u[U_WIND_Y] = rig.wind_x, rig.wind_y
    run.shift_effect = run.bus_off = run.dark = run.gnss_stale = run.gnss_time_shift_ns = 0
    run.bus_faulty = 0
    for i in range(events.shape[0]):
        e = events[i]
        if e.state != ACTIVE:
            continue
        if i < EVENT_BITS:
            mask += 2.0**i
        if e.live == 0:
            continue
        if e.kind == GUST:
            speed = gust(e, run.scenario_tick)
            u[U_WIND_X] += speed * math.cos(e.heading)
            u[U_WIND_Y] += speed * math.sin(e.heading)
        elif e.kind == GEARBOX:
            disturb_shifts(run, e)
        elif e.kind == GNSS:
            best = min(best, e.best_fix)
            satellites -= e.satellites
            disturb_receiver(run, e, riding)
        elif not riding:
            continue
        elif e.kind == ACTUATOR:
            apply_fault(actuators[e.signal], e, strength(e, run.scenario_tick))
        elif e.kind == ELECTRONICS:
            break_unit(electronics, e)
        elif e.kind == RESTART:
            cut_power(run, e)
        elif e.kind == BUS:
            load += disturb_bus(run, e)
            run.bus_faulty = 1
    run.events_active = mask
    run.overload_owed = run.overload_owed + load * TICK_NS if load > 0.0 else 0.0
    if run.dark >> SENSOR_GNSS & 1:
        best = 0
    best = allowed(best, satellites)
    run.gnss_progress = hold(run.gnss_progress, best, rig.gnss_ladder)
    run.gnss_rank = fix_in_use(run.gnss_progress, best, rig.gnss_ladder)
    run.gnss_in_use = satellites if run.gnss_rank > 0 else 0
    run.gnss_progress = climb(run.gnss_progress, best, rig.gnss_ladder)


@jit
def grip_factor(events: NDArray[np.void], tick: int, line: Line, station: float, offset: float) -> float:
    """What grip events leave of the grip at a place of the road."""
    factor = 1.0
    for i in range(events.shape[0]):
        e = events[i]
        if e.kind == GRIP and e.live != 0:
            covered = 1.0
            if not math.isnan(e.from_m):
                covered = cover(line, e.from_m, e.to_m, e.left_m, e.right_m, e.edge_m, station, offset)
            factor *= grip_left(e, tick, covered)
    return factor
