"""A case written out as small files over the ones that are there, to be ridden by ``emulator run``.

The same values are put over the same files by the same rules as in a worker, so frames and signals are the
same.
"""

from __future__ import annotations

import io
import os
import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from emulator.campaign.plan.case import Case, CaseFiles, Overlay
from emulator.config.based_on import KEY
from emulator.config.yaml_source import named_from

SCENARIO_FILE, RIG_FILE, VEHICLE_FILE = "scenario.yaml", "rig.yaml", "vehicle.yaml"
"""Names of the files in the folder of a case."""


@dataclass(frozen=True)
class WrittenCase:
    """Files of a case and the command that rides them."""

    scenario: Path
    rig: Path
    command: tuple[str, ...]

    @property
    def shown(self) -> str:
        """The command as one types it."""
        return shlex.join(self.command)


def write_case(case: Case, files: CaseFiles, folder: Path) -> WrittenCase:
    """Write a case's files; the folder is made if it is not there.

    files  of the plan that the case is from
    Raises ConfigError for a rig that names no vehicle, OSError.
    """
    folder.mkdir(parents=True, exist_ok=True)
    head = f"# Case {case.id}: {case.label}\n"
    rig = dict(case.rig_overlay)
    if case.vehicle_overlay:
        _write(folder / VEHICLE_FILE, head, files.vehicle_file(case), case.vehicle_overlay)
        rig["vehicle"] = VEHICLE_FILE
    elif case.vehicle is not None:
        rig["vehicle"] = named_from(folder, os.fspath(case.vehicle))
    scenario = dict(case.scenario_overlay)
    if case.parameters:
        scenario["parameters"] = {
            **scenario.get("parameters", {}),
            **{name: {"default": value} for name, value in case.parameters.items()},
        }
    _write(folder / SCENARIO_FILE, head, os.fspath(case.scenario), scenario)
    _write(folder / RIG_FILE, head, os.fspath(case.rig), rig)
    written = folder / SCENARIO_FILE, folder / RIG_FILE
    return WrittenCase(*written, command=command_of(case, *written))


def command_of(case: Case, scenario: Path, rig: Path) -> tuple[str, ...]:
    """The words of the command that rides a case from its files."""
    words = ["emulator", "run", str(scenario), "--rig", str(rig), "--seed", str(case.seed)]
    if case.stage == "virtual":
        words.append("--virtual")
    if case.robot:
        words += ["--robot", case.robot]
    return tuple(words)


def _write(path: Path, head: str, base: str, values: Overlay) -> None:
    path.write_text(head + as_yaml({KEY: named_from(path.parent, base), **values}), encoding="utf-8")


def as_yaml(values: Mapping[str, Any]) -> str:
    """Values as YAML that emulator.config.yaml_source reads as the same ones."""
    writer = YAML(typ="safe", pure=True)
    writer.default_flow_style = False
    writer.sort_base_mapping_type_on_output = False  # type: ignore[assignment] # typed as None only; as said
    writer.width = 110
    text = io.StringIO()
    writer.dump(dict(values), text)
    return text.getvalue()
