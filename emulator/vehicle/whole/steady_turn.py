"""A steady turn at a lean: the steering torque that holds it, and how it turns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from emulator.vehicle.quasi_steady import (
    ACCELERATION,
    FRONT_BRAKE,
    N_STEER,
    N_UNKNOWNS,
    ROLL,
    STEER_TORQUE,
    YAW_RATE,
    Machine,
    solve,
    start,
)

_DRY = 1.0  # [1] grip of the road
_STEP = math.radians(4.0)  # of lean, from one turn to the next


class Turn(NamedTuple):
    """A turn at constant speed, driven by the rear wheel, on a level road.

    lean          [rad]   positive to the right; the other signs go with the turn, whatever its side
    steer_torque  [N m]   that the rider steers with, positive into the turn
    steer         [rad]   steering angle, positive into the turn
    yaw_rate      [rad/s] positive
    """

    lean: float
    steer_torque: float
    steer: float
    yaw_rate: float


def steady_turns(c: Machine, speed: float, leans: Sequence[float], engine: float) -> list[Turn | None]:
    """Turns to the right at a speed and each lean; None where grip or steering does not reach.

    speed   [m/s]
    leans   [rad]    rising from above 0
    engine  [rad/s]  crankshaft, whose angular momentum leans with the bike
    The last turn found is left in ``c``.
    """
    stop = float(c.body[0]["steering_stop_angle"])
    kinds, n = np.array([ROLL, FRONT_BRAKE, ACCELERATION]), np.empty(N_UNKNOWNS)
    start(c, speed, n)
    turns: list[Turn | None] = []
    before, lost = 0.0, not solve(c, speed, _DRY, engine, True, kinds, np.zeros(3), n)
    for lean in leans:
        for part in np.linspace(before, lean, 1 + math.ceil((lean - before) / _STEP))[1:]:
            lost = lost or not solve(c, speed, _DRY, engine, True, kinds, np.array([part, 0.0, 0.0]), n)
        before = lean
        if lost or abs(n[N_STEER]) > stop:
            turns.append(None)
            continue
        turns.append(Turn(lean, -float(n[STEER_TORQUE]), -float(n[N_STEER]), -float(n[YAW_RATE])))
    return turns
