"""The files that a part of a plan names: by path, folder or pattern; and what they are called in tables."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable
from pathlib import Path

from emulator.config.campaign.rides import OF_THE_RIG
from emulator.config.campaign.schema import Part
from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import Problem

_WILD = frozenset("*?[")


def scenario_files(part: Part, plan: Source, at: Loc, problems: list[Problem]) -> list[Path]:
    """Scenario files of a part, each once, in the order of the plan and by name within a folder or pattern.

    at  of the part in the plan; what matches nothing is told in ``problems``
    """
    found = _matching(part.scenarios, plan, (*at, "scenarios"), problems)
    left_out = set(_matching(part.without, plan, (*at, "without"), problems))
    files = [file for file in found if file not in left_out]
    if found and not files:
        problems.append(
            plan.problem((*at, "without"), "expected some scenarios to be left over, all are left out")
        )
    return files


def named_files_of(names: Iterable[str], plan: Source, at: Loc, problems: list[Problem]) -> list[Path]:
    """Files that a part names one by one: rigs, vehicles."""
    return [file_at((*at, i), name, plan, problems) for i, name in enumerate(names)]


def file_at(loc: Loc, name: str, plan: Source, problems: list[Problem]) -> Path:
    """The file that stands at ``loc`` of the plan; one that is not there is told in ``problems``."""
    file = _from_plan(plan, loc, name)
    if not os.path.isfile(file):
        problems.append(plan.problem(loc, f"no such file: {file} (paths are relative to this file)"))
    return Path(file)


def robots_of(part: Part, plan: Source, at: Loc, problems: list[Problem]) -> list[str]:
    """Robots of a part as cases name them: "" or FILE:CLASS with the file's path."""
    return [robot_at((*at, "robots", i), robot, plan, problems) for i, robot in enumerate(part.robots)]


def robot_at(loc: Loc, robot: str, plan: Source, problems: list[Problem]) -> str:
    """The robot that stands at ``loc`` of the plan, as cases name it."""
    if robot == OF_THE_RIG:
        return ""
    name, _, of_class = robot.rpartition(":")
    return f"{file_at(loc, name, plan, problems)}:{of_class}"


def called(files: Iterable[Path]) -> list[str]:
    """What files are called in tables: without their ending, with as many folders as tell them apart."""
    paths = [file.with_suffix("").parts for file in files]
    names = []
    for parts in paths:
        depth = 1
        while depth < len(parts) and sum(other[-depth:] == parts[-depth:] for other in paths) > 1:
            depth += 1
        names.append("/".join(parts[-depth:]))
    return names


def _matching(patterns: Iterable[str], plan: Source, at: Loc, problems: list[Problem]) -> list[Path]:
    found: dict[Path, None] = {}
    for i, pattern in enumerate(patterns):
        path = _from_plan(plan, (*at, i), pattern)
        if _WILD & set(pattern):
            files = sorted(name for name in glob.glob(path, recursive=True) if os.path.isfile(name))
            missing = "no file matches this pattern"
        elif os.path.isdir(path):
            files = sorted(str(file) for file in Path(path).rglob("*.yaml") if file.is_file())
            missing = "no .yaml file in this folder or below it"
        else:
            files = [path] if os.path.isfile(path) else []
            missing = "no such file or folder"
        if not files:
            text = f"{missing}: {path} (paths are relative to this file)"
            problems.append(plan.problem((*at, i), text))
        found.update(dict.fromkeys(map(Path, files)))
    return list(found)


def _from_plan(plan: Source, loc: Loc, name: str) -> str:
    """The path of what stands at ``loc`` of the plan: relative to the file that it stands in."""
    return os.path.normpath(os.path.join(os.path.dirname(plan.file_of(loc)), name))
