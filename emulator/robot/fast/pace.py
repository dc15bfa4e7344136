"""The figures of fast riding, and what braking takes off the steering.

Braked hard a bike's rear wheel hardly presses: its swing about the front wheel, 8 to 15 rad/s, is then next
to undamped, and gains made for a steady ride drive it. Hands off it is stable. So the harder it brakes, the
less the robot steers after its balance and its line.
Chosen by riding unless said otherwise: common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np

from emulator.core.compiled import jit
from emulator.vehicle.equilibrium import AIR_DENSITY
from emulator.vehicle.params import Vehicle
from emulator.vehicle.quasi_steady import (
    ACCELERATION,
    FRONT_BRAKE,
    N_UNKNOWNS,
    REAR_TORQUE,
    ROLL,
    STEER_TORQUE,
    machine,
    solve,
    start,
)

PREVIEW = 0.28
"""[s] of the line: what the roll target's filter and the balance take."""
ROLL_LIMIT = math.radians(55.0)
"""[rad] of the roll target: the last of the tables of steady turns."""
ROLL_RATE_LIMIT = 1.6
"""[rad/s] of the roll target."""
LEANING_RATE = 1.3
"""[rad/s] Roll rate that the target speed asks for at most."""
UP = 0.95
"""Engine speed to change up at, over the limiter's: it cuts from 0.98 on."""
DOWN_TO = 0.85
"""Engine speed that changing down may lead to, over the limiter's."""
_BRAKED_FROM, _BRAKED_TO = 2.0, 7.0  # [m/s^2] of deceleration: nothing is taken off; all of it
_GAINS_LEFT, _PATH_LEFT = 0.5, 0.7  # of the balance gains and of the rate of the return to the line
_ARM_SPEED, _ARM_ROLL, _ARM_BRAKING = 20.0, math.radians(25.0), 4.0  # a motion that every bike can ride


@jit
def gains_left(wanted: float) -> float:
    """Share [1] of the balance gains that is left while an acceleration [m/s^2] is wanted."""
    return 1.0 - (1.0 - _GAINS_LEFT) * _braked(wanted)


@jit
def path_left(wanted: float) -> float:
    """The same of the rate of the return to the line."""
    return 1.0 - (1.0 - _PATH_LEFT) * _braked(wanted)


@jit
def _braked(wanted: float) -> float:
    return float(min(1.0, max(0.0, (-wanted - _BRAKED_FROM) / (_BRAKED_TO - _BRAKED_FROM))))


def brake_arm(vehicle: Vehicle) -> float:
    """Arm [m] about the steering axis of the front brake's force, over the sine of the roll.

    Leaning, the front wheel touches beside the steering's plane, and its brake turns it into the turn: the
    steering torque that holds it is this arm times force and sin(roll). Of the plant's own quasi-steady
    motions, braked and not; 0 where there are none.
    """
    c = machine(vehicle.body, vehicle.tyre, AIR_DENSITY)
    n = np.zeros(N_UNKNOWNS)
    start(c, _ARM_SPEED, n)
    torques, brakes = [], []
    for roll, braking in ((0.0, 0.0), (_ARM_ROLL / 2.0, 0.0), (_ARM_ROLL, 0.0), (_ARM_ROLL, _ARM_BRAKING)):
        other = REAR_TORQUE if braking > 0.0 else FRONT_BRAKE  # that does nothing then
        kinds, values = np.array([ROLL, ACCELERATION, other]), np.array([roll, -braking, 0.0])
        if not solve(c, _ARM_SPEED, 1.0, 0.0, True, kinds, values, n):
            return 0.0
        torques.append(float(n[STEER_TORQUE]))
        brakes.append(float(n[FRONT_BRAKE]) / float(vehicle.tyre[1]["radius"]))
    return (torques[-1] - torques[-2]) / ((brakes[-1] - brakes[-2]) * math.sin(_ARM_ROLL))
