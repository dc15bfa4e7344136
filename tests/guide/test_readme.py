"""What the README tells to do is done here, as it stands there."""

from __future__ import annotations

import json
import math
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.guide.markdown import GUIDE, README, ROOT, blocks

TEXT = README.read_text()
COMMANDS = [line for block in blocks(TEXT) for line in block.splitlines()]
MOST_LINES = 15
FIRST_PLAN = "scenarios/campaigns/first.yaml"


def own_scenario() -> tuple[Path, str]:
    """The file that 'Your first own scenario' says to save, and its lines."""
    part = TEXT[TEXT.index("## Your first own scenario") :].partition("\n## ")[0]
    name = re.search(r"Save this as `([^`]+)`", part)
    (block,) = blocks(part, "yaml")
    assert name
    return Path(name[1]), block


def as_made(command: str) -> list[str]:
    """The line that a `make` command would run last, without running it."""
    done = subprocess.run(
        [*shlex.split(command), "--dry-run"], cwd=ROOT, capture_output=True, text=True, timeout=60, check=True
    )
    return shlex.split(done.stdout.strip().splitlines()[-1])


def run(words: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a command of the README in a folder, with this interpreter for the one of .venv."""
    assert words[0] == ".venv/bin/emulator"
    return subprocess.run(
        [sys.executable, "-m", "emulator", *words[1:]],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=280,
        check=False,
    )


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """What the README's reader has after `make virtual`, with the scenario saved."""
    shutil.copytree(ROOT / "scenarios", tmp_path / "scenarios")
    name, lines = own_scenario()
    (tmp_path / name).parent.mkdir()
    (tmp_path / name).write_text(lines)
    return tmp_path


def test_its_commands_are_these() -> None:
    name, _ = own_scenario()
    assert [
        "make virtual",
        "make demo",
        f".venv/bin/emulator check {name} --rig scenarios/rigs/loopback.yaml",
        f"make virtual RUN={name}",
        f".venv/bin/emulator campaign check {FIRST_PLAN}",
        f".venv/bin/emulator campaign run {FIRST_PLAN}",
        "make test",
    ] == COMMANDS


def test_virtual_comes_before_real_time_and_both_ride_the_same_lap() -> None:
    virtual, real = as_made("make virtual"), as_made("make demo")
    assert virtual[:2] == [".venv/bin/emulator", "run"]
    assert virtual == [*real, "--virtual"]
    assert all((ROOT / word).is_file() for word in virtual if word.endswith(".yaml"))
    assert TEXT.index("make virtual") < TEXT.index("make demo")


def test_make_test_runs_the_tests() -> None:
    assert "pytest" in as_made("make test")


def test_the_own_scenario_is_short_and_leaves_the_checkout_clean() -> None:
    name, lines = own_scenario()
    assert len(lines.splitlines()) <= MOST_LINES
    ignored = subprocess.run(["git", "check-ignore", "-q", str(name)], cwd=ROOT, timeout=60, check=False)
    assert ignored.returncode == 0


def test_the_own_scenario_is_checked_without_a_problem_and_a_misspelt_key_at_its_place(
    checkout: Path,
) -> None:
    (command,) = [line for line in COMMANDS if line.startswith(".venv/bin/emulator check ")]
    checked = run(shlex.split(command), checkout)
    name, lines = own_scenario()
    first, *rest = checked.stdout.splitlines()
    rig = shlex.split(command)[-1]
    assert (checked.returncode, first) == (0, f"{name}: scenario on {rig}, no problems")
    assert all(line.startswith("  not checked here: ") for line in rest)
    (checkout / name).write_text(lines.replace("duration_s: 3", "durration_s: 3"))
    wrong = run(shlex.split(command), checkout)
    at = lines[: lines.index("duration_s: 3")].count("\n") + 1
    assert wrong.returncode == 3
    assert f"{name}:{at}:5:" in wrong.stdout


@pytest.mark.slow
def test_the_own_scenario_passes_and_fails_as_told(checkout: Path) -> None:
    name, lines = own_scenario()
    words = as_made(f"make virtual RUN={name}")
    assert run([*words, "--out", "runs/calm"], checkout).returncode == 0
    lean = lean_of(checkout / "runs/calm")
    told = re.search(r"passes with (\d+) degrees of lean to spare", TEXT)
    assert told
    assert round(lean[1]) == int(told[1])

    (reading,) = blocks((GUIDE / "run-folder.md").read_text(), "python")
    read = subprocess.run(
        [sys.executable, "-c", reading.replace("runs/RUN/", "runs/calm/")],
        cwd=checkout,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert float(read.stdout) * 3.6 == pytest.approx(80.0, abs=3.0)  # the speed it is asked to ride at

    stronger = re.search(
        r"change the gust to (\d+) m/s and ride again. It fails: it leans ([\d.]+) degrees", TEXT
    )
    assert stronger
    (checkout / name).write_text(lines.replace("speed_m_s: 8", f"speed_m_s: {stronger[1]}"))
    assert run([*words, "--out", "runs/gusty"], checkout).returncode == 1
    lean = lean_of(checkout / "runs/gusty")
    assert not lean[0]
    assert f"{8.0 - lean[1]:.1f}" == stronger[2]
    assert (checkout / "runs/gusty/report.html").is_file()


def lean_of(run_folder: Path) -> tuple[bool, float]:
    """Whether the lean criterion was met, and its margin [deg]."""
    criteria = json.loads((run_folder / "verdict.json").read_text())["criteria"]
    (lean,) = [c for c in criteria if c["kind"] == "lean"]
    return lean["passed"], math.degrees(lean["margin"])  # recorded in rad


@pytest.mark.slow
def test_the_first_plan_makes_twelve_runs_and_has_no_problems(checkout: Path) -> None:
    checked = run([".venv/bin/emulator", "campaign", "check", FIRST_PLAN], checkout)
    assert checked.returncode == 0, checked.stderr
    assert "12 runs" in checked.stdout
    assert "no problems" in checked.stdout


@pytest.mark.timing  # rides a plan; tests of the command ride a shorter one
def test_the_first_plan_is_ridden_and_has_a_page(checkout: Path) -> None:
    ridden = run([".venv/bin/emulator", "campaign", "run", FIRST_PLAN, "--out", "campaigns/first"], checkout)
    assert ridden.returncode == 0, ridden.stdout
    assert "12 as expected" in ridden.stdout
    assert "<html" in (checkout / "campaigns" / "first" / "page.html").read_text()


def test_an_editor_knows_what_the_own_scenario_is() -> None:
    name, lines = own_scenario()
    schema = lines.partition("\n")[0].removeprefix("# yaml-language-server: $schema=")
    assert (ROOT / name.parent / schema).resolve() == ROOT / "scenarios" / "schemas" / "scenario.json"
