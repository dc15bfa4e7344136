"""From a log with a slide to a scenario that fails as the log did, and a register that knows of it."""

from __future__ import annotations

import errno
import os
import re
from pathlib import Path
from typing import Any

import pytest

from emulator.assembly.session import load_session
from emulator.config.scenario.schema import load_scenario
from emulator.core.errors import ConfigError, RunFailed
from emulator.record.reader import Run, read_run
from emulator.runs.in_memory import ride_in_memory
from emulator.track.findings.cut import Cut, cut_finding
from emulator.track.findings.register import add_entry, checked_register
from emulator.track.findings.seen import FindingError
from tests.guide.markdown import ROOT
from tests.support.command_line import emulator_command
from tests.support.imported_ride import imported
from tests.support.ridden_once import ride_into

RIG = ROOT / "scenarios" / "rigs" / "loopback.yaml"
SLIDES = ROOT / "scenarios" / "runs" / "grip" / "patch_in_corner.yaml"
PLANTED_GRIP = 0.4
MEASURED = ("wheel", "rate", "force", "lean", "gnss")

pytestmark = pytest.mark.slow


def falls(run: Run) -> list[str]:
    return [event.text for event in run.events if event.kind == "fall"]


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """A ride over a slippery patch in a corner."""
    folder = tmp_path_factory.mktemp("ridden") / "run"
    ride_into(load_session(RIG, SLIDES), folder)
    return read_run(folder)


@pytest.fixture(scope="module")
def slid_s(ridden: Run) -> float:
    return next(event.time_s for event in ridden.events if event.kind == "slide")


@pytest.fixture(scope="module")
def log(ridden: Run, tmp_path_factory: pytest.TempPathFactory) -> tuple[Run, float]:
    """What devices measured of it, as a log that was imported; and by how much its time is ahead."""
    folder = tmp_path_factory.mktemp("log")
    made = imported(ridden, folder, "Slid", MEASURED)
    return read_run(made.folder), -made.brought.zero_s


@pytest.fixture(scope="module")
def cut(log: tuple[Run, float], slid_s: float, tmp_path_factory: pytest.TempPathFactory) -> Cut:
    folder = tmp_path_factory.mktemp("findings")
    return cut_finding(log[0], slid_s + log[1] + 0.3, "slide", "patch", folder, RIG)


def test_a_finding_of_a_log_fails_the_same_way(ridden: Run, cut: Cut) -> None:
    held = ride_in_memory(load_session(RIG, cut.scenario))
    (was,), (now,) = falls(ridden), falls(held.run)
    assert (
        re.sub(r" at .*", "", now)
        == re.sub(r" at .*", "", was)
        == "fell to the left: the front tyre slid away"
    )
    assert held.verdict.result == "fail"
    missed = [c.name for c in held.verdict.criteria if not c.passed]
    assert "no fall" in missed
    assert "front friction use" in missed


def test_on_the_road_s_own_grip_it_passes(cut: Cut) -> None:
    """It is the patch that makes it fall, not the line or the speed."""
    text = cut.scenario.read_text()
    dry = cut.scenario.with_name("dry.yaml")
    dry.write_text(re.sub(r"grip: \{parameter: grip_there\}", "grip: 1.1", text))
    held = ride_in_memory(load_session(RIG, dry))
    assert held.verdict.result == "pass", held.verdict.reasons


def test_what_is_estimated_is_near_what_was_planted(cut: Cut, ridden: Run, slid_s: float) -> None:
    grip = cut.grip
    assert grip is not None
    assert grip.least <= PLANTED_GRIP <= grip.most
    assert grip.estimated == pytest.approx(PLANTED_GRIP, rel=0.25)
    row = int((ridden.time_s < slid_s - 0.2).sum())
    # without the antenna's lever arm the receiver rides on a smaller circle than the wheels
    assert cut.piece.speed_m_s == pytest.approx(ridden.signals["truth.speed_m_s"][row], rel=0.03)


def test_the_register_knows_where_it_came_from(
    cut: Cut, log: tuple[Run, float], capsys: pytest.CaptureFixture[str]
) -> None:
    (entry,) = checked_register(cut.register).findings
    assert entry == cut.entry
    assert entry.cut_from.logs == {"log 1": log[0].manifest["files"]["log 1"]}
    load_scenario(cut.scenario)
    assert emulator_command("track", "findings", str(cut.register)) == 0
    assert "front tyre slides at" in " ".join(capsys.readouterr().out.split())


def test_several_registers_and_folders_are_listed_at_once(
    cut: Cut, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "findings.yaml"
    other.write_text("kind: findings\n")
    assert emulator_command("track", "findings", str(cut.register.parent), str(other)) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.count("Findings of") == 2
    assert "front tyre slides at" in said
    other.write_text("kind: findings\nfindings: 7\n")
    assert emulator_command("track", "findings", str(other), str(tmp_path / "none.yaml")) == 3
    said = capsys.readouterr().err
    assert "findings.yaml:2:11" in said
    assert "none.yaml" in said


def test_nothing_is_written_twice_or_by_half(cut: Cut, log: tuple[Run, float], tmp_path: Path) -> None:
    folder = cut.register.parent
    with pytest.raises(FindingError, match="has a finding 'patch' already"):
        cut_finding(log[0], cut.entry.cut_from.at_s, "slide", "patch", folder, RIG)
    with pytest.raises(FindingError, match="can't name files"):
        cut_finding(log[0], cut.entry.cut_from.at_s, "slide", "../patch", tmp_path / "new", RIG)
    for at_s in (3.0, 5.0, 9.0):  # moving off, a change of gear, a straight
        with pytest.raises(FindingError, match="no slide begins"):
            cut_finding(log[0], at_s, "slide", "other", tmp_path / "new", RIG)
    with pytest.raises(FindingError, match="no fix is lost"):
        cut_finding(log[0], 5.0, "lost_fix", "other", tmp_path / "new", RIG)
    with pytest.raises(FindingError, match="name an instant of the record"):
        cut_finding(log[0], 500.0, "slide", "other", tmp_path / "new", RIG)
    assert not (tmp_path / "new").exists()


def test_a_full_disk_leaves_no_half_of_a_finding(
    log: tuple[Run, float], slid_s: float, cut: Cut, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    register = tmp_path / "findings.yaml"
    add_entry(register, cut.entry, {})
    before, write = register.read_text(), Path.write_text

    def full(path: Path, *given: Any, **more: Any) -> int:
        if "findings.yaml" in path.name:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(path, *given, **more)

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(RunFailed, match=r"findings\.yaml can't be written: No space left"):
        cut_finding(log[0], slid_s + log[1] + 0.3, "slide", "other", tmp_path, RIG)
    assert [path.name for path in tmp_path.iterdir()] == ["findings.yaml"]
    assert register.read_text() == before


def test_a_register_is_held_against_its_scenarios(cut: Cut, tmp_path: Path) -> None:
    register = tmp_path / "findings.yaml"
    add_entry(register, cut.entry, {})
    with pytest.raises(ConfigError, match=r"findings\.0\.scenario: no such file"):
        checked_register(register)
    register.write_text(register.read_text() + "  - {name: patch, what: storm}\n")
    with pytest.raises(ConfigError, match=r"findings\.1\.what"):
        checked_register(register)
