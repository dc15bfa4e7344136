"""The bike of the demo rig, with its robot, as tests of logs need it."""

from __future__ import annotations

from emulator.config.rig.file import load_rig, vehicle_path
from emulator.config.vehicle.file import load_vehicle
from emulator.vehicle.params import RigidMass, Vehicle, vehicle_record
from tests.guide.markdown import ROOT

RIG = ROOT / "scenarios" / "rigs" / "loopback.yaml"
LAG_s = 0.008
"""Of its steering's actuator."""


def demo_bike() -> tuple[Vehicle, dict[str, dict[str, float]]]:
    """The vehicle and the values of its file."""
    rig, source = load_rig(RIG)
    file, r = load_vehicle(vehicle_path(rig, source)), rig.robot
    robot = RigidMass(r.mass_kg, *r.position_m, *r.inertia_kg_m2)
    return vehicle_record(file.values, file.tables, robot=robot), file.values
