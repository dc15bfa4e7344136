"""The yardstick of the bench table is the same machine, to the last digits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from emulator.config.vehicle.file import load_vehicle
from emulator.vehicle.params import vehicle_record
from emulator.vehicle.state import JOINT, JOINT_RATE, N_X, OMEGA, POSITION, QUATERNION
from tests.bench.yardstick import Yardstick

DEMO = Path(__file__).parents[2] / "scenarios" / "vehicles" / "demo_racer.yaml"


@pytest.fixture(scope="module")
def stick() -> Yardstick:
    file = load_vehicle(str(DEMO))
    return Yardstick(vehicle_record(file.values, file.tables).body[0])


def test_it_accelerates_as_our_tree_does(stick: Yardstick) -> None:
    rng = np.random.default_rng(7)
    for _ in range(200):
        x = np.zeros(N_X)
        q = rng.normal(size=4)
        x[QUATERNION : QUATERNION + 4] = q / np.linalg.norm(q)
        x[POSITION : POSITION + 3] = rng.uniform(-50.0, 50.0, 3)
        x[JOINT : JOINT + 6] = rng.uniform(-0.3, 0.3, 6)
        x[OMEGA : OMEGA + 3] = rng.uniform(-15.0, 15.0, 3)
        x[OMEGA + 3 : OMEGA + 6] = rng.uniform(-80.0, 80.0, 3)
        x[JOINT_RATE : JOINT_RATE + 6] = rng.uniform(-30.0, 30.0, 6)
        assert stick.disagreement(x, rng.uniform(-300.0, 300.0, 6)) < 1e-9


def test_it_carries_nothing_but_the_tree(stick: Yardstick) -> None:
    m = stick.model
    assert (m.nv, m.nbody - 1, m.nu, m.ngeom, m.neq, m.nsensor) == (12, 6, 0, 0, 0, 0)
    assert not m.jnt_stiffness.any()
    assert not m.dof_damping.any()
    assert not m.dof_armature.any()
    assert not m.dof_frictionloss.any()
    assert not m.jnt_limited.any()
    assert m.opt.timestep == 1e-3
