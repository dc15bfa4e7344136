"""The page on adding an output is done here, as it stands there, to a copy of the program."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.guide.markdown import GUIDE, ROOT, blocks

PAGE = GUIDE / "design" / "add-an-output.md"
DBC, RIG, RUN = "scenarios/rigs/bench.dbc", "scenarios/rigs/loopback.yaml", "scenarios/runs/straight.yaml"
TICKS = 60

STANDS = f"""
import json, sys
from pathlib import Path
from tests.support.uncompiled import uncompiled
uncompiled()
import emulator
from emulator.assembly.bench import Bench
from emulator.assembly.session import load_session
from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import INDEX, R_STEER_TORQUE
from emulator.wire.can_frames import check, find, unpack
import numpy as np

session = load_session(Path({RIG!r}), Path({RUN!r}), seed=1)
bench, codec = Bench(session), session.codec
f = codec.frame("steering_angle")
rx, tx, values = frame_buffer(4), frame_buffer(64), np.zeros(8)
received, recorded, true = [], [], []
for tick in range({TICKS}):
    bench.plant.robot.robot[R_STEER_TORQUE] = 0.5 * tick
    bench.tick(rx, tx, 0.0, 0.0)
    for i in range(tx.count[0]):
        if find(codec.table, tx.can_id[i]) == f and check(codec.table, f, tx.data[i], tx.length[i]) >= 0:
            unpack(codec.table, f, tx.data[i], values)
            received.append((tick, float(values[codec.signal("steering_angle", "head_torque_Nm")])))
    recorded.append(float(bench.row[INDEX["output.head_torque_Nm"]]))
    true.append(float(bench.row[INDEX["actuator.steering_torque_Nm"]]))
found = {{"package": emulator.__file__, "received": received, "recorded": recorded, "true": true}}
json.dump(found, sys.stdout)
"""
"""Prints what a receiver decodes while the bike stands and more and more torque is asked of its steering."""


def applied(block: str, folder: Path) -> str:
    """Make one change of the page: lines that are there, found as a whole and once, with the new ones."""
    head, *lines = block.splitlines()
    name = re.fullmatch(r"--- (\S+)", head)
    assert name is not None, head
    assert all(line[:1] in ("+", " ", "") for line in lines), block
    before = "".join(f"{line[1:]}\n" for line in lines if not line.startswith("+"))
    after = "".join(f"{line[1:]}\n" for line in lines)
    path = folder / name[1]
    text = path.read_text()
    assert f"\n{text}".count(f"\n{before}") == 1, f"{name[1]} does not have these lines once:\n{before}"
    path.write_text(f"\n{text}".replace(f"\n{before}", f"\n{after}")[1:])
    return name[1]


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """The package, the shipped files and what tests share, apart from where they stand."""
    without = shutil.ignore_patterns("__pycache__", "guide")
    for name in ("emulator", "scenarios", "tests/support"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=without)
    return tmp_path


def run(folder: Path, *words: str) -> str:
    """What Python prints there, with the copy for the package."""
    done = subprocess.run(
        [sys.executable, *words],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(folder), "EMULATOR_CACHE": str(folder / "compiled")},
        capture_output=True,
        text=True,
        timeout=280,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
def test_the_page_adds_an_output_that_arrives_and_is_recorded(copy: Path) -> None:
    changed = [applied(block, copy) for block in blocks(PAGE.read_text(), "diff")]
    assert changed == ["emulator/core/signals.py", DBC]  # no more than these, as the page says
    assert "head_torque" not in run(copy, "-m", "emulator", "check", RIG)  # nothing to complain of
    found = json.loads(run(copy, "-c", STANDS))
    assert Path(found["package"]).is_relative_to(copy)
    received, recorded, true = found["received"], found["recorded"], found["true"]
    assert len(received) == pytest.approx(TICKS / 2, abs=1)  # 500 Hz
    assert true[0] < 0.1
    assert true[-1] > 1.0
    for tick, value in received:
        assert value == pytest.approx(
            true[tick - 1], abs=0.005
        )  # 1 ms of latency; sent as multiples of 0.01 N m
        assert recorded[tick] == value


def test_a_page_that_no_longer_fits_is_noticed(copy: Path) -> None:
    with pytest.raises(AssertionError, match="does not have these lines once"):
        applied("--- emulator/core/signals.py\n     Output(nowhere)\n+    Output(new)\n", copy)


def test_without_the_table_the_rig_is_refused(copy: Path) -> None:
    for block in blocks(PAGE.read_text(), "diff"):
        if "scenarios/" in block.splitlines()[0]:
            applied(block, copy)
    with pytest.raises(AssertionError, match="steering_angle has head_torque_Nm"):
        run(copy, "-m", "emulator", "check", RIG)
