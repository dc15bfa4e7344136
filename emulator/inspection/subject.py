"""The vehicle that a command looks at: a vehicle file's, or a rig file's, with the rig's robot on it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from emulator.config.based_on import load_with_bases
from emulator.config.rig.file import Rig, load_rig, vehicle_path
from emulator.config.rig.frames import read_codec
from emulator.config.vehicle.file import VehicleFile, load_vehicle
from emulator.core.errors import ConfigError, Problem
from emulator.vehicle.params import RigidMass, Vehicle, vehicle_record
from emulator.wire.can_frames import Codec


@dataclass(frozen=True)
class Subject:
    """What is looked at.

    file      the vehicle's
    vehicle   with the robot on it, if there is a rig
    rig, rig_file, codec  whose robot it is; all None: none
    """

    file: VehicleFile
    vehicle: Vehicle
    rig: Rig | None
    rig_file: Path | None
    codec: Codec | None

    @property
    def name(self) -> str:
        """Vehicle, robot and rig in a line."""
        rig = self.rig
        return self.file.name + (f" with {rig.robot.name}, {rig.name}" if rig is not None else "")


def subject_of(file: Path, rig_file: Path | None) -> Subject:
    """The vehicle of a vehicle file or of a rig file.

    rig_file  a rig whose robot rides the vehicle; its own vehicle stays out of it. None: the first rig file
              of a folder ``rigs`` beside the vehicle's that names this vehicle, rather one based on no other
    Raises ConfigError with every problem of the files; ValueError for a rig beside a rig.
    """
    rig: Rig | None = None
    codec: Codec | None = None
    whole = load_with_bases(file)
    if whole.data.get("kind") == "data_sheet":
        text = "expected a vehicle or rig file, got 'data_sheet'; emulator vehicle new makes a vehicle of it"
        raise ConfigError([whole.problem(("kind",), text)])
    if whole.data.get("kind") == "rig":
        if rig_file is not None:
            raise ValueError(f"expected a vehicle file beside --rig, got the rig file {file}")
        rig, source = load_rig(file)
        codec = read_codec(rig, source)
        vehicle_file = load_vehicle(vehicle_path(rig, source))
    else:
        problems: list[Problem] = []
        if rig_file is None:
            rig_file = _rig_beside(file)
        if rig_file is not None:
            try:
                rig, source = load_rig(rig_file)
                codec = read_codec(rig, source)
            except ConfigError as error:
                problems += error.problems
        try:
            vehicle_file = load_vehicle(file)
        except ConfigError as error:
            problems += error.problems
        if problems:
            raise ConfigError(problems)
    robot = None
    if rig is not None:
        robot = RigidMass(rig.robot.mass_kg, *rig.robot.position_m, *rig.robot.inertia_kg_m2)
    vehicle = vehicle_record(vehicle_file.values, vehicle_file.tables, robot=robot)
    return Subject(vehicle_file, vehicle, rig, rig_file, codec)


def _rig_beside(file: Path) -> Path | None:
    """A rig file in ``../rigs`` that names the vehicle file and can be read, rather one based on no other."""
    found: list[tuple[int, Path]] = []
    for candidate in sorted((file.resolve().parent.parent / "rigs").glob("*.yaml")):
        try:
            rig, source = load_rig(candidate)
        except ConfigError:
            continue
        if Path(vehicle_path(rig, source)).resolve() == file.resolve():
            found.append((len(source.bases), candidate))
    return Path(os.path.relpath(min(found)[1])) if found else None
