"""Angle-driven steering: the angle of the real fork as it is measured, or that of a stand-in.

    robot's frame -> [stand-in: drive -> fork -> angle sensor] -> faults -> imposed on the bike

Without a stand-in the robot's frame carries the real fork's angle as the bench measures it. With one it
carries the angle the robot asks of its fork: position control and fork are then one lag with a rate limit,
whatever torque the bike sets against it. The faults are those of the angle sensor.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.signals import R_STEER_ANGLE, V_FORK_ANGLE
from emulator.events.actuator_faults import STEERING, move
from emulator.events.sample_faults import sample_fault
from emulator.events.table import FAULT


@jit
def measured_angle(
    c: Record,
    r: Record,
    robot: NDArray[np.float64],
    actuators: NDArray[np.void],
    events: NDArray[np.void],
    past: NDArray[np.float64],
    streams: NDArray[np.uint64],
    riding: bool,
) -> float:
    """Angle of the fork [rad] as measured in this tick, positive to the left; call every tick.

    robot      (13,) last valid values of the robot, ROBOT_COMMANDS
    actuators  (6,) by channel: the stand-in's drive is that of the steering
    past       (N, 2, PAST) what the delays of the events (N,) remember
    Before the first angle has come: straight ahead.
    """
    angle = robot[R_STEER_ANGLE]
    if c.fork_stands_in != 0:
        angle = move(actuators[STEERING], angle, c.fork_gain, c.fork_step, -c.fork_limit, c.fork_limit)
        if c.fork_resolution > 0.0:
            angle = c.fork_resolution * float(np.rint(angle / c.fork_resolution))
    if math.isnan(angle):
        return 0.0
    for i in range(events.shape[0]):
        e = events[i]
        if e.kind == FAULT and e.signal == V_FORK_ANGLE:
            angle = sample_fault(e, angle, past[i, 0], r.scenario_tick, 0.0 if riding else 1.0, streams)
    return float(angle)
