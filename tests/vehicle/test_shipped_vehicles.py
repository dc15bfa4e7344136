"""Every vehicle that comes with the project stands, and runs straight and turns at the speeds it is for."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from ruamel.yaml import YAML

from emulator.config.vehicle.file import load_vehicle
from emulator.vehicle.equilibrium import standing, steady_motion
from emulator.vehicle.params import RigidMass, Vehicle, vehicle_record
from emulator.vehicle.state import FORK, JOINT, POSITION, SWINGARM

FOLDER = Path(__file__).parents[2] / "scenarios" / "vehicles"
FILES = sorted(FOLDER.glob("*.yaml"))
RANGES = Path(__file__).parents[1] / "reference" / "typical_ranges.yaml"
ROBOT = RigidMass(35.0, 0.5, 0.0, 0.84, 1.8, 2.0, 1.1)  # invented for the test


@pytest.fixture(params=FILES, ids=lambda path: path.stem)
def vehicle(request: pytest.FixtureRequest) -> Vehicle:
    file = load_vehicle(request.param)
    assert file.warnings == []
    return vehicle_record(file.values, file.tables, robot=ROBOT)


def test_it_stands_near_its_design_position(vehicle):
    x = standing(vehicle, 0.0, 0.0, 0.0)
    assert abs(x[POSITION + 2]) < 0.02
    assert abs(x[JOINT + FORK]) < 0.02
    assert abs(x[JOINT + SWINGARM]) < 0.05


def test_it_runs_straight_from_3_to_35_m_s_with_both_wheels_loaded(vehicle):
    steady, torque = None, []
    for speed in (3.0, 5.0, 8.0, 12.0, 17.0, 23.0, 29.0, 35.0):
        steady = steady_motion(vehicle, speed, guess=steady)
        assert min(steady.loads) > 200.0
        torque.append(steady.u[6])
    assert np.all(np.diff(torque) > 0.0)  # air drag grows


@pytest.mark.parametrize("speed", [5.0, 12.0, 25.0])
def test_it_turns_at_30_degrees_of_lean(vehicle, speed):
    steady = None
    for degrees in (10.0, 20.0, 30.0):
        steady = steady_motion(vehicle, speed, math.radians(degrees), guess=steady)
    assert steady is not None
    assert 0.4 < -steady.curvature * speed**2 / 9.81 < math.tan(math.radians(30.0))


def test_the_demo_racer_lies_inside_the_typical_ranges():
    """Ranges with their sources in tests/reference; friction on the first lap's dry road.

    That is the greatest braking force over load, at 20 m/s and twice the nominal load: one wheel carries all.
    """
    ranges = YAML(typ="safe").load(RANGES.read_text())
    values = load_vehicle(FOLDER / "demo_racer.yaml").values
    grip = YAML(typ="safe").load((FOLDER.parent / "runs" / "first_lap.yaml").read_text())["surface"]["grip"]
    shown = [("drag_area_m2", values["air"]["drag_area"])]
    for end in ("front", "rear"):
        tyre, tread = values[f"tyre_{end}"], values[f"tread_{end}"]
        sticking = grip * tyre["friction_x"] * (1.0 - tread["friction_per_load"])
        slip = np.linspace(0.01, 1.0, 1000)
        theta = np.minimum(1.0, tyre["slip_stiffness_per_load"] * slip / (3.0 * sticking))
        r = 1.0 - (1.0 - tread["sliding_friction"]) * (1.0 - np.exp(-slip * 20.0 / tread["sliding_speed"]))
        most = sticking * (3.0 * theta * (1.0 - theta) ** 2 + r * (3.0 * theta**2 - 2.0 * theta**3)).max()
        shown += [
            ("relaxation_length_m", tyre["relaxation_length"]),
            ("cornering_per_load_1_rad", tyre["cornering_per_load"]),
            ("camber_per_load_1_rad", tyre["camber_per_load"]),
            ("longitudinal_friction_dry", float(most)),
        ]
    for name, value in shown:
        low, high = ranges[name]["range"]
        assert low <= value <= high, f"{name}: {value} outside {low} to {high}"
