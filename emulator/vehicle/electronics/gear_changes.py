"""Changing up with the throttle open, and a clutch that gives way to the wheel.

A quickshifter feels the lever and cuts the ignition, so that the dogs carry nothing and let go; the spark
comes back once the next gear is in, or after ``cut_time``.

A slipper clutch's ramps take its springs' load away as the wheel drives the engine: the torque it holds that
way is less than the one it drives with. By the clutch's own law from lever to torque that is a lever pulled
so far. It knows which way the torque goes from the wind-up of the driveline.

Source: common practice, no source.
"""

from __future__ import annotations

from emulator.core.compiled import Record, jit
from emulator.vehicle.driveline import clutch_capacity


@jit
def cut_for_shift(
    b: Record, asked_up: bool, changing: bool, throttle: float, engine: float, dt: float
) -> bool:
    """Whether the ignition is cut in this tick; ``b.cut`` [s]: how long ago the lever was felt, 0: not.

    asked_up  whether a higher gear than the one engaged is asked for, clutch not pulled
    changing  whether the dogs are between two gears
    engine    [rad/s]
    """
    if b.cut == 0.0:
        if not asked_up or changing or b.cut_spent != 0 or throttle <= 0.0 or engine < b.lowest_engine:
            b.cut_spent = b.cut_spent if asked_up else 0
            return False
        b.cut_spent = 1
    b.cut += dt
    done = not asked_up and not changing
    if done or b.cut > b.cut_dead_time + b.cut_time:
        b.cut = 0.0
        b.cut_spent = 1 if asked_up else 0
        return False
    return bool(b.cut > b.cut_dead_time)


@jit
def slipped_lever(b: Record, par: Record, lever: float, twist: float) -> float:
    """Clutch lever 0..1 that holds what a slipper clutch holds at this ``lever``.

    par    record of the vehicle
    twist  [rad] of the driveline, positive when the engine drives
    """
    if twist >= 0.0 or clutch_capacity(par, lever) <= b.back_torque:
        return lever
    span = max(1e-6, par.clutch_bite_lever - par.clutch_full_lever)
    return float(par.clutch_bite_lever - span * b.back_torque / par.clutch_capacity)
