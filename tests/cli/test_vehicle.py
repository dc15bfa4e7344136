"""``emulator vehicle new`` and ``emulator vehicle describe``: what they write, say and end with."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from emulator.cli import app as cli
from emulator.config.vehicle.file import load_vehicle

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SHEET = SCENARIOS / "data_sheets" / "upright_twin.yaml"
RACER = SCENARIOS / "vehicles" / "demo_racer.yaml"


class Answer(NamedTuple):
    status: object
    out: str
    err: str


Type = Callable[..., Answer]


@pytest.fixture
def emulator(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path) -> Type:
    monkeypatch.chdir(tmp_path)

    def type_in(*words: object) -> Answer:
        monkeypatch.setattr(sys, "argv", ["emulator", "vehicle", *map(str, words)])
        with pytest.raises(SystemExit) as stop:
            cli.app()
        out, err = capfd.readouterr()
        assert "Traceback" not in out + err
        return Answer(stop.value.code, out, err)

    return type_in


def test_new_writes_a_vehicle_and_says_what_the_sheet_left_out(emulator: Type, tmp_path: Path) -> None:
    answer = emulator("new", SHEET)
    assert answer.status == 0
    assert "not in the sheet, a default each: centre_of_mass_height_mm," in answer.out
    assert "Caution: Lifting, tilting and swinging a motorcycle can hurt people" in answer.out
    assert answer.out.endswith("vehicle: upright_twin-vehicle.yaml\n")
    assert load_vehicle(tmp_path / "upright_twin-vehicle.yaml").name == "upright twin"


def test_new_leaves_a_file_that_is_there_unless_asked(emulator: Type, tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text("mine")
    answer = emulator("new", SHEET, "--out", "mine.yaml")
    assert answer.status == 3
    assert "mine.yaml is there already; --overwrite replaces it" in " ".join(answer.err.split())
    assert (tmp_path / "mine.yaml").read_text() == "mine"
    assert emulator("new", SHEET, "--out", "mine.yaml", "--overwrite", "--quiet") == (0, "", "")
    assert load_vehicle(tmp_path / "mine.yaml")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--out", "no/where.yaml"), "--out: expected a file in a folder that is there"),
        (("--out", "."), "--out: expected a file in a folder that is there"),
    ],
)
def test_new_needs_a_place_to_write_to(emulator: Type, words: tuple[str, ...], said: str) -> None:
    answer = emulator("new", SHEET, *words)
    assert (answer.status, said in " ".join(answer.err.split())) == (3, True)


def test_an_impossible_sheet_ends_with_3_at_its_line_and_writes_nothing(
    emulator: Type, tmp_path: Path
) -> None:
    lines = SHEET.read_text().splitlines()
    at = next(k for k, line in enumerate(lines) if line.startswith("power_kW"))
    lines[at] = "power_kW: 73"
    (tmp_path / "sheet.yaml").write_text("\n".join(lines))
    answer = emulator("new", "sheet.yaml")
    assert answer.status == 3
    assert "torque_Nm: expected at least the 79.22 N m that 73 kW at 8800 rpm takes" in answer.err
    assert "is the power in hp (1 hp = 0.746 kW)" in answer.err
    assert [p.name for p in tmp_path.iterdir()] == ["sheet.yaml"]


def test_describe_prints_tables_of_80_columns(emulator: Type) -> None:
    answer = emulator("describe", RACER)
    assert answer.status == 0
    titles = ("Geometry and masses", "Engine and top speed", "Gears", "Wheelie and stoppie limits")
    for title in (*titles, "Coasting in neutral", "Steering torque of steady turns", "Tyres"):
        assert f"{title}\n" in answer.out
    assert answer.out.startswith("demo racer with reference robot, loopback bench\n")
    assert max(len(line.rstrip()) for line in answer.out.splitlines()) <= 80
    assert "All figures are within their usual ranges." in answer.out


def test_describe_as_json_is_the_figures_and_nothing_else(emulator: Type) -> None:
    answer = emulator("describe", SCENARIOS / "rigs" / "loopback.yaml", "--json")
    told = json.loads(answer.out)
    assert told["vehicle"] == "demo racer with reference robot, loopback bench"
    mass = next(f for f in told["sections"]["masses"] if f["key"] == "mass_kg")
    assert mass == {
        **{"key": "mass_kg", "name": "mass", "value": 213.7, "unit": "kg", "usual": [110.0, 380.0]},
        **{"source": "common practice, no source", "outside": False},
    }
    keys = [f["key"] for section in told["sections"].values() for f in section]
    assert len(keys) == len(set(keys)) > 60


def test_describe_marks_what_lies_outside_and_quietly_says_nothing_else(
    emulator: Type, tmp_path: Path
) -> None:
    text = RACER.read_text().replace("mass: {value: 124.0,", "mass: {value: 320.0,")
    (tmp_path / "heavy.yaml").write_text(text)
    answer = emulator("describe", "heavy.yaml")
    (row,) = [line for line in answer.out.splitlines() if line.startswith(" mass   ")]
    assert row.split() == ["mass", "364.7", "kg", "110", "to", "380", "b"]
    assert "Nobody on it: name a rig" in answer.out
    assert "(warning)" not in answer.out
    assert "unusual, motorcycles show from 0.5 to 300 kg" in " ".join(answer.out.split())
    quiet = emulator("describe", "heavy.yaml", "--quiet")
    assert quiet.status == 0
    assert quiet.out.startswith("Outside the usual range: ")
    outside = quiet.out.removeprefix("Outside the usual range: ").rstrip(".\n").split("; ")
    assert "time from 100 to 50 km/h" in outside
    for name in outside:
        assert any(line.rstrip().endswith("outside") and name in line for line in answer.out.splitlines())


def test_describe_refuses_what_it_can_not_do(emulator: Type, tmp_path: Path) -> None:
    rig = SCENARIOS / "rigs" / "loopback.yaml"
    answer = emulator("describe", rig, "--rig", rig)
    assert answer.status == 3
    assert "expected a vehicle file beside --rig" in " ".join(answer.err.split())
    answer = emulator("describe", RACER, "--json", "--quiet")
    assert (answer.status, "either --quiet or --json" in " ".join(answer.err.split())) == (3, True)
    text = RACER.read_text().replace("stiffness: {value: 18500.0,", "stiffness: {value: 20.0,")
    (tmp_path / "soft.yaml").write_text(
        text.replace("design_force: {value: 768.0", "design_force: {value: -90000.0")
    )
    answer = emulator("describe", "soft.yaml")
    assert answer.status == 3
    assert "expected a vehicle that stands, runs straight and has a top speed" in " ".join(answer.err.split())
