"""``emulator interface``: what it writes, says and refuses."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from emulator.core.errors import RunFailed
from emulator.inspection.interface import folder as folder_module
from tests.support.command_line import emulator_command
from tests.support.scripted_robot import RIG, SCENARIOS

STRAIGHT, BRAKING = SCENARIOS / "runs" / "straight.yaml", SCENARIOS / "runs" / "braking.yaml"


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_it_writes_page_markdown_json_and_drawings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert emulator_command("interface", str(RIG)) == 0
    said = capsys.readouterr().out
    folder = tmp_path / "loopback-interface"
    assert [p.name for p in tmp_path.iterdir()] == [folder.name]
    assert {p.name for p in folder.iterdir()} == {
        *("interface.html", "interface.md", "interface.json", "interface.schema.json"),
        *("axes-right.svg", "axes-behind.svg", "axes-above.svg"),
    }
    assert "Interface of loopback bench" in said
    assert "not a safety function" in " ".join(said.split())
    assert re.search(r"steering\s+0x080\s+robot\s+8\s+2 ms\s+required", said)
    assert re.search(r"lean\s+0x102\s+bench\s+8\s+10 ms", said)
    assert str(Path("loopback-interface") / "interface.json") in said
    assert json.loads((folder / "interface.json").read_text())["scenario"] is None


def test_with_a_scenario_line_and_start_go_in_and_parameters_count(tmp_path: Path) -> None:
    assert emulator_command("interface", str(RIG), "--scenario", str(STRAIGHT), "--out", "bench") == 0
    folder = tmp_path / "bench"
    said = json.loads((folder / "interface.json").read_text())["scenario"]
    assert said["name"] == "straight on"
    rows = (folder / said["line_csv"]).read_text().splitlines()
    assert len(rows) == pytest.approx(said["line_length_m"] + 2, abs=1)
    assert json.loads((folder / said["line_geojson"]).read_text())["type"] == "FeatureCollection"

    lengths = []
    for deceleration in ("4", "8"):
        words = ("--scenario", str(BRAKING), "--set", f"deceleration={deceleration}", "--out", "bench")
        assert emulator_command("interface", str(RIG), *words) == 0
        lengths.append(json.loads((folder / "interface.json").read_text())["scenario"]["line_length_m"])
    assert lengths[0] > lengths[1] + 10.0  # a soft stop takes a longer way


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "Missing argument"),
        ([str(RIG), "--set", "grip=1"], "--set: expected --scenario beside it"),
        ([str(RIG), "--out", "no/such/folder"], r"--out: .* no/such/folder"),
        ([str(RIG), "--out", str(RIG)], r"--out: expected a folder"),
        (["nowhere.yaml"], r"nowhere\.yaml"),
        ([str(STRAIGHT)], "expected rig"),
        ([str(RIG), "--scenario", str(RIG)], "expected scenario"),
    ],
)
def test_what_is_typed_or_given_wrong_is_status_3(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert emulator_command("interface", *words) == 3
    assert re.search(said, " ".join(capsys.readouterr().err.split()))
    assert list(tmp_path.iterdir()) == []


def test_a_vehicle_that_can_not_hold_the_bend_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(SCENARIOS, tmp_path / "files")
    vehicle = tmp_path / "files" / "vehicles" / "demo_racer.yaml"
    text, changed = re.subn(r"friction_y: \{value: [\d.]+", "friction_y: {value: 0.3", vehicle.read_text())
    assert changed
    vehicle.write_text(text)
    assert emulator_command("interface", str(tmp_path / "files" / "rigs" / "loopback.yaml")) == 3
    assert "expected a turn the vehicle can hold" in " ".join(capsys.readouterr().err.split())


def test_a_disk_that_refuses_is_status_4_as_of_every_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(*_: object) -> None:
        raise RunFailed("interface.html can't be written: no space left on device")

    monkeypatch.setattr(folder_module, "write_whole", refuse)
    assert emulator_command("interface", str(RIG)) == 4
    assert "no space left" in capsys.readouterr().err
