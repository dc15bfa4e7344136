"""Where a page can't be written is said before anything is worked out for it, by every command alike."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from emulator.cli import app as cli

ROOT = Path(__file__).parents[2]
RIG, VEHICLE = "scenarios/rigs/loopback.yaml", "scenarios/vehicles/demo_racer.yaml"


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
    monkeypatch.chdir(tmp_path)
    (tmp_path / "scenarios").symlink_to(ROOT / "scenarios")
    monkeypatch.setattr(sys, "argv", ["emulator", *words, "--out", place])
    with pytest.raises(SystemExit) as stop:
        cli.app()
    assert stop.value.code == 3
    said = " ".join(capfd.readouterr().err.split())
    assert f"--out: expected a file in a folder that is there, got {place}" in said
    assert [path.name for path in tmp_path.iterdir()] == ["scenarios"]
