"""Where a file can't be written is said before anything is worked out for it, by every command alike."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from emulator.cli import app as cli

ROOT = Path(__file__).parents[2]
RIG, VEHICLE = "scenarios/rigs/loopback.yaml", "scenarios/vehicles/demo_racer.yaml"
RUN, SHEET = "scenarios/runs/short_bend.yaml", "scenarios/data_sheets/upright_twin.yaml"
DAY = "scenarios/calibrations/first_track_day.yaml"


def typed(
    words: tuple[str, ...], folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> tuple[int | str | None, str]:
    """Exit status of a command in a folder where the shipped files are, and its errors in a line."""
    monkeypatch.chdir(folder)
    (folder / "scenarios").symlink_to(ROOT / "scenarios")
    monkeypatch.setattr(sys, "argv", ["emulator", *words])
    with pytest.raises(SystemExit) as stop:
        cli.app()
    return stop.value.code, " ".join(capfd.readouterr().err.split())


@pytest.mark.parametrize(
    "words",
    [
        ("modes", VEHICLE),
        ("sensors", RIG),
        ("rehearse", RIG, "--yes"),
        ("evidence", "no-campaign"),
        ("track", "compare", "no-record"),
    ],
    ids=lambda words: words[0] if words[0] != "track" else words[1],
)
@pytest.mark.parametrize("place", ["no/where.html", "."])
def test_a_page_needs_a_folder_that_is_there(
    words: tuple[str, ...],
    place: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    status, said = typed((*words, "--out", place), tmp_path, monkeypatch, capfd)
    assert status == 3
    assert f"--out: expected a file in a folder that is there, got {place}" in said
    assert [path.name for path in tmp_path.iterdir()] == ["scenarios"]


@pytest.mark.parametrize(
    "words",
    [
        ("modes", VEHICLE, "--out", "page.html"),
        ("vehicle", "new", SHEET, "--out", "mine.yaml"),
        ("track", "plan", DAY, "--dither", "dither.csv"),
    ],
    ids=lambda words: words[0] if words[0] != "track" else words[1],
)
def test_a_folder_that_takes_no_file_is_told_before_anything_is_worked_out(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def nobody_writes(_place: object, mode: int, **_how: object) -> bool:
        return not mode & os.W_OK  # root may, whatever the folder says

    monkeypatch.setattr(os, "access", nobody_writes)
    status, said = typed(words, tmp_path, monkeypatch, capfd)
    assert status == 3
    assert f"{words[-2]}: expected a folder that may be written to, got {tmp_path} for {words[-1]}" in said


@pytest.mark.parametrize("place", ["no/where.csv", "."])
def test_a_dither_needs_a_folder_that_is_there(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    status, said = typed(("track", "plan", DAY, "--dither", place), tmp_path, monkeypatch, capfd)
    assert status == 3
    assert f"--dither: expected a file in a folder that is there, got {place}" in said


@pytest.mark.parametrize("place", [RIG, f"{RIG}/deeper"])
def test_a_line_needs_a_folder(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    status, said = typed(("line", RUN, "--rig", RIG, "--out", place), tmp_path, monkeypatch, capfd)
    assert status == 3
    assert f"--out: expected a folder, or a new one in one that is there, got {place}" in said


@pytest.mark.parametrize(
    "words",
    [
        ("run", RUN, "--rig", RIG),
        ("run", RUN, "--rig", RIG, "--virtual"),
        ("replay", "no-record"),
        ("track", "import", "no.csv", "--map", "no.yaml"),
    ],
    ids=lambda words: f"{words[0]} {words[-1]}",
)
def test_a_record_needs_a_folder_that_holds_nothing(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    status, said = typed((*words, "--out", "."), tmp_path, monkeypatch, capfd)
    assert status == 3
    assert "--out: . already holds files; name a new folder" in said
    assert [path.name for path in tmp_path.iterdir()] == ["scenarios"]


@pytest.mark.parametrize(
    "words",
    [
        ("evidence", "loop"),
        ("track", "line", "loop"),
        ("track", "surface", "loop", "--scenario", RUN, "--rig", RIG),
    ],
    ids=lambda words: words[0] if words[0] != "track" else words[1],
)
def test_a_link_that_leads_to_itself_is_no_record(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "loop").symlink_to("loop")
    status, said = typed(words, tmp_path, monkeypatch, capfd)
    assert status == 3
    assert said.startswith("error: loop")


def test_a_core_that_is_not_there_is_not_tested(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    core = max(os.sched_getaffinity(0)) + 1
    status, said = typed(("host", "--seconds", "0.1", "--cpu", str(core)), tmp_path, monkeypatch, capfd)
    assert status == 3
    assert "--cpu: expected a core that this process may use" in said
    assert said.endswith(f"got {core}")
