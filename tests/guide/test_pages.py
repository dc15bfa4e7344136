"""Pages of the guide that list keys: complete, and their examples valid.

The page of faults has a test of its own, tests/config/scenario/test_faults_page.py.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any, get_args

import pytest
from typer.main import get_command

from emulator.assembly.check import check
from emulator.cli.app import command_line
from emulator.config.rig.file import BusFaults, Rig
from emulator.config.scenario.circuit import load_circuit
from emulator.config.scenario.schema import Scenario, load_scenario
from emulator.config.vehicle.file import vehicle_model
from emulator.core.signals import OUTPUT, SIGNALS
from emulator.criteria.condition import Condition
from emulator.criteria.kinds import KINDS
from emulator.criteria.windows import Window
from emulator.record import writer
from emulator.survey.own_vehicle.vehicle_file import new_vehicle
from emulator.wire.dbc_frames import frames_in
from tests.guide.markdown import GUIDE, ROOT, blocks

CRITERIA = list(KINDS.values())


def page(name: str) -> str:
    return (GUIDE / name).read_text()


def named(text: str) -> set[str]:
    """Words in backquotes, also several of them (`from_s`, `limit_m: 5`)."""
    return {word for quoted in re.findall(r"`([^`\n]+)`", text) for word in re.findall(r"-*[\w-]+", quoted)}


def row(text: str, first: str) -> str:
    """The row of a table that begins with a word in backquotes."""
    found = re.findall(rf"^\| `{first}` .*$", text, re.MULTILINE)
    assert len(found) == 1, f"{first}: {len(found)} rows"
    return str(found[0])


@pytest.mark.parametrize("model", CRITERIA, ids=lambda m: m.__name__)
def test_every_criterion_has_a_row_with_its_keys_and_defaults(model: Any) -> None:
    (kind,) = get_args(model.model_fields["kind"].annotation)
    text = row(page("criteria.md"), kind)
    for key, field in model.model_fields.items():
        if key in Window.model_fields:
            continue
        assert key in named(text)
        if isinstance(field.default, float):
            assert f"`{key}` ({field.default:g})" in text or f"`{key}` is {field.default:g}" in page(
                "criteria.md"
            )
    window = text.rstrip(" |").rpartition("| ")[2]
    keys = set(Window.model_fields) & set(model.model_fields) - {"kind", "name"}
    assert window == {0: "none", 5: "time", 8: "all"}[len(keys)]


def test_every_key_of_windows_and_conditions_is_named() -> None:
    assert {*Window.model_fields, *Condition.model_fields} - named(page("criteria.md")) == set()


@pytest.mark.parametrize(
    ("name", "keys"), [("scenarios.md", Scenario.model_fields), ("rig.md", Rig.model_fields)]
)
def test_every_key_of_a_file_is_named(name: str, keys: dict[str, Any]) -> None:
    first_cells = "\n".join(re.findall(r"^\|([^|]*)\|", page(name), re.MULTILINE))
    assert set(keys) - named(first_cells) == set()


def test_every_section_of_a_vehicle_file_is_named() -> None:
    sections = {k for k in vehicle_model().model_fields if k not in ("kind", "name", "purpose")}
    assert sections - named(page("vehicle.md")) == set()


def test_every_output_frame_and_fault_of_the_bus_has_a_row() -> None:
    text = page("rig.md")
    frames = frames_in(ROOT / "scenarios" / "rigs" / "bench.dbc")
    outputs = {name for name, signals in frames.items() if OUTPUT.keys() >= set(signals)}
    assert len(outputs) > 10
    assert outputs - named(text) == set()
    for key, field in BusFaults.model_fields.items():
        if isinstance(field.default, str):
            assert f"| `{key}` | {field.default} |" in text
        else:
            assert f"`{key}` ({field.default:.0f})" in text


def test_every_file_of_a_run_folder_and_group_of_signals_is_named() -> None:
    text = page("run-folder.md")
    files = {value for key, value in vars(writer).items() if key.endswith("_FILE")}
    assert len(files) >= 7
    assert [name for name in files if f"| `{name}` |" not in text] == []
    assert [g for g in {s.name.partition(".")[0] for s in SIGNALS} if f"| `{g}.` |" not in text] == []


def test_every_command_and_option_is_named() -> None:
    text = page("commands.md") + page("commands-inspection.md")
    commands = get_command(command_line()).commands  # type: ignore[attr-defined]
    assert len(commands) >= 9
    commands |= {f"circuit {name}": command for name, command in commands.pop("circuit").commands.items()}
    commands |= {f"track {name}": command for name, command in commands.pop("track").commands.items()}
    commands |= {f"vehicle {name}": command for name, command in commands.pop("vehicle").commands.items()}
    commands |= {f"campaign {name}": command for name, command in commands.pop("campaign").commands.items()}
    for heading in ("circuit import FILE", "vehicle new SHEET", "vehicle describe FILE"):
        text = text.replace(f"`emulator {heading}`", "")  # these have pages of their own
    text += "\n## `emulator circuit import`\n" + page("circuit-import.md") + page("own-bike.md")
    text += "\n## `emulator track import`\n" + page("track-logs.md").replace("\n## ", "\n### ")
    for name in ("finding", "findings"):
        text += f"\n## `emulator track {name}`\n" + page("findings.md").replace("\n## ", "\n### ")
    text += page("track-line.md")
    text += "\n## `emulator track compare`\n" + page("track-comparison.md").replace("\n## ", "\n### ")
    for name in ("track plan", "track calibrate", "vehicle history"):
        text += f"\n## `emulator {name}`\n" + page("calibration.md").replace("\n## ", "\n### ")
    text += "\n## `emulator track actuators`\n" + page("bench.md").replace("\n## ", "\n### ")
    text += "\n## \n"
    text += page("campaign-store.md") + page("campaigns.md") + page("morning-page.md") + page("lab.md")
    for name, command in commands.items():
        part = text[text.index(f"## `emulator {name}") :].partition("\n## ")[0]
        options = {option for p in command.params for option in p.opts if option.startswith("--")} - {
            "--help"
        }
        assert options - named(part) == set(), name


@pytest.mark.parametrize(
    "example", blocks(page("criteria.md"), "yaml") + blocks(page("scenarios.md"), "yaml")
)
def test_every_example_for_a_scenario_is_valid(tmp_path: Path, example: str) -> None:
    shutil.copytree(ROOT / "scenarios", tmp_path / "scenarios")
    several = re.split(r"(?m)^(?=manoeuvre:)", example) if example.startswith("manoeuvre:") else [example]
    for part in filter(None, several):
        text = "based_on: first_lap.yaml\nname: example of the guide\n" + part
        if "manoeuvre:" in part:
            text = text.replace("first_lap", "straight") + ("laps: 1\n" if "circle" in part else "")
        if "criteria:" in part:
            gust = "{kind: gust, name: gust, speed_m_s: 5, from_deg: 0, at: {time_s: 20}, duration_s: 1}"
            text += f"events: [{gust}]\n"
        path = tmp_path / "scenarios/runs/example.yaml"
        path.write_text(text)
        load_scenario(path)


def test_the_examples_of_an_own_bike_are_valid(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "scenarios", tmp_path / "scenarios")
    sheet, rig = blocks(page("own-bike.md"), "yaml")
    (tmp_path / "sheet.yaml").write_text(sheet)
    made = new_vehicle(tmp_path / "sheet.yaml")
    (tmp_path / "scenarios/vehicles/upright_twin-vehicle.yaml").write_text(made.text)
    (tmp_path / "scenarios/rigs/mine.yaml").write_text(rig)
    (checked, vehicle) = check([tmp_path / "scenarios/rigs/mine.yaml"])
    assert (checked.problems, checked.warnings, vehicle.kind, vehicle.warnings) == ([], [], "vehicle", [])


def test_the_examples_of_a_circuit_are_valid(tmp_path: Path) -> None:
    examples = [block for block in blocks(page("vehicle.md"), "yaml") if "kind: circuit" in block]
    for example in examples:
        (tmp_path / "circuit.yaml").write_text(example)
        load_circuit(tmp_path / "circuit.yaml")
    assert len(examples) == 2
