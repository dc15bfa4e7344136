"""A steering angle that comes from outside in steps, and the bike's steering that follows it smoothly.

The equations of motion need an acceleration. A critically damped follower makes one of the angle:

    steer'' = w^2 (angle - steer) - 2 w steer'
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.vehicle.state import JOINT, JOINT_RATE, STEER, U_STEER_ACCELERATION, U_STEER_IMPOSED

FOLLOWER_RATE = 2.0 * math.pi * 20.0
"""[rad/s] w: the steering is 2/w = 16 ms behind the angle. Above what a fork is turned with; faster, a step
of the angle's frame would be felt as a knock of the reaction torque. Common practice, no source."""


@jit
def impose(angle: float, x: NDArray[np.float64], u: NDArray[np.float64]) -> None:
    """Make the steering follow ``angle`` [rad, positive to the left] until the next call.

    x, u  (N_X,), (N_U,) as in :mod:`emulator.vehicle.state`; call every tick. The reaction torque is then
    left in the scratch memory of a derivative.
    """
    u[U_STEER_IMPOSED] = 1.0
    u[U_STEER_ACCELERATION] = (
        FOLLOWER_RATE * FOLLOWER_RATE * (angle - x[JOINT + STEER])
        - 2.0 * FOLLOWER_RATE * x[JOINT_RATE + STEER]
    )
