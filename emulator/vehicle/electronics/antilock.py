"""Brakes that do not lock: pressure is let off, held and built up again by each wheel's slip and rate.

    passes --slips--> lets off --runs up--> holds --rolls again--> builds --slips--> lets off
                                                                  builds --at the lever's--> passes

A wheel slips that is slower than the bike by more than ``most_slip``, or by more than ``slip`` while its rim
slows faster than a bike can. It is let off until it runs up, held until it rolls, and then gets a share of
the pressure at which it slipped at once and the rest ever faster, so that a road that grips again is found
within a second.

Two things hold the front brake back before its wheel slips. In the bike's own axes the specific force points
at the front contact just as the rear wheel leaves the road: its part to the rear over its part upward is then
the ratio of the mass centre's places, whatever the slope. And leaned over the tyres have less to give along:
with the lean, slip thresholds and that share go with the friction ellipse, and pressure rises no faster than
it is built up.

Source: thresholds of slip and of the rim's deceleration and acceleration, the order of phases: M. Burckhardt,
*Fahrwerktechnik: Radschlupf-Regelsysteme* (1993); S. M. Savaresi and M. Tanelli, *Active Braking Control
Systems Design for Vehicles* (2010); both from memory. What is done with lean and lift: own, from the
mechanics.
"""

from __future__ import annotations

import math

from emulator.core.compiled import Record, jit
from emulator.core.signals import ANTILOCK
from emulator.vehicle.electronics.brake_line import LET_OFF, OPEN, SHUT, modulate
from emulator.vehicle.electronics.wheel_speeds import FRONT, REAR, along, follow_bike

PASSES, LETS_OFF, HOLDS, BUILDS = range(4)
"""Phases of one brake."""

_ON = 5e4  # [Pa] from which a brake is on
_AT_ONCE = 0.85  # of the pressure at which a wheel slipped
_HASTE = 0.25  # [s] after which pressure is built up twice as fast
_NEAR = 0.85  # of the share at which a wheel lifts, from which pressure rises ever slower
_AGAINST_LIFT = 1e7  # [Pa/s] that pressure falls, times what is beyond the share over it
_LEAD = 0.1  # [s] by which the pitch rate looks ahead of that share
_UPRIGHT = 0.17  # [rad] lean up to which pressure rises as the hand has it
_LEAST_FORCE = 3.0  # [m/s^2] upward, below which the bike flies and its share says nothing


@jit
def brake(
    b: Record,
    front_master: float,
    rear_master: float,
    felt_ahead: float,
    felt_up: float,
    pitch_rate: float,
    dt: float,
) -> None:
    """One tick of the unit; ``b.pressure`` (2,) then holds the pressures at front and rear caliper [Pa].

    b           record of the units (emulator.vehicle.electronics.record), after this tick's ``follow_wheels``
    master      [Pa] at the two master cylinders
    felt        [m/s^2] specific force ahead and upward, pitch_rate [rad/s] nose down, in the bike's axes;
                NaN: unknown, nothing is done against lifting
    """
    follow_bike(b, max(front_master, rear_master) > _ON, felt_ahead, dt)
    left = along(b.full_lean, b.tilt)
    lifting, turning = 0.0, 0.0 if math.isnan(pitch_rate) else pitch_rate
    if felt_up > _LEAST_FORCE:
        lifting = (-felt_ahead / felt_up + _LEAD * turning) / (b.brake_lift_share * max(0.05, left))
    b.command_at = (b.command_at + 1) % b.commands.shape[1]
    _line(b, FRONT, front_master, lifting, left, dt)
    _line(b, REAR, rear_master, 0.0, left, dt)


@jit
def _line(b: Record, k: int, master: float, lifting: float, left: float, dt: float) -> None:
    """One brake: its phase, and what its valves are told."""
    if b.failed != 0 or b.off[ANTILOCK] != 0 or master < _ON or b.reference < b.lowest_speed:
        b.phase[k] = PASSES
        modulate(b, k, master, OPEN, math.inf)
        return
    slip, rate = 1.0 - b.speed[k] / b.reference, b.rate[k]
    few, many = b.slip * left, b.most_slip * left
    slips = slip > many or (slip > few and rate < -b.deceleration)
    phase = b.phase[k]
    if phase in (PASSES, BUILDS):
        if slips:
            phase, b.slipped_at[k] = LETS_OFF, b.pressure[k]
    elif phase == LETS_OFF:
        if rate > b.acceleration or (slip < few and rate > -b.deceleration):
            phase = HOLDS
    elif slips and rate < 0.0:
        phase = LETS_OFF
    elif slip < few:
        phase, b.built[k] = BUILDS, 0.0
        b.allowed[k] = max(b.pressure[k], _AT_ONCE * b.slipped_at[k])
    if phase == PASSES and (lifting > _NEAR or b.tilt > _UPRIGHT):
        phase, b.built[k], b.allowed[k] = BUILDS, 0.0, b.pressure[k]
    if phase == BUILDS:
        if lifting > 1.0:
            b.allowed[k] = min(b.allowed[k], b.pressure[k]) - _AGAINST_LIFT * (lifting - 1.0) * dt
            b.allowed[k], b.built[k] = max(0.0, b.allowed[k]), 0.0
        else:
            room = min(1.0, (1.0 - lifting) / (1.0 - _NEAR))
            b.built[k] += dt
            b.allowed[k] += room * b.build_rate * (1.0 + b.built[k] / _HASTE) * dt
        if b.allowed[k] >= master:
            phase = PASSES
    b.phase[k] = phase
    if phase == PASSES:
        modulate(b, k, master, OPEN, math.inf)
    elif phase == LETS_OFF:
        modulate(b, k, master, LET_OFF, 0.0)
    elif phase == HOLDS:
        modulate(b, k, master, SHUT, 0.0)
    else:
        modulate(b, k, master, LET_OFF if lifting > 1.0 else OPEN, b.allowed[k])
