"""``emulator circuit import``: what it writes, says and ends with."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from emulator.cli import app as cli
from emulator.config.scenario.circuit import load_circuit
from tests.support.surveyed import geodetic, oval, write_csv, write_gpx


class Answer(NamedTuple):
    status: object
    text: str


Type = Callable[..., Answer]


@pytest.fixture
def emulator(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path) -> Type:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "110")

    def type_in(*words: object) -> Answer:
        monkeypatch.setattr(sys, "argv", ["emulator", "circuit", "import", *map(str, words)])
        with pytest.raises(SystemExit) as stop:
            cli.app()
        out, err = capfd.readouterr()
        assert "Traceback" not in out + err
        return Answer(stop.value.code, " ".join((out + " " + err).split()))

    return type_in


@pytest.fixture
def track(tmp_path: Path) -> Path:
    return write_gpx(tmp_path / "evening.gpx", geodetic(oval()))


def test_it_writes_circuit_and_page_and_says_how_near(emulator: Type, track: Path, tmp_path: Path) -> None:
    answer = emulator(track, "--width-m", "9")
    assert answer.status == 0
    for said in ("greatest deviation", "rms deviation", "allowed 0.2 m", "origin for a scenario"):
        assert said in answer.text
    assert answer.text.endswith("circuit: evening.yaml page: evening-import.html")
    circuit, _ = load_circuit(tmp_path / "evening.yaml")
    assert (circuit.name, circuit.width_m, circuit.closed) == ("evening", 9.0, True)
    assert "Curvature" in (tmp_path / "evening-import.html").read_text()


def test_of_two_files_that_belong_together_none_is_left_alone(
    emulator: Type, track: Path, tmp_path: Path
) -> None:
    (tmp_path / "evening-import.html").mkdir()
    before = sorted(p.name for p in tmp_path.iterdir())
    answer = emulator(track, "--width-m", "9", "--overwrite")
    assert answer.status == 4
    assert "evening-import.html can't be written" in answer.text
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_every_option_reaches_the_circuit(emulator: Type, track: Path, tmp_path: Path) -> None:
    out = tmp_path / "other.yaml"
    options = ["--name", "Vellmar ring", "--reverse", "--deviation-m", "0.4", "--flat", "--start", "50"]
    assert emulator(track, "--width-m", "9", *options, "--out", out).status == 0
    circuit, _ = load_circuit(out)
    assert (circuit.name, circuit.elevation) == ("Vellmar ring", ())
    assert "within 0.4 m" in out.read_text()
    assert (tmp_path / "other-import.html").exists()


@pytest.mark.parametrize(
    ("name", "other"), [("evening.yaml", "-import.html"), ("evening-import.html", ".yaml")]
)
def test_a_file_that_is_there_stays_unless_asked(
    emulator: Type, track: Path, tmp_path: Path, name: str, other: str
) -> None:
    (tmp_path / name).write_text("mine")
    answer = emulator(track, "--width-m", "9")
    assert answer.status == 3
    assert f"{name} is there already; --overwrite replaces it" in answer.text
    assert (tmp_path / name).read_text() == "mine"
    assert not (tmp_path / f"evening{other}").exists()
    assert emulator(track, "--width-m", "9", "--overwrite").status == 0
    assert (tmp_path / name).read_text() != "mine"
    assert load_circuit(tmp_path / "evening.yaml")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ((), "evening.gpx:1:1: no column of width: say how wide the road is by --width-m"),
        (("--width-m", "9", "--length-m", "700"), "expected a line of 700 m within 2 % (--length-m), got 55"),
        (("--width-m", "9", "--start", "here"), "--start: expected LAT,LON such as 47.25,5.85, or metres"),
        (("--width-m", "9", "--open", "--start", "5"), "--start: an open line starts at its first point"),
        (("--width-m", "9", "--name", " "), "--name: expected some text"),
        (("--width-m", "9", "--out", "no/where.yaml"), "--out: expected a file in a folder that is there"),
        (("--width-m", "900"), "--width-m"),
    ],
)
def test_what_is_wrong_ends_with_3_and_writes_nothing(
    emulator: Type, track: Path, tmp_path: Path, options: tuple[str, ...], said: str
) -> None:
    answer = emulator(track, *options)
    assert answer.status == 3
    assert said in answer.text
    assert [p.name for p in tmp_path.iterdir()] == ["evening.gpx"]


def test_an_open_line_is_made_on_request_only(emulator: Type, tmp_path: Path) -> None:
    path = write_csv(tmp_path / "half.csv", ["x", "y"], oval()[20:150])
    answer = emulator(path, "--width-m", "9")
    assert answer.status == 3
    assert "half.csv:131:1: the last point lies" in answer.text
    assert emulator(path, "--width-m", "9", "--open").status == 0
    assert not load_circuit(tmp_path / "half.yaml")[0].closed


def test_five_thousand_points_take_seconds(emulator: Type, tmp_path: Path) -> None:
    places = oval(300.0, 900.0, 2.0 * (900.0 + 300.0 * np.pi) / 5000.0)
    assert len(places) == 5000
    places += np.random.default_rng(6).normal(0.0, 0.03, places.shape)
    assert emulator(write_csv(tmp_path / "long.csv", ["x", "y"], places), "--width-m", "9").status == 0
