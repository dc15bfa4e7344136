"""What a person waits for before a ride, and what a ride leaves on the disk: not a tenth worse than recorded.

Processor time is told in multiples of a yardstick that knows nothing of this package: importing the
compiler's library. Each is the best of several, measured in turn, so that a busy machine makes both dearer.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from emulator.record.reader import read_run
from emulator.record.thin import make_thin

SCENARIO, RIG = "scenarios/runs/short_bend.yaml", "scenarios/rigs/loopback.yaml"
ROOT = Path(__file__).parents[2]
YARDSTICK = ("-c", "import numba")
RECORDED = {"check": 1.65, "run": 5.25, "ride": 0.56}
"""Processor time in yardsticks of a command, and of a ride in a process that has ridden before."""
RECORDED_BYTES_A_TICK = {"whole": 258.5, "thin": 21.9}
"""Of a virtual run of the short bend: signals, frames and inputs."""
IN_ONE_PROCESS = """
import sys, time
from pathlib import Path
from emulator.assembly.session import load_session
from emulator.runs.in_memory import ride_in_memory
spent = []
for seed in range(4):
    begun = time.process_time()
    ride_in_memory(load_session(Path(sys.argv[2]), Path(sys.argv[1]), seed=seed))
    spent.append(time.process_time() - begun)
print(min(spent))
"""
"""A ride after others with its files and verdict, without a report; the first brings in what all use."""
WORSE = 1.1
TIMES = 5


def spent(*arguments: str) -> float:
    """Processor time [s] of a Python process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, *arguments],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        check=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def ratios(folder: Path, times: int) -> dict[str, float]:
    """Each command's processor time in yardsticks; the first round fills what is kept and does not count."""
    best = dict.fromkeys(("yardstick", *RECORDED), float("inf"))
    for k in range(times + 1):
        ridden = ("--virtual", "--quiet", "--out", str(folder / f"run{k}"))
        for name, arguments in (
            ("yardstick", YARDSTICK),
            ("check", ("-m", "emulator", "check", SCENARIO, "--rig", RIG)),
            ("run", ("-m", "emulator", "run", SCENARIO, "--rig", RIG, *ridden)),
        ):
            seconds = spent(*arguments)
            if k:
                best[name] = min(best[name], seconds)
        if k:
            best["ride"] = min(best["ride"], in_one_process())
    return {name: best[name] / best["yardstick"] for name in RECORDED}


def in_one_process() -> float:
    """Processor time [s] of a ride in a process that has ridden before."""
    done = subprocess.run(
        [sys.executable, "-c", IN_ONE_PROCESS, SCENARIO, RIG],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout)


def bytes_a_tick(run: Path, ticks: int) -> float:
    """Bytes that signals, frames and inputs take a recorded tick."""
    size = sum((run / name).stat().st_size for name in ("signals.arrow", "frames.arrow", "inputs.arrow"))
    return size / ticks


@pytest.mark.timing
@pytest.mark.timeout(1200)
def test_start_and_record_are_not_a_tenth_worse_than_recorded(tmp_path: Path) -> None:
    found = ratios(tmp_path, TIMES)
    run = tmp_path / "run0"
    ticks = len(read_run(run).tick)
    size = {"whole": bytes_a_tick(run, ticks)}
    make_thin(run)
    size["thin"] = bytes_a_tick(run, ticks)
    print(found, size)
    for name, recorded in RECORDED.items():
        assert found[name] < WORSE * recorded, f"{name}: {found[name]:.2f} yardsticks, recorded {recorded}"
    for name, recorded in RECORDED_BYTES_A_TICK.items():
        assert size[name] < WORSE * recorded, f"{name}: {size[name]:.1f} bytes a tick, recorded {recorded}"


def imported(*arguments: str) -> set[str]:
    """Modules that a command has imported when it ends."""
    program = (
        "import atexit, sys; sys.argv[0] = 'emulator'\n"
        "atexit.register(lambda: sys.stderr.write('\\n' + ' '.join(sys.modules)))\n"
        "from emulator.__main__ import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    return set(done.stderr.split())


def test_a_check_of_known_files_imports_neither_compiler_nor_parsers() -> None:
    words = ("check", SCENARIO, "--rig", RIG)
    imported(*words)  # the first one may have to read and work out
    found = imported(*words)
    assert "emulator.assembly.check" in found
    assert not found & {"numba", "scipy", "cantools", "can", "ruamel.yaml", "pyarrow", "asyncio", "jinja2"}


def test_a_run_of_known_files_imports_nothing_that_compiles(tmp_path: Path) -> None:
    words = ("run", SCENARIO, "--rig", RIG, "--virtual", "--quiet", "--out")
    imported(*words, str(tmp_path / "first"))
    found = imported(*words, str(tmp_path / "second"))
    assert "emulator.stages.virtual" in found
    assert not found & {"numba.np.arraymath", "numba.cpython.unicode", "scipy.linalg", "cantools", "can"}
