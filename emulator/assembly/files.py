"""The files of a ride, read and held against each other; whatever is wrong in any of them is told at once.

Rides, replays, checks and the sensors' inspection read them by these functions and no others.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

from emulator.config.based_on import File, kind_of, load_with_bases, source_of
from emulator.config.rig.consistency import robot_tips_over
from emulator.config.rig.file import Rig, load_rig, vehicle_path
from emulator.config.rig.frames import frame_contradictions, read_codec
from emulator.config.rig.on_bench import bench_findings
from emulator.config.scenario.circuit import load_circuit
from emulator.config.scenario.event_needs import unmet_needs
from emulator.config.scenario.schema import Scenario, load_scenario
from emulator.config.software.own_software import who_is_stepped, wrong_class
from emulator.config.software.stepped_robot import PythonRobot
from emulator.config.vehicle.change import changed_values
from emulator.config.vehicle.electronics import without_sections
from emulator.config.vehicle.file import VehicleFile, load_vehicle
from emulator.config.yaml_source import Source, beside
from emulator.core.errors import ConfigError, Problem
from emulator.wire.can_frames import Codec

Stage: TypeAlias = Literal["bench", "virtual", "replay", "none"]
"""Where files are to be ridden, or ridden again; none: who rides does not matter yet."""


@dataclass(frozen=True)
class RideFiles:
    """The files that are no circuit, each right by itself and to each other; ``unwise``: warnings."""

    rig: Rig
    rig_source: Source
    scenario: Scenario
    scenario_source: Source
    vehicle_file: VehicleFile
    codec: Codec
    unwise: list[Problem]


@dataclass(frozen=True)
class RigSide:
    """A rig with its vehicle and its frames; what can't be had is None, and ``problems`` say why."""

    rig: Rig | None
    source: Source | None
    vehicle_file: VehicleFile | None
    codec: Codec | None
    problems: tuple[Problem, ...]
    unwise: tuple[Problem, ...]


@dataclass(frozen=True)
class ScenarioSide:
    """A scenario by itself, with its line; None where it is not right, and ``problems`` say why."""

    scenario: Scenario | None
    source: Source | None
    problems: tuple[Problem, ...]


def read_files(
    rig_file: File,
    scenario_file: File,
    vehicle: File | None,
    parameters: Mapping[str, int | float] | None,
    *,
    stage: Stage,
    robot: PythonRobot | None = None,
) -> RideFiles:
    """Raises ConfigError with the problems of all of them; arguments: see load_session."""
    on = read_rig_side(rig_file, vehicle, stage=stage, robot=robot)
    if on.rig is None and (swapped := _swapped(rig_file, scenario_file)):
        raise ConfigError([swapped])
    return together(on, read_scenario_side(scenario_file, parameters, stage=stage))


def read_rig_side(
    rig_file: File, vehicle: File | None, *, stage: Stage, robot: PythonRobot | None = None
) -> RigSide:
    """A rig's files. Raises nothing for what is wrong in them."""
    problems: list[Problem] = []
    try:
        rig, source = load_rig(rig_file)
    except ConfigError as error:
        problems += error.problems
        for file in named_anyway(rig_file, "rig"):
            problems += problems_in(file, "vehicle", load_vehicle)
        return RigSide(None, None, None, None, tuple(problems), ())
    vehicle_file, codec, unwise = files_of_rig(rig, source, problems, vehicle)
    if stage == "bench":
        needed, open_to_all = bench_findings(rig, source)
        problems += needed
        unwise += open_to_all
    elif stage == "virtual" and robot is not None:
        problems += wrong_class(robot.file, robot.name)
    elif stage == "virtual":
        problems += who_is_stepped(rig.device_under_test, source)
    return RigSide(rig, source, vehicle_file, codec, tuple(problems), tuple(unwise))


def read_scenario_side(
    scenario_file: File, parameters: Mapping[str, int | float] | None, *, stage: Stage
) -> ScenarioSide:
    """A scenario's files. Raises nothing for what is wrong in them."""
    try:
        scenario, source = load_scenario(scenario_file, parameters, ridden=stage == "replay")
    except ConfigError as error:
        problems = list(error.problems)
        for file in named_anyway(scenario_file, "scenario"):
            problems += set(problems_in(file, "circuit", load_circuit)).difference(error.problems)
        return ScenarioSide(None, None, tuple(problems))
    return ScenarioSide(scenario, source, ())


def together(on: RigSide, ridden: ScenarioSide) -> RideFiles:
    """Both sides of a ride held against each other. Raises ConfigError with the problems of all files."""
    problems = [*on.problems, *ridden.problems]
    if ridden.scenario is not None and ridden.source is not None:
        if on.rig is not None and on.codec is not None:
            problems += unmet_needs(ridden.scenario, ridden.source, on.rig, on.codec)
        if on.vehicle_file is not None:
            problems += _change_problems(ridden.scenario, ridden.source, on.vehicle_file)
    if (
        problems
        or (on.rig is None or on.source is None or on.vehicle_file is None or on.codec is None)
        or (ridden.scenario is None or ridden.source is None)
    ):
        raise ConfigError(problems)
    return RideFiles(
        *(on.rig, on.source, ridden.scenario, ridden.source, on.vehicle_file, on.codec),
        unwise=list(on.unwise),
    )


def _swapped(rig_file: File, scenario_file: File) -> Problem | None:
    """That each of two files is what the other should be."""
    if isinstance(rig_file, Source) or isinstance(scenario_file, Source):
        return None
    if (kind_of(rig_file), kind_of(scenario_file)) != ("scenario", "rig"):
        return None
    text = "expected rig (a rig file), got 'scenario'; are rig and scenario swapped? The rig is behind --rig"
    return load_with_bases(rig_file).problem(("kind",), text)


def files_of_rig(
    rig: Rig, source: Source, problems: list[Problem], vehicle: File | None = None
) -> tuple[VehicleFile | None, Codec | None, list[Problem]]:
    """Vehicle and codec that a rig names, and warnings about its frames; what is wrong goes to ``problems``.

    vehicle  file that takes the place of the one named
    """
    vehicle_file: VehicleFile | None = None
    codec: Codec | None = None
    unwise: list[Problem] = []
    try:
        vehicle_file = load_vehicle(vehicle_path(rig, source) if vehicle is None else vehicle)
    except ConfigError as error:
        problems += error.problems
    else:
        for name, text in without_sections(rig.electronics, vehicle_file.values):
            problems.append(source.problem(("electronics", name), text))
        problems += [source.problem(loc, text) for loc, text in robot_tips_over(rig, vehicle_file.values)]
    try:
        codec = read_codec(rig, source)
    except ConfigError as error:
        problems += error.problems
    else:
        contradictions, unwise = frame_contradictions(rig, source, codec)
        problems += contradictions
    return vehicle_file, codec, unwise


def _change_problems(scenario: Scenario, source: Source, file: VehicleFile) -> list[Problem]:
    """What a scenario changes at a vehicle and can't be changed there."""
    try:
        changed_values(scenario.vehicle, file, source)
    except ConfigError as error:
        return error.problems
    return []


def problems_in(file: str, kind: str, load: Callable[[str], object]) -> list[Problem]:
    """What is wrong in a file, by the function that reads its kind; that it is of another kind is not."""
    if kind_of(file) not in ("", kind):
        return []
    try:
        load(file)
    except ConfigError as error:
        return error.problems
    return []


_NAMES = {"rig": "vehicle", "scenario": "circuit"}


def named_anyway(given: File, kind: str) -> list[str]:
    """Files that a wrong file names all the same, where they exist: their problems can be told at once."""
    try:
        source = source_of(given)
    except ConfigError:
        return []
    key = _NAMES.get(kind, "")
    named = source.data.get(key)
    file = beside(source.file_of((key,)), named) if isinstance(named, str) and named else ""
    return [file] if os.path.isfile(file) else []
