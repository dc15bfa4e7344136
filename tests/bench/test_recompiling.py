"""What an edit costs: CPU time of compiling, all processes together."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.package_copy import copy_package, statement_in

pytestmark = pytest.mark.timing


def cpu_s_of_compiling(root: Path, folder: Path) -> float:
    """CPU time of ``emulator warm`` and its children."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, "-m", "emulator", "warm"],
        cwd=root,
        env={**os.environ, "PYTHONPATH": str(root), "EMULATOR_CACHE": str(folder)},
        check=True,
        stdout=subprocess.DEVNULL,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


@pytest.mark.timeout(1800)
def test_an_edit_of_the_robot_costs_at_most_a_fifth_of_compiling_everything(tmp_path: Path) -> None:
    """The deepest of it: what the estimator's prediction does, every control period."""
    folder = tmp_path / "cache"
    cold = cpu_s_of_compiling(copy_package(tmp_path / "one"), folder)
    edit = statement_in("robot/estimator.py", "predict", "edited = 123456789  # noqa: F841")
    edited = cpu_s_of_compiling(copy_package(tmp_path / "two", edit), folder)
    print(f"all {cold:.1f} s, after an edit of the robot {edited:.1f} s of CPU time")
    assert edited <= 0.2 * cold
