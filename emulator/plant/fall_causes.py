"""What happens to the bike: slides, lifted wheels, peg contact, run-off, stall, a fall with its cause, rest.

A state counts only once it has lasted some ticks, so that a single noisy tick is no event; each is told once
when it begins. What began first is remembered: a fall is put down to the tyre that slid first, to the tyre
that gripped again (high-side), or to lost balance where no tyre slid. A tyre slides once it is past its peak,
where more slip holds no more (emulator.vehicle.contact.tyre).

A bike that is down is played out until it lies still. One without hard parts
(emulator.vehicle.contact.hard_parts) has nothing to lie on: what it does is shown for half a second.
"""

from __future__ import annotations

import math

from emulator.core.axes import roll_pitch_yaw
from emulator.core.compiled import Record, jit
from emulator.core.signals import TICK_NS
from emulator.plant.states import (
    EV_FALL,
    EV_LIFT,
    EV_PEG,
    EV_REST,
    EV_RUN_OFF,
    EV_SLIDE,
    EV_STALL,
    FREE,
)
from emulator.vehicle.params import FOOTPEGS
from emulator.vehicle.state import (
    FRONT,
    LEFT,
    P_LOAD,
    REAR,
    RIGHT,
    T_LOAD,
    T_SLIDING,
    T_SLIP_ANGLE,
    T_SLIP_RATIO,
    Scratch,
)

SIDEWAYS, LOCKED, SPINNING = range(3)
"""How a tyre slides, the second part of an EV_SLIDE index (first: 0 front, 1 rear)."""

FELL_FRONT, FELL_REAR, FELL_HIGH_SIDE, FELL_BALANCE, FELL_OVER = range(5)
"""Cause of a fall, the index of EV_FALL."""

_SLIDE_TICKS = 20  # [ms] a tyre past its peak for so long slides; shorter is chatter on bumps
_LIFT_TICKS = 30
_REMEMBERED_TICKS = 1500  # a slide that ended longer ago has nothing to do with a fall
_MOVING_m_s = 1.0
_PEG_TICKS = 300  # a peg that touches again within this scrapes on
_STILL = 0.05  # [m/s], [rad/s] what lies still moves more slowly: it still creeps down a slope
STILL_TICKS = 500
"""How long a bike that is down has to lie still before the ride ends."""
LONGEST_FALL_TICKS = 15_000
"""How long a fall is played out at most."""
_SHOWN_TICKS = 500


@jit
def emit_event(m: Record, code: int, index: int, value: float) -> None:
    """Put an event into this tick's buffer; beyond its length it is lost."""
    n = m.event_count
    if n < m.code.shape[0]:
        m.code[n], m.index[n], m.value[n] = code, index, value
        m.event_count = n + 1


@jit
def _slide(run: Record, m: Record, which: int, s: Scratch, speed: float, roll: float) -> None:
    """Slides of one tyre; ``run.slide_*[which]`` hold since when, until when, at which roll."""
    tyre = s.tyre[which]
    now = run.scenario_tick
    if tyre[T_LOAD] > 0.0 and tyre[T_SLIDING] > 0.0 and speed > _MOVING_m_s:
        if run.slide_end[which] < now - 1:
            run.slide_start[which] = now
            run.slide_roll[which] = roll
        run.slide_end[which] = now
        if now - run.slide_start[which] == _SLIDE_TICKS:
            ratio = tyre[T_SLIP_RATIO]
            kind = SIDEWAYS
            if abs(ratio) > abs(math.tan(tyre[T_SLIP_ANGLE])):
                kind = LOCKED if ratio < 0.0 else SPINNING
            index = 3 * (0 if which == FRONT else 1) + kind
            emit_event(m, EV_SLIDE, index, tyre[T_SLIP_ANGLE] if kind == SIDEWAYS else ratio)


@jit
def _lift(run: Record, m: Record, which: int, s: Scratch) -> None:
    """A wheel that leaves the road."""
    if s.tyre[which, T_LOAD] > 0.0:
        run.airborne[which] = 0
    else:
        run.airborne[which] += 1
        if run.airborne[which] == _LIFT_TICKS:
            emit_event(m, EV_LIFT, 0 if which == FRONT else 1, 0.0)


@jit
def _cause(run: Record, roll: float, pitch: float, limit: float) -> int:
    """Why the bike is down."""
    if abs(roll) <= limit and abs(pitch) > limit:
        return FELL_OVER
    since = run.scenario_tick - _REMEMBERED_TICKS
    front, rear = run.slide_end[FRONT] >= since, run.slide_end[REAR] >= since
    if rear and run.slide_roll[REAR] * roll < 0.0 and (not front or run.slide_roll[FRONT] * roll < 0.0):
        return FELL_HIGH_SIDE  # it went down on the side away from the slide
    if front and (not rear or run.slide_start[FRONT] <= run.slide_start[REAR]):
        return FELL_FRONT
    return FELL_REAR if rear else FELL_BALANCE


@jit
def _pegs(run: Record, m: Record, body: Record, s: Scratch, roll: float) -> None:
    """A footpeg touches: by the angle at which it does, where the vehicle does not say where its pegs are."""
    if body.parts > 0 and body.part_kind[0] == FOOTPEGS:
        touching = s.part[0, LEFT, P_LOAD] > 0.0 or s.part[0, RIGHT, P_LOAD] > 0.0
        left = run.peg - 1
    else:
        touching = abs(roll) > body.fall_peg_angle
        left = run.peg if abs(roll) > body.fall_peg_angle - 0.02 else 0
    if touching and run.peg == 0:
        emit_event(m, EV_PEG, 0 if roll > 0.0 else 1, roll)
    run.peg = _PEG_TICKS if touching else max(0, left)


@jit
def _lie(run: Record, m: Record, body: Record, s: Scratch, roll: float) -> None:
    """A bike that is down: until when its fall is played out."""
    lasted = run.scenario_tick - run.fallen_tick
    if body.parts == 0:
        if lasted > _SHOWN_TICKS:
            run.fall_over = 1
        return
    fastest = 0.0
    for k in range(6):
        fastest = max(fastest, abs(s.V[k, 0]))
    run.still_ticks = run.still_ticks + 1 if fastest < _STILL else 0
    if run.still_ticks == STILL_TICKS:
        emit_event(m, EV_REST, 0 if roll > 0.0 else 1, lasted * TICK_NS * 1e-9)
        run.fall_over = 1
    elif lasted >= LONGEST_FALL_TICKS:
        run.fall_over = 1


@jit
def watch(rig: Record, run: Record, body: Record, m: Record, s: Scratch, speed: float, engine: float) -> None:
    """Tell what began in this tick; called while the bike rides, after its step.

    speed   [m/s]    forward
    engine  [rad/s]  crankshaft speed
    """
    R = s.R
    roll, pitch, _ = roll_pitch_yaw((R[0], R[1], R[2], R[3], R[4], R[5], R[6], R[7], R[8]))
    if run.fallen_tick < 0 or body.parts == 0:  # what lies slides on everything, and tells nothing by it
        _slide(run, m, FRONT, s, speed, roll)
        _slide(run, m, REAR, s, speed, roll)
        _lift(run, m, FRONT, s)
        _lift(run, m, REAR, s)
        _pegs(run, m, body, s, roll)
    off = abs(run.offset) > rig.half_width
    if off and run.off_road == 0:
        emit_event(m, EV_RUN_OFF, 0, run.offset)
    run.off_road = 1 if off or (run.off_road == 1 and abs(run.offset) > rig.half_width - 0.3) else 0
    stalled = engine < body.engine_stall_speed
    if stalled and run.stalled == 0:
        emit_event(m, EV_STALL, 0, engine)
    run.stalled = 1 if stalled or (run.stalled == 1 and engine < 1.2 * body.engine_stall_speed) else 0
    if run.fallen_tick < 0 and run.support == FREE:
        limit = body.fall_roll_limit
        if abs(roll) > limit or abs(pitch) > limit:
            run.fallen_tick = run.scenario_tick
            emit_event(m, EV_FALL, _cause(run, roll, pitch, limit), roll)
    if run.fallen_tick >= 0:
        _lie(run, m, body, s, roll)
