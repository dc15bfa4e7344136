"""Worked examples of the guide, carried out as they stand there: on a copy, with nothing else changed."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.guide.markdown import GUIDE, ROOT, blocks

APPENDED = re.compile(r"At the end of `([^`]+)`:\n\n```python\n(.*?)^```$", re.DOTALL | re.MULTILINE)


def carried_out(page: str, to: Path) -> list[str]:
    """Copies package and test support, appends what the page says; the files that were written to."""
    without = shutil.ignore_patterns("__pycache__", "guide")
    for folder in ("emulator", "tests/support", "scenarios"):
        shutil.copytree(ROOT / folder, to / folder, ignore=without)
    steps = APPENDED.findall(page)
    for file, code in steps:
        with (to / file).open("a", encoding="utf-8") as written:
            written.write(f"\n\n{code}")
    assert len(steps) == len(blocks(page, "python"))
    return [file for file, _ in steps]


def in_copy(folder: Path, *arguments: str) -> str:
    """What a Python program says that sees the copy alone."""
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
def test_a_criterion_is_added_as_the_page_says(tmp_path: Path) -> None:
    page = (GUIDE / "design" / "add-a-criterion.md").read_text()
    assert carried_out(page, tmp_path) == ["emulator/criteria/limits.py", "tests/support/criteria_checks.py"]
    (item,) = blocks(page, "yaml")
    lap = tmp_path / "scenarios" / "runs" / "first_lap.yaml"
    plain = lap.read_text()
    lap.write_text(plain.replace("criteria:\n", f"criteria:\n{item}"))
    assert in_copy(tmp_path, "-c", "import emulator; print(emulator.__file__)").startswith(str(tmp_path))
    # a scenario may name it, and its limits are those of the class
    assert "first_lap.yaml: scenario, no problems" in in_copy(tmp_path, "-m", "emulator", "check", str(lap))
    lap.write_text(lap.read_text().replace("limit_km_h: 3,", "limit_km_h: 300,"))
    with pytest.raises(AssertionError, match=r"expected a number above 0 and up to 100 km/h, got 300"):
        in_copy(tmp_path, "-m", "emulator", "check", str(lap))
    # editors know it
    schema = in_copy(tmp_path, "-m", "emulator", "schema", "scenario")
    assert '"lateral_speed": "#/$defs/LateralSpeed"' in schema
    assert "does not slide sideways" in schema
    # records are judged by it
    run = "from tests.support.criteria_checks import CHECKS; [c() for c in CHECKS['lateral_speed']]"
    in_copy(tmp_path, "-c", run)
