"""Engine, clutch, gearbox and brakes as torques; chain as a force between main frame and rear wheel.

Clutch and brakes are the same element: a torsion spring with damping whose torque can't pass a friction
limit. Within the limit it sticks (and so holds at rest), beyond it slips; the twist is brought back to the
limit after each step (:mod:`emulator.vehicle.integrate`). The spring of the clutch stands for the whole
driveline's compliance.
"""

from __future__ import annotations

import math

from emulator.core.compiled import Record, jit
from emulator.vehicle.params import TORQUE_POINTS

TOP_GEAR = 6
"""The highest gear; there is no gear 0: that is neutral."""


@jit
def engine_drag(par: Record, speed: float) -> float:
    """Crankshaft torque [N m] at ``speed`` [rad/s] of an engine that burns nothing."""
    return -(par.engine_drag_torque + par.engine_drag_torque_per_speed * abs(speed)) * math.tanh(speed / 5.0)


@jit
def engine_torque(par: Record, speed: float, throttle: float, idle_held: float) -> float:
    """Crankshaft torque [N m] at ``speed`` [rad/s] and ``throttle`` 0..1.

    Between closed-throttle drag and the full-throttle curve, in proportion to the throttle; idle control
    adds ``idle_held`` [N m], its integral part, and more below idle speed; the limiter takes the drive away
    over its last 2 % of speed; below stall speed the engine only drags, and fires again once something (the
    clutch) turns it faster. Source: common practice, no source.
    """
    drag = engine_drag(par, speed)
    if speed < par.engine_stall_speed:
        return drag
    curve = par.torque_value[TORQUE_POINTS - 1]
    if speed <= par.torque_speed[0]:
        curve = par.torque_value[0]
    else:
        for i in range(1, TORQUE_POINTS):
            if speed < par.torque_speed[i]:
                left = par.torque_speed[i - 1]
                part = (speed - left) / (par.torque_speed[i] - left)
                curve = par.torque_value[i - 1] + part * (par.torque_value[i] - par.torque_value[i - 1])
                break
    over = (speed - par.engine_limiter_speed) / (0.02 * par.engine_limiter_speed)
    drive = throttle * (curve - drag) * min(1.0, max(0.0, -over))
    idle = idle_held + par.engine_idle_torque_per_speed * max(0.0, par.engine_idle_speed - speed)
    idle = min(idle, par.engine_idle_torque)
    return drag + drive + min(idle, max(0.0, curve - drag - drive))


@jit
def idle_rate(par: Record, speed: float, idle_held: float) -> float:
    """Rate [N m/s] of the idle control's integral part, which stays within 0 and ``engine_idle_torque``."""
    rate = par.engine_idle_torque_per_angle * (par.engine_idle_speed - speed)
    if (rate < 0.0 and idle_held <= 0.0) or (rate > 0.0 and idle_held >= par.engine_idle_torque):
        return 0.0
    return float(rate)


@jit
def fade(par: Record, temperature: float) -> float:
    """Brake torque left at a disc ``temperature`` [K] above the air, 1 when cold.

    Falling like 1 / (1 + excess): continuous, never below zero. Source: common practice, no source.
    """
    return 1.0 / (1.0 + par.brakes_fade_per_kelvin * max(0.0, temperature - par.brakes_fade_from))


@jit
def clutch_capacity(par: Record, lever: float) -> float:
    """Torque [N m] the clutch can hold at a lever position 0 (released) .. 1 (pulled)."""
    span = max(1e-6, par.clutch_bite_lever - par.clutch_full_lever)
    part = (par.clutch_bite_lever - lever) / span
    return float(par.clutch_capacity * min(1.0, max(0.0, part)))


@jit
def stick_slip(stiffness: float, damping: float, twist: float, rate: float, capacity: float) -> float:
    """Torque of a spring-damper limited to +-capacity [N m]."""
    return min(capacity, max(-capacity, stiffness * twist + damping * rate))


@jit
def gear_ratio(par: Record, gear: int) -> float:
    """Gearbox input over output speed; 0 in neutral."""
    if gear == 1:
        return float(par.gearbox_gear_1)
    if gear == 2:
        return float(par.gearbox_gear_2)
    if gear == 3:
        return float(par.gearbox_gear_3)
    if gear == 4:
        return float(par.gearbox_gear_4)
    if gear == 5:
        return float(par.gearbox_gear_5)
    if gear == 6:
        return float(par.gearbox_gear_6)
    return 0.0


def overall_ratio(par: Record, gear: int) -> float:
    """Engine speed over rear wheel speed; 0 in neutral."""
    final = float(par["final_drive_rear_radius"]) / float(par["final_drive_front_radius"])
    return float(par["gearbox_primary"]) * gear_ratio(par, gear) * final


def lowest_gear(par: Record, wheel: float, most: float) -> int:
    """The lowest gear in which the engine turns no faster than ``most``, else the highest.

    wheel, most  [rad/s] of the rear wheel and of the engine
    """
    return next((g for g in range(1, TOP_GEAR) if wheel * overall_ratio(par, g) <= most), TOP_GEAR)
