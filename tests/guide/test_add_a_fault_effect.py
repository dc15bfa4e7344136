"""The worked example of a new fault effect: done to a copy of the program as the page says, it works."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from emulator.core.keeping.code_store import cache_folder
from tests.guide.markdown import GUIDE, ROOT, blocks

PAGE = (GUIDE / "design" / "add-a-fault-effect.md").read_text()
MOST_FILES = 2


def run(tree: Path, *arguments: str, compiled: bool = False) -> subprocess.CompletedProcess[str]:
    """A command of Python on a copy of the program, its output as one text."""
    own = {"PYTHONPATH": str(tree), "EMULATOR_CACHE": str(tree / "cache")}
    if compiled:  # what the page leaves as it is has been compiled before
        own["EMULATOR_CACHE"] += f":{cache_folder()}"
    else:
        own["NUMBA_DISABLE_JIT"] = "1"
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=tree,
        env={**os.environ, **own},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=600,
        check=False,
    )


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program, its scenarios and its tests as they are, with the page's event in the first lap."""
    tree = tmp_path_factory.mktemp("copy")
    shutil.copy(ROOT / "pyproject.toml", tree)
    without = shutil.ignore_patterns("__pycache__", "decisions", "changes")
    for name in ("emulator", "scenarios", "tests"):
        shutil.copytree(ROOT / name, tree / name, ignore=without)
    (event,) = blocks(PAGE, "yaml")
    lap = tree / "scenarios/runs/first_lap.yaml"
    text = lap.read_text()
    assert text.count("\nevents:\n") == 1
    lap.write_text(text.replace("\nevents:\n", "\n" + event))
    return tree


@pytest.fixture(scope="module")
def changed(copy: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with the page's changes."""
    tree = tmp_path_factory.mktemp("changed") / "copy"
    shutil.copytree(copy, tree)
    for diff in blocks(PAGE, "diff"):  # line numbers are no matter, what stands around a change is
        done = subprocess.run(
            ["git", "apply", "--recount", "-"],
            cwd=tree,
            input=diff,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
    return tree


def test_it_takes_two_files() -> None:
    files = re.findall(r"^\+\+\+ b/(.*)$", "".join(blocks(PAGE, "diff")), re.MULTILINE)
    assert len(files) == len(set(files)) <= MOST_FILES


def test_every_family_has_its_row() -> None:
    named = set(re.findall(r"^\| .* \| `emulator/events/(\w+)\.py` \|", PAGE, re.MULTILINE))
    others = {"__init__", "declaration", "marks", "progress", "table", "trigger"}
    assert named == {path.stem for path in (ROOT / "emulator/events").glob("*.py")} - others


CHECK = ("-m", "emulator", "check", "scenarios/runs/first_lap.yaml")


def test_a_scenario_with_it_is_checked_as_any_other(copy: Path, changed: Path) -> None:
    before = run(copy, *CHECK)
    assert before.returncode == 3
    assert "events.0.effect: expected one of dropout" in before.stdout
    after = run(changed, *CHECK)
    assert after.returncode == 0, after.stdout
    assert "first_lap.yaml: scenario, no problems" in after.stdout
    lap = (changed / "scenarios/runs/first_lap.yaml").read_text()
    wrong = {
        "a.yaml": (", value: 0.05", "", "events.0: missing key 'value': effect dead_band needs a number"),
        "b.yaml": ("value: 0.05", "value: -1", "events.0.value: expected at least 0, got -1"),
        "c.yaml": (
            "value: 0.05",
            "value: 1, low: 2",
            "events.0.low: effect dead_band takes no low, saturation does",
        ),
    }
    files = [f"scenarios/runs/{name}" for name in wrong]
    for file, (old, new, _) in zip(files, wrong.values(), strict=True):
        (changed / file).write_text(lap.replace(old, new))
    refused = run(changed, "-m", "emulator", "check", *files)
    assert refused.returncode == 3
    for file, (_, _, told) in zip(files, wrong.values(), strict=True):
        (changed / file).unlink()
        (line,) = [line for line in refused.stdout.splitlines() if file in line]
        assert told in line


RIDE = """
import math
import numpy as np
from emulator.events.progress import ACTIVE
from emulator.events.sample_faults import SAMPLE_EFFECTS, sample_fault
from emulator.events.table import event_table

e = event_table(1)[0]
e["effect"], e["value"] = SAMPLE_EFFECTS.index("dead_band"), 0.05
e["state"], e["live"], e["started"] = ACTIVE, 1, 0
past, draws = np.zeros(8), np.zeros(2, np.uint64)
rates = [0.0, 0.049, -0.049, 0.05, -0.2, math.nan]
carried_out_by = type(sample_fault.dispatcher).__name__
print([float(sample_fault(e, rate, past, 5, 0.0, draws)) for rate in rates], carried_out_by)
"""


def test_the_compiled_function_shows_it(changed: Path) -> None:
    done = run(changed, "-c", RIDE, compiled=True)
    assert done.stdout == "[0.0, 0.0, 0.0, 0.05, -0.2, nan] CPUDispatcher\n"


def test_the_tests_of_page_and_family_take_it_as_it_is(changed: Path) -> None:
    """No third file has to know of it: these tests find it by themselves, and the page's row holds."""
    done = run(
        changed,
        *("-m", "pytest", "-v", "-p", "no:cacheprovider"),
        *("tests/config/scenario/test_faults_page.py", "tests/events/test_sample_faults.py"),
        *("-k", "test_sample_faults or row_of_samples or is_told"),
        compiled=True,
    )
    assert done.returncode == 0, done.stdout[-4000:]
    assert "test_the_row_of_samples_is_what_the_code_gives[dead_band] PASSED" in done.stdout
