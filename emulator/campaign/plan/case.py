"""One case of a campaign: files that are there, values that go over them, and a seed.

A case is what its ride is made from, nothing more, so that it can be ridden by a worker that keeps what cases
share (:class:`CaseFiles`) as well as written out and ridden by itself (emulator.campaign.plan.written).
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeAlias

from emulator.config.based_on import load_with_bases, put_over
from emulator.config.named_files import named_files
from emulator.config.rig.file import Rig
from emulator.config.scenario.schema import Scenario
from emulator.config.stepped_robot import PythonRobot
from emulator.config.validation import Closed
from emulator.config.vehicle.file import vehicle_model
from emulator.config.yaml_source import Loc, Mark, Source, beside
from emulator.core.errors import ConfigError, UnreadableError
from emulator.core.outside.reading import DBC, PYTHON, read_whole

FileKind: TypeAlias = Literal["scenario", "rig", "vehicle"]
"""Files that a plan's values may go over."""
CaseStage: TypeAlias = Literal["virtual", "bench"]
Overlay: TypeAlias = Mapping[str, Any]
"""Values that go over a file by the rules of emulator.config.based_on; names of files in it are absolute."""
Marks: TypeAlias = Mapping[Loc, Mark]
"""Where the values of an overlay stand in the plan, by their place in the overlay."""

ID_DIGITS = 16
"""Hexadecimal digits of a case's id."""


@dataclass(frozen=True)
class Case:
    """One run that a plan asks for.

    number      place in the plan's order, from 0
    vehicle     rides instead of the one that the rig names
    robot       "": whoever the rig names for the virtual stage, else FILE:CLASS
    parameters  of the scenario, by name; the others have their defaults
    repeat      from 0; repeats of a case are the same in all but this
    factors     what the plan varied and to what, by the factor's name
    id          of its contents, see :func:`case_id`
    label       for people
    """

    number: int
    scenario: Path
    rig: Path
    vehicle: Path | None = None
    robot: str = ""
    parameters: Mapping[str, int | float] = field(default_factory=dict)
    scenario_overlay: Overlay = field(default_factory=dict)
    rig_overlay: Overlay = field(default_factory=dict)
    vehicle_overlay: Overlay = field(default_factory=dict)
    seed: int = 0
    repeat: int = 0
    stage: CaseStage = "virtual"
    factors: Mapping[str, str | int | float] = field(default_factory=dict)
    id: str = ""
    label: str = ""

    def overlay(self, kind: FileKind) -> Overlay:
        """What goes over the file of that kind."""
        return {
            "scenario": self.scenario_overlay,
            "rig": self.rig_overlay,
            "vehicle": self.vehicle_overlay,
        }[kind]


def named_robot(case: Case) -> PythonRobot | None:
    """The robot that a case names, as ``load_session`` takes it; None: whoever the rig names."""
    if not case.robot:
        return None
    file, _, name = case.robot.rpartition(":")
    return PythonRobot(kind="python", file=os.path.abspath(file), name=name)


class CaseFiles:
    """The files of a plan's cases with what goes over them, each read once and kept while this object is.

    plan  the plan's file: what an overlay's values are said to stand in
    """

    def __init__(self, plan: str | os.PathLike[str]) -> None:
        self._plan = os.fspath(plan)
        self._read: dict[tuple[str, str], Source | ConfigError] = {}
        self._whole: dict[tuple[str, str, str], Source] = {}
        self._content: dict[str, str] = {}

    def scenario(self, case: Case, marks: Marks | None = None) -> Source:
        """What ``load_session`` takes for the scenario. Raises ConfigError for a file that can't be read.

        marks  where the values of the overlay stand; left out: they are all said to stand at the plan's top
        """
        return self._over("scenario", os.fspath(case.scenario), Scenario, case.scenario_overlay, marks)

    def rig(self, case: Case, marks: Marks | None = None) -> Source:
        """What ``load_session`` takes for the rig. Raises ConfigError for a file that can't be read."""
        return self._over("rig", os.fspath(case.rig), Rig, case.rig_overlay, marks)

    def vehicle(self, case: Case, marks: Marks | None = None) -> Source | None:
        """What ``load_session`` takes for the vehicle; None: the one that the rig names, as it is.

        Raises ConfigError for a file that can't be read.
        """
        if case.vehicle is None and not case.vehicle_overlay:
            return None
        return self._over("vehicle", self.vehicle_file(case), vehicle_model(), case.vehicle_overlay, marks)

    def vehicle_file(self, case: Case) -> str:
        """The file of the vehicle that rides. Raises ConfigError for a rig that names none."""
        if case.vehicle is not None:
            return os.fspath(case.vehicle)
        rig = self.rig(case)
        return beside(rig.file_of(("vehicle",)), _text(rig, "vehicle"))

    def read(self, kind: FileKind, path: str, model: type[Closed]) -> Source:
        """A file with what it is based on, as it stands. Raises ConfigError, every time anew."""
        key = (kind, path)
        if key not in self._read:
            try:
                self._read[key] = load_with_bases(path, model)
            except ConfigError as error:
                self._read[key] = error
        found = self._read[key]
        if isinstance(found, ConfigError):
            raise ConfigError(found.problems)
        return found

    def _over(
        self, kind: FileKind, path: str, model: type[Closed], overlay: Overlay, marks: Marks | None
    ) -> Source:
        base = self.read(kind, path, model)
        if not overlay:
            return base
        key = (kind, path, canonical(overlay))
        if marks is None and key in self._whole:
            return self._whole[key]
        over = overlay_source(self._plan, overlay, marks or {})
        whole = put_over(base, over, model)
        if marks is None:
            self._whole[key] = whole
        return whole

    # ---- identity ------------------------------------------------------------------------------------------

    def contents(self, case: Case) -> dict[str, str]:
        """SHA-256 of what a case is made from, by kind: scenario, rig, vehicle, and what they name.

        As read: without comments, order of keys, names of files, and with what they are based on put in.
        Raises ConfigError for a file that can't be read.
        """
        rig, scenario = self.rig(case), self.scenario(case)
        vehicle = self.vehicle(case) or self.read("vehicle", self.vehicle_file(case), vehicle_model())
        named = {"dbc": (rig, "dbc", DBC)} if isinstance(rig.data.get("dbc"), str) else {}
        found = {
            "scenario": _content(_with_values(scenario.data, case.parameters), Scenario),
            "rig": _content(rig.data, Rig),
            "vehicle": _content(vehicle.data, vehicle_model()),
        }
        for name, (source, key, kind) in named.items():
            found[name] = self._bytes_of(beside(source.file_of((key,)), _text(source, key)), kind)
        if isinstance(scenario.data.get("circuit"), str):
            found["circuit"] = self._circuit(beside(scenario.file_of(("circuit",)), scenario.data["circuit"]))
        hook = scenario.data.get("hook")
        if isinstance(hook, dict) and isinstance(hook.get("file"), str):
            found["hook"] = self._bytes_of(beside(scenario.file_of(("hook", "file")), hook["file"]), PYTHON)
        return found

    def _circuit(self, path: str) -> str:
        key = f"circuit {path}"
        if key not in self._content:
            self._content[key] = _digest(canonical(load_with_bases(path).data))
        return self._content[key]

    def _bytes_of(self, path: str, kind: Any) -> str:
        if path not in self._content:
            try:
                self._content[path] = hashlib.sha256(read_whole(path, kind)).hexdigest()
            except UnreadableError as error:
                self._content[path] = f"unreadable: {error.why}"  # told where the rig is checked
        return self._content[path]


def case_id(case: Case, contents: Mapping[str, str]) -> str:
    """The id of a case: of its contents, its seed, its repeat and its stage, and of whose class rides.

    contents  from :meth:`CaseFiles.contents`

    The names of files are not in it, nor the robot's software, nor the version of this program: a row of a
    table of results names those.
    """
    whole = {
        "contents": dict(contents),
        "robot": case.robot.rpartition(":")[2],
        "seed": case.seed,
        "repeat": case.repeat,
        "stage": case.stage,
    }
    return _digest(canonical(whole))[:ID_DIGITS]


def overlay_source(plan: str, overlay: Overlay, marks: Marks) -> Source:
    """An overlay as a source: every value stands in the plan, at its mark or at that of what holds it."""
    found: dict[Loc, Mark] = {}

    def walk(value: Any, loc: Loc, above: Mark) -> None:
        here = found[loc] = marks.get(loc, above)
        items = value.items() if isinstance(value, dict) else enumerate(value) if _is_list(value) else ()
        for part, inner in items:
            walk(inner, (*loc, part), here)

    data = json.loads(json.dumps(overlay))
    walk(data, (), (1, 1))
    return Source(plan, data, found, found, "", "")


def canonical(value: Any) -> str:
    """Values as JSON that is the same for the same values: keys sorted, 2.0 written as 2."""
    return json.dumps(_plain(value), sort_keys=True, separators=(",", ":"), ensure_ascii=True)


def _plain(value: Any) -> Any:
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        return int(value)
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    return [_plain(inner) for inner in value] if _is_list(value) else value


def _is_list(value: Any) -> bool:
    return isinstance(value, list | tuple)


def _content(data: Mapping[str, Any], model: type[Closed]) -> str:
    """SHA-256 of a file's values without the names of other files in them."""
    plain = _plain(data)
    for loc in list(named_files(plain, model)):
        place = plain
        for part in loc[:-1]:
            place = place[part]
        place[loc[-1]] = ""
    return _digest(canonical(plain))


def _with_values(data: Mapping[str, Any], parameters: Mapping[str, int | float]) -> dict[str, Any]:
    """A scenario's values with what its parameters are set to in the place of their defaults."""
    declared = data.get("parameters")
    if not parameters or not isinstance(declared, dict):
        return dict(data)
    as_set = {
        name: {**entry, "default": parameters[name]} if isinstance(entry, dict) else entry
        for name, entry in declared.items()
        if name in parameters
    }
    return {**data, "parameters": {**declared, **as_set}}


def _text(source: Source, key: str) -> str:
    value = source.data.get(key)
    if not isinstance(value, str) or not value:
        raise ConfigError([source.problem((key,), "expected the name of a file")])
    return value


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("ascii")).hexdigest()
