"""What the row of recorded signals says of the bike's state."""

from __future__ import annotations

import numpy as np

from emulator.core.signals import INDEX, SIGNALS
from emulator.events.actuator_faults import ACTUATOR_DTYPE
from emulator.plant.records import RUN_DTYPE
from emulator.plant.row import fill_truth
from emulator.vehicle.state import BEND, JOINT, N_U, N_X, QUATERNION, SWAY, TORSION, scratch
from tests.support.machines import mounted


def test_what_gives_is_recorded_where_it_is() -> None:
    """Twist of the frame, bending of the fork, the robot's roll in its mount: each from its own state."""
    x, row = np.zeros(N_X), np.full(len(SIGNALS), np.nan)
    x[QUATERNION], x[JOINT + TORSION], x[BEND], x[SWAY] = 1.0, 0.01, 0.02, 0.03
    run, actuators = np.zeros(1, RUN_DTYPE), np.zeros(6, ACTUATOR_DTYPE)
    fill_truth(row, run[0], mounted(bends=3e4).body[0], x, np.zeros(N_U), actuators, scratch()[0])
    names = ("truth.frame_torsion_rad", "truth.fork_bending_rad", "truth.robot_sway_rad")
    assert [float(row[INDEX[name]]) for name in names] == [0.01, 0.02, 0.03]
