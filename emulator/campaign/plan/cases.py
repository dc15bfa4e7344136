"""The cases of a plan, in its order: what varies, combined, as files with values over them and seeds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from emulator.campaign.plan.case import Case, CaseFiles, Places, case_id
from emulator.campaign.plan.combining import Row, WrongCombinationError, most_rows, rows, seeds_of
from emulator.campaign.plan.drawn_vehicle import put_drawn
from emulator.campaign.plan.factors import (
    Factor,
    Level,
    Overlays,
    factor_of,
    file_factor,
    no_overlays,
    put_alternative,
)
from emulator.campaign.plan.matching import called, named_files_of, robots_of, scenario_files
from emulator.campaign.plan.overlays import NoSuchPlaceError, overlay_of
from emulator.campaign.sampling.posterior import NoPosterior
from emulator.config.based_on import File
from emulator.config.campaign.rides import OF_THE_RIG
from emulator.config.campaign.schema import MOST_CASES, Part, Plan, load_plan
from emulator.config.campaign.varied import FILE_KINDS, FileKind
from emulator.config.rig.file import Rig
from emulator.config.scenario.schema import Scenario
from emulator.config.vehicle.file import vehicle_model
from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import ConfigError, Problem

_THE_RIGS_OWN = "of_the_rig"  # level of a vehicle or robot that the rig names


@dataclass(frozen=True)
class MadePart:
    """A part of a plan with what varies in it.

    rows    the levels that are ridden together, each with every seed and repeat
    """

    name: str
    part: Part
    factors: tuple[Factor, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class PlannedCampaign:
    """A plan and all its cases.

    files   of the cases, read as they are needed
    same    cases that are left out because an earlier one is the same ride
    problems  of values that have no place in a file; their cases are there, without the value
    """

    plan: Plan
    source: Source
    files: CaseFiles
    parts: tuple[MadePart, ...]
    cases: tuple[Case, ...]
    same: int
    problems: tuple[Problem, ...]
    _origin: tuple[tuple[int, int], ...]

    def places(self, case: Case) -> Mapping[FileKind, Places]:
        """Where the values over a case's files stand in the plan."""
        part, row = self._origin[case.number]
        made = self.parts[part]
        gathered, _ = _gathered(made, made.rows[row], case.seed, self.source, self.files, [])
        return {kind: gathered[kind].places for kind in FILE_KINDS}

    def part_of(self, case: Case) -> MadePart:
        """The part that a case is from."""
        return self.parts[self._origin[case.number][0]]

    def by_id(self, id_: str) -> Case | None:
        """The case of an id, or of the beginning of one that no other has."""
        found = [case for case in self.cases if case.id.startswith(id_)]
        return found[0] if len(found) == 1 else None


def planned(path: File) -> PlannedCampaign:
    """Read a plan and make its cases. Raises ConfigError with what is wrong in the plan itself.

    What is wrong in a file that it names is none of it: the cases of that file are made all the same.
    """
    plan, source = load_plan(path)
    files = CaseFiles(source.path)
    problems: list[Problem] = []
    parts = [_made(name, part, plan, source, problems) for name, part in plan.parts.items()]
    if problems:
        raise ConfigError(problems)
    made = [part for part in parts if part is not None]
    amount = sum(len(part.rows) * _times(part.part) for part in made)
    if amount > MOST_CASES:
        text = f"expected at most {MOST_CASES} runs, this plan makes {amount}"
        raise ConfigError([source.problem(("parts",), text)])
    cases: list[Case] = []
    origin: list[tuple[int, int]] = []
    unplaced: dict[Problem, None] = {}
    known: dict[str, None] = {}
    same = 0
    for p, part in enumerate(made):
        for r, row in enumerate(part.rows):
            for case in _of_row(part, r, row, plan, source, files, unplaced):
                if case.id in known:
                    same += 1
                    continue
                known[case.id] = None
                cases.append(replace(case, number=len(cases)))
                origin.append((p, r))
    return PlannedCampaign(
        *(plan, source, files, tuple(made), tuple(cases), same, tuple(unplaced), tuple(origin))
    )


def _times(part: Part) -> int:
    seeds = part.seeds
    return part.repeats * (len(seeds.these) if seeds.these is not None else seeds.count)


# ---- a part ----------------------------------------------------------------------------------------------


def _made(name: str, part: Part, plan: Plan, source: Source, problems: list[Problem]) -> MadePart | None:
    at: Loc = ("parts", name)
    before = len(problems)
    scenarios = scenario_files(part, source, at, problems)
    rigs = named_files_of(part.rigs, source, (*at, "rigs"), problems)
    vehicles = named_files_of(part.vehicles, source, (*at, "vehicles"), problems)
    robots = robots_of(part, source, at, problems)
    if len(problems) > before:
        return None
    factors = (
        _of_files("scenario", scenarios, (*at, "scenarios")),
        _of_files("rig", rigs, (*at, "rigs")),
        _of_files("vehicle", vehicles, (*at, "vehicles")),
        _of_robots(robots, (*at, "robots")),
        *(factor_of(key, varied, source, (*at, "vary", key)) for key, varied in part.vary.items()),
    )
    if (most := most_rows(part, factors) * _times(part)) > MOST_CASES and part.combine.kind != "cover":
        text = f"expected at most {MOST_CASES} runs, this makes {most}; combine fewer"
        problems.append(source.problem((*at, "combine"), text))
        return None
    try:
        made = tuple(rows(part, factors, plan.seed))
    except WrongCombinationError as error:
        problems.append(source.problem((*at, *error.loc), error.text))
        return None
    if not made:
        problems.append(source.problem((*at, "excluding"), "expected some runs to be left, all are excluded"))
        return None
    return MadePart(name, part, factors, made)


def _of_files(name: str, paths: Sequence[Path], at: Loc) -> Factor:
    """The factor of files of a kind; one level, the rig's own, where the part names none."""
    levels = [
        Level(str(path), words, (words, path.name, path.stem))
        for path, words in zip(paths, called(paths), strict=True)
    ]
    return file_factor(name, levels or [Level("", _THE_RIGS_OWN, (_THE_RIGS_OWN,))], at)


def _of_robots(robots: Sequence[str], at: Loc) -> Factor:
    levels = []
    for robot in robots:
        words = robot.rpartition(":")[2] or OF_THE_RIG
        levels.append(Level(robot, words, tuple(dict.fromkeys((words, robot)))))
    return file_factor("robot", levels, at)


# ---- a case ----------------------------------------------------------------------------------------------


def _of_row(
    made: MadePart,
    number: int,
    row: Row,
    plan: Plan,
    source: Source,
    files: CaseFiles,
    unplaced: dict[Problem, None],
) -> Iterator[Case]:
    """The cases of one row: with every seed, and every repeat."""
    by_name = {factor.name: level for factor, level in zip(made.factors, row, strict=True)}
    varying = [
        f for f in made.factors if f.name in made.part.vary or (f.name != "scenario" and len(f.levels) > 1)
    ]
    case = Case(
        number=-1,
        scenario=Path(str(by_name["scenario"].value)),
        rig=Path(str(by_name["rig"].value)),
        vehicle=Path(str(by_name["vehicle"].value)) if by_name["vehicle"].value else None,
        robot=str(by_name["robot"].value),
        parameters=dict(level.parameter for level in row if level.parameter is not None),
        stage=plan.stage,
        factors={f.name: _of_table(f, by_name[f.name]) for f in varying},
        expectation_counts=made.part.expectation == "counts",
    )
    words = [by_name["scenario"].words, *(by_name[f.name].words for f in varying)]
    contents: Mapping[str, str] | None = None
    for seed in seeds_of(made.part.seeds, number):
        if contents is None or made.part.vehicle_drawn:  # else all seeds ride the same files
            problems: list[Problem] = []
            gathered, drawn = _gathered(made, row, seed, source, files, problems)
            unplaced.update(dict.fromkeys(problems))
            case = replace(
                case,
                scenario_overlay=overlay_of(gathered["scenario"], Scenario),
                rig_overlay=overlay_of(gathered["rig"], Rig),
                vehicle_overlay=overlay_of(gathered["vehicle"], vehicle_model()),
                drawn=drawn,
            )
            contents = files.contents_or_names(case)
        for repeat in range(made.part.repeats):
            told = [*words, f"seed {seed}", *([f"repeat {repeat + 1}"] if made.part.repeats > 1 else [])]
            one = replace(case, seed=seed, repeat=repeat, label=" · ".join(told))
            yield replace(one, id=case_id(one, contents))


def _of_table(factor: Factor, level: Level) -> str | int | float:
    """What a table has of a level: of a file what it is called, since its path differs between machines."""
    if factor.name in ("rig", "vehicle", "robot"):
        return level.words
    return str(level.value).lower() if isinstance(level.value, bool) else level.value


def _gathered(
    made: MadePart, row: Row, seed: int, source: Source, files: CaseFiles, problems: list[Problem]
) -> tuple[Overlays, dict[str, float]]:
    """What goes over a case's files, and what of it was drawn."""
    by_name = {factor.name: level for factor, level in zip(made.factors, row, strict=True)}
    gathered = no_overlays()
    at: Loc = ("parts", made.name)
    put_alternative(made.part.over, source, (*at, "over"), gathered)

    scenario, rig, vehicle = (str(by_name[name].value) for name in ("scenario", "rig", "vehicle"))

    def values_of(kind: FileKind) -> Mapping[str, Any]:
        return files.values_under(kind, scenario, rig, vehicle)

    for factor, level in zip(made.factors, row, strict=True):
        try:
            level.put(gathered, values_of)
        except NoSuchPlaceError as error:
            text = f"{error}, in {by_name['scenario'].words} on {by_name['rig'].words}"
            problems.append(source.problem((*factor.loc, "value"), text))
    if not made.part.vehicle_drawn:
        return gathered, {}
    loc = (*at, "vehicle_drawn")
    try:
        posterior = files.posterior(rig, vehicle)
        drawn = put_drawn(posterior, seed, source, loc, gathered, values_of("scenario"))
    except NoPosterior as why:  # the bike of the file would ride in its place and look like one drawn
        raise ConfigError([source.problem(loc, str(why))]) from why
    except ConfigError:  # of a file that can't be read its runs tell
        return gathered, {}
    return gathered, drawn
