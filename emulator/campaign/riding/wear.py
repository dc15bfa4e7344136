"""What a run wore of the robot's actuators, counted from its record: swings, strokes, gear changes.

A night on the bench moves real actuators. How often is what their makers give a life for.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.signals import RUNNING
from emulator.record.reader import Run

SWING_RAD = 0.5 * np.pi / 180.0
"""A steering angle beyond this to one side and then to the other is a swing; our own choice, no source."""
SWING_Nm = 2.0
"""The same of its torque, where the robot does not tell its angle."""
PRESSED_Pa, LET_GO_Pa = 1.0e5, 0.5e5
"""A brake is pressed from the first pressure on, and let go below the second; our own choice, no source."""


class Wear(NamedTuple):
    """How often, while the bench was running.

    steering_cycles  swings to one side and to the other, both together one
    front_brake_strokes, rear_brake_strokes  times a brake was pressed
    gear_changes     requests of another gear
    """

    steering_cycles: int = 0
    front_brake_strokes: int = 0
    rear_brake_strokes: int = 0
    gear_changes: int = 0


def wear_of(run: Run) -> Wear:
    """What a run wore; nothing of what its record does not have."""
    state = run.signals.get("bench.state")
    running = np.zeros(len(run.tick), bool) if state is None else state == RUNNING

    def column(name: str) -> NDArray[np.float64]:
        values = run.signals.get(name)
        part = np.zeros(0) if values is None else values[running]
        return part[np.isfinite(part)]

    angle = column("robot.steering_angle_rad")
    swings = sides(angle, SWING_RAD) if len(angle) else sides(column("actuator.steering_torque_Nm"), SWING_Nm)
    gear = column("robot.gear_request")
    return Wear(
        steering_cycles=swings // 2,
        front_brake_strokes=strokes(column("actuator.front_brake_Pa"), LET_GO_Pa, PRESSED_Pa),
        rear_brake_strokes=strokes(column("actuator.rear_brake_Pa"), LET_GO_Pa, PRESSED_Pa),
        gear_changes=int(np.count_nonzero(np.diff(gear))),
    )


def sides(values: NDArray[np.float64], beyond: float) -> int:
    """How often a value gets beyond the bound to one side, each time after the other side or the first."""
    side = np.sign(values[np.abs(values) > beyond])
    return int(np.count_nonzero(np.diff(side)) + (len(side) > 0))


def strokes(values: NDArray[np.float64], low: float, high: float) -> int:
    """How often a value rises above ``high``, each time from below ``low`` or as the first."""
    pressed = np.where(values > high, 1, np.where(values < low, 0, -1))
    pressed = pressed[pressed >= 0]
    return int(np.count_nonzero(np.diff(pressed) > 0) + (len(pressed) > 0 and pressed[0] == 1))
