"""Mass, mass centre and inertia of the whole bike: against plain sums over its bodies."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.vehicle.whole.mass_properties import BODIES, mass_properties, total_mass
from tests.support.machines import ROBOT, demo, demo_file

WHEELS = ("rear_wheel", "front_wheel")


def test_they_are_the_sums_over_the_bodies() -> None:
    """Parallel-axis theorem at the design position; standing, the springs change that by millimetres."""
    values = demo_file().values
    parts = [(v["mass"], v["x"], v["z"], *_inertias(name, v)) for name in BODIES for v in (values[name],)]
    parts.append((ROBOT.mass, ROBOT.x, ROBOT.z, ROBOT.ixx, ROBOT.iyy, ROBOT.izz, 0.0))
    m, x, z, ixx, iyy, izz, ixz = np.array(parts).T
    mass = m.sum()
    dx, dz = x - (m @ x) / mass, z - (m @ z) / mass
    found = mass_properties(demo())
    assert found.mass == pytest.approx(mass)
    assert found.ahead == pytest.approx((m @ x) / mass, abs=0.006)
    assert found.height == pytest.approx((m @ z) / mass, abs=0.015)
    assert found.ixx == pytest.approx((ixx + m * dz**2).sum(), rel=0.03)
    assert found.iyy == pytest.approx((iyy + m * (dx**2 + dz**2)).sum(), rel=0.02)
    assert found.izz == pytest.approx((izz + m * dx**2).sum(), rel=0.02)
    assert found.ixz == pytest.approx((ixz + m * dx * dz).sum(), abs=0.8)
    assert total_mass(demo()) == pytest.approx(mass)


def _inertias(name: str, v: dict[str, float]) -> tuple[float, float, float, float]:
    if name in WHEELS:
        return v["diametral_inertia"], v["spin_inertia"], v["diametral_inertia"], 0.0
    return v["ixx"], v["iyy"], v["izz"], v["ixz"]


def test_the_loads_balance_about_the_rear_contact() -> None:
    found = mass_properties(demo())
    assert found.front_share == pytest.approx(found.ahead / found.wheelbase, abs=0.002)
    assert found.wheelbase == pytest.approx(1.42, abs=0.01)
