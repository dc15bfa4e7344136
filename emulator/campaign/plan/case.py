"""One case of a campaign: files that are there, values that go over them, and a seed.

A case is what its ride is made from, nothing more, so that it can be ridden by a worker that keeps what cases
share (:class:`CaseFiles`) as well as written out and ridden by itself (emulator.campaign.plan.written).
"""

from __future__ import annotations

import hashlib
import json
import os
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, NamedTuple, TypeAlias

from emulator.campaign.sampling.posterior import Posterior, posterior_of
from emulator.config.based_on import load_with_bases, put_over
from emulator.config.campaign.varied import FILE_KINDS, FileKind
from emulator.config.named_files import named_files
from emulator.config.rig.file import Rig
from emulator.config.scenario.schema import Scenario
from emulator.config.software.stepped_robot import PythonRobot
from emulator.config.validation import Closed
from emulator.config.vehicle.file import vehicle_model
from emulator.config.yaml_source import Loc, Mark, Source, beside
from emulator.core.errors import ConfigError, Problem, UnreadableError
from emulator.core.outside.reading import DBC, PYTHON, read_whole
from emulator.core.outside.reading import FileKind as ReadKind

CaseStage: TypeAlias = Literal["virtual", "bench"]
Overlay: TypeAlias = Mapping[str, Any]
"""Values that go over a file by the rules of emulator.config.based_on; names of files in it are absolute."""


class Place(NamedTuple):
    """Where something stands: the file, and line and column in it."""

    file: str
    mark: Mark


Places: TypeAlias = Mapping[Loc, Place]
"""Where the values of an overlay stand in the plan or what it is based on, by their path in the overlay."""

_MOST_WHOLE = 64  # files with what goes over them; cases of one plan share few at a time
ID_DIGITS = 16
"""Hexadecimal digits of a case's id."""


@dataclass(frozen=True)
class Case:
    """One run that a plan asks for.

    number      place in the plan's order, from 0
    vehicle     rides instead of the one that the rig names
    robot       "": whoever the rig names for the virtual stage, else FILE:CLASS
    parameters  of the scenario, by name; the others have their defaults
    drawn       values in SI of the bike that was drawn, by ``section.key``; the scenario's overlay has them
    repeat      from 0; repeats of a case are the same in all but this
    factors     what the plan varied and to what, by the factor's name
    expectation_counts  whether coming out other than the scenario expects is a surprise
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
    drawn: Mapping[str, float] = field(default_factory=dict)
    expectation_counts: bool = True
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
        self._whole: OrderedDict[tuple[str, str, str], Source] = OrderedDict()
        self._content: dict[tuple[str, ...], str] = {}
        self._posteriors: dict[str, Posterior] = {}

    def scenario(self, case: Case, places: Places | None = None) -> Source:
        """What ``load_session`` takes for the scenario. Raises ConfigError for a file that can't be read.

        places  where the values of the overlay stand; left out: they are all said to stand at the plan's top
        """
        return self._over("scenario", os.fspath(case.scenario), Scenario, case.scenario_overlay, places)

    def rig(self, case: Case, places: Places | None = None) -> Source:
        """What ``load_session`` takes for the rig. Raises ConfigError for a file that can't be read."""
        return self._over("rig", os.fspath(case.rig), Rig, case.rig_overlay, places)

    def vehicle(self, case: Case, places: Places | None = None) -> Source | None:
        """What ``load_session`` takes for the vehicle; None: the one that the rig names, which can't be read.

        Raises ConfigError for a file that the case names and that can't be read.
        """
        try:
            file = self.vehicle_file(case)
            return self._over("vehicle", file, vehicle_model(), case.vehicle_overlay, places)
        except ConfigError:
            if case.vehicle is None and not case.vehicle_overlay:
                return None  # told where the rig is read
            raise

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

    def values_under(self, kind: FileKind, scenario: str, rig: str, vehicle: str) -> Mapping[str, Any]:
        """The values of a case's file of a kind, without what goes over it; none of one that can't be read.

        scenario, rig, vehicle  the case's files; an empty vehicle is the one that the rig names
        """
        try:
            if kind == "scenario":
                return self.read("scenario", scenario, Scenario).data
            if kind == "rig":
                return self.read("rig", rig, Rig).data
            return self._vehicle_under(rig, vehicle).data
        except ConfigError:
            return {}

    def posterior(self, rig: str, vehicle: str) -> Posterior:
        """What the calibration of a case's vehicle left uncertain; arguments as of ``values_under``.

        Raises NoPosterior, and ConfigError for a file that can't be read.
        """
        source = self._vehicle_under(rig, vehicle)
        if source.path not in self._posteriors:
            self._posteriors[source.path] = posterior_of(source)
        return self._posteriors[source.path]

    def _vehicle_under(self, rig: str, vehicle: str) -> Source:
        on = self.read("rig", rig, Rig)
        named = vehicle or beside(on.file_of(("vehicle",)), str(on.data.get("vehicle")))
        return self.read("vehicle", named, vehicle_model())

    def _over(
        self, kind: FileKind, path: str, model: type[Closed], overlay: Overlay, places: Places | None = None
    ) -> Source:
        base = self.read(kind, path, model)
        if not overlay:
            return base
        if places is not None:
            return put_over(base, overlay_source(self._plan, overlay, places), model)
        key = (kind, path, canonical(overlay))
        if key not in self._whole:
            self._whole[key] = put_over(base, overlay_source(self._plan, overlay, {}), model)
            if len(self._whole) > _MOST_WHOLE:
                self._whole.popitem(last=False)
        self._whole.move_to_end(key)
        return self._whole[key]

    # ---- identity ------------------------------------------------------------------------------------------

    def contents(self, case: Case) -> dict[str, str]:
        """SHA-256 of what a case is made from, by kind: scenario, rig, vehicle, and what they name.

        As read: without comments, order of keys, names of files, and with what they are based on put in.
        Raises ConfigError for a file that can't be read.
        """
        vehicle_file = self.vehicle_file(case)
        found = {
            "scenario": self._digest_of(
                (
                    "scenario",
                    str(case.scenario),
                    canonical(case.scenario_overlay),
                    canonical(case.parameters),
                ),
                lambda: _content(_with_values(self.scenario(case).data, case.parameters), Scenario),
            ),
            "rig": self._digest_of(
                ("rig", str(case.rig), canonical(case.rig_overlay)),
                lambda: _content(self.rig(case).data, Rig),
            ),
            "vehicle": self._digest_of(
                ("vehicle", vehicle_file, canonical(case.vehicle_overlay)),
                lambda: _content(
                    self._over("vehicle", vehicle_file, vehicle_model(), case.vehicle_overlay).data,
                    vehicle_model(),
                ),
            ),
        }
        return found | self._named_by_rig(case) | self._named_by_scenario(case)

    def contents_or_names(self, case: Case) -> Mapping[str, str]:
        """What a case's id is made of; of one whose files can't be read, names and what goes over them."""
        try:
            return self.contents(case)
        except ConfigError:
            over = [dict(case.overlay(kind)) for kind in FILE_KINDS]
            named = [str(case.scenario), str(case.rig), str(case.vehicle or "")]
            return {"not read": digest(canonical([named, over, dict(case.parameters)]))}

    def _named_by_rig(self, case: Case) -> dict[str, str]:
        rig = self.rig(case)
        dbc = beside(rig.file_of(("dbc",)), _text(rig, "dbc"))
        return {"dbc": self._digest_of(("file", dbc), lambda: _bytes_digest(dbc, DBC))}

    def _named_by_scenario(self, case: Case) -> dict[str, str]:
        scenario, found = self.scenario(case), {}
        if isinstance(named := scenario.data.get("circuit"), str):
            circuit = beside(scenario.file_of(("circuit",)), named)
            found["circuit"] = self._digest_of(
                ("circuit", circuit), lambda: digest(canonical(load_with_bases(circuit).data))
            )
        hook = scenario.data.get("hook")
        if isinstance(hook, dict) and isinstance(hook.get("file"), str):
            file = beside(scenario.file_of(("hook", "file")), hook["file"])
            found["hook"] = self._digest_of(("file", file), lambda: _bytes_digest(file, PYTHON))
        return found

    def _digest_of(self, key: tuple[str, ...], digest: Callable[[], str]) -> str:
        if key not in self._content:
            self._content[key] = digest()
        return self._content[key]


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
    return digest(canonical(whole))[:ID_DIGITS]


def overlay_source(plan: str, overlay: Overlay, places: Places) -> Source:
    """An overlay as a source: every value stands at its place, or at that of what holds it."""
    marks: dict[Loc, Mark] = {}
    elsewhere: dict[Loc, str] = {}

    def walk(value: Any, loc: Loc, above: Place) -> None:
        here = places.get(loc, above)
        marks[loc] = here.mark
        if here.file != plan:
            elsewhere[loc] = here.file
        items = value.items() if isinstance(value, dict) else enumerate(value) if _is_list(value) else ()
        for part, inner in items:
            walk(inner, (*loc, part), here)

    data = json.loads(json.dumps(overlay))
    walk(data, (), Place(plan, (1, 1)))
    return Source(plan, data, marks, marks, "", "", places=elsewhere)


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
    return digest(canonical(plain))


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


def _bytes_digest(path: str, kind: ReadKind) -> str:
    try:
        return hashlib.sha256(read_whole(path, kind)).hexdigest()
    except UnreadableError as error:
        raise ConfigError([Problem(path, 1, 1, "", error.why)]) from error


def _text(source: Source, key: str) -> str:
    value = source.data.get(key)
    if not isinstance(value, str) or not value:
        raise ConfigError([source.problem((key,), "expected the name of a file")])
    return value


def digest(text: str) -> str:
    """SHA-256 of a text, in hexadecimal."""
    return hashlib.sha256(text.encode("ascii")).hexdigest()
