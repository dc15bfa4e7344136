"""What a steady turn takes by record and by model: torque, steering angle and slip over lean and speed.

Of the record those stretches are taken in which speed and lean hardly change; the model's own is the steady
motion at that speed and lean on a level road. Neither knows of the other's rider.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from emulator.record.reader import Run
from emulator.track.comparison.playing import Values
from emulator.track.comparison.readings import row_ticks
from emulator.vehicle.equilibrium import NoEquilibrium
from emulator.vehicle.modes import SteadyTurns
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    FRONT,
    JOINT,
    N_X,
    REAR,
    STEER,
    T_SLIP_ANGLE,
    U_STEER_TORQUE,
    scratch,
)

STRETCH_s = 0.6
MOST_ROLL_RATE_rad_s = math.radians(4.0)
MOST_ACCELERATION_m_s2 = 0.8
LEAST_SPEED_m_s = 5.0

FIGURES: tuple[tuple[str, str, str, float], ...] = (
    ("actuator.steering_torque_Nm", "steering torque", "N m", 1.0),
    ("truth.steer_rad", "steering angle", "°", 180.0 / math.pi),
    ("truth.slip_angle_front_rad", "front slip", "°", 180.0 / math.pi),
    ("truth.slip_angle_rear_rad", "rear slip", "°", 180.0 / math.pi),
)
"""Column, words, unit, and how many of the unit in one of SI; in the order of ``recorded`` and ``model``."""


class Turn(NamedTuple):
    """A steady stretch of a record: mean speed [m/s] and lean [rad], positive to the right, and figures (4,)
    in SI, of the record and of the model; NaN where the record has none or the model no such motion."""

    time_s: float
    speed: float
    lean: float
    recorded: Values
    model: Values


def steady_turns(run: Run, vehicle: Vehicle) -> tuple[Turn, ...]:
    """The steady stretches of a record, none over another, in their order."""
    if not {"truth.speed_m_s", "truth.roll_rad"} <= set(run.signals):
        return ()
    rows = max(4, round(STRETCH_s * 1e3 / row_ticks(run)))
    speed, lean = run.signals["truth.speed_m_s"], run.signals["truth.roll_rad"]
    held = run.signals.get("truth.support", np.zeros(len(speed)))
    turns, found, k = SteadyTurns(vehicle), [], 0
    span_s = (rows - 1) * row_ticks(run) / 1e3
    while k + rows <= len(speed):
        here = slice(k, k + rows)
        k += rows
        if np.any(held[here] > 0.0) or not np.isfinite(speed[here] + lean[here]).all():
            continue
        v, roll = float(np.mean(speed[here])), float(np.mean(lean[here]))
        steady = (
            v > LEAST_SPEED_m_s
            and _change(speed[here]) < MOST_ACCELERATION_m_s2 * span_s
            and _change(lean[here]) < MOST_ROLL_RATE_rad_s * span_s
        )
        if steady:
            recorded = np.array([_mean(run, name, here) for name, *_ in FIGURES])
            found.append(Turn(float(run.time_s[here.start]), v, roll, recorded, _model(turns, v, roll)))
    return tuple(found)


def _change(values: Values) -> float:
    """How far values go from the first third to the last: noise averages out of it."""
    third = max(1, len(values) // 3)
    return abs(float(np.mean(values[-third:]) - np.mean(values[:third]))) * 1.5


def _mean(run: Run, name: str, here: slice) -> float:
    if name not in run.signals:
        return math.nan
    values = run.signals[name][here]
    return float(np.mean(values)) if np.isfinite(values).all() else math.nan


def _model(turns: SteadyTurns, speed: float, lean: float) -> Values:
    """Figures (4,) of the model's steady motion; NaN without one."""
    try:
        steady = turns.at(speed, lean)
    except NoEquilibrium:
        return np.full(len(FIGURES), math.nan)
    from emulator.vehicle.dynamics import derivative

    work, rate = scratch(), np.zeros(N_X)
    derivative(turns.vehicle.body, turns.vehicle.tyre, steady.x, steady.u, work, rate)
    slip = [float(work[0]["tyre"][which, T_SLIP_ANGLE]) for which in (FRONT, REAR)]
    return np.array([float(steady.u[U_STEER_TORQUE]), float(steady.x[JOINT + STEER]), *slip])
