"""Wake-up lateness of our cycle beside cyclictest: same core, same priority, same period, in turns.

    python -m tests.bench.lateness [--core N] [--priority P] [--seconds T] [--rounds R] [--spin-us A,B,...]

Also part of ``make bench`` (tests/bench/bench.py).

cyclictest (rt-tests) is the trade's yardstick for what a host can do; it measures a C thread that does
nothing else. Ours is the whole cycle with a stand-in plant that computes ``--work-us`` a tick. Each
round runs every contender once, in turn, so that a noisy neighbour hits all of them alike; only one runs at
a time. Lateness is wake-up minus deadline. On a shared machine compare columns, not runs.
"""

from __future__ import annotations

import argparse
import math
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from tests.bench import children
from tests.bench.children import NotMeasured

PERIOD_US = 1000
HISTOGRAM_US = 20_000  # cyclictest counts by the microsecond up to here
CYCLICTEST = "cyclictest"
NOT_INSTALLED = "not installed: apt-get install rt-tests"

Samples = dict[str, list[NDArray[np.float64]]]
"""Lateness of every wake-up [us] by contender, an array a turn."""
Missing = dict[str, str]
"""Contenders of which a turn could not be measured, and why; none of their turns counts."""


def arguments() -> argparse.ArgumentParser:
    """What can be chosen, with its defaults."""
    cores = sorted(os.sched_getaffinity(0))
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--core", type=int, default=cores[-1], help="core to run on (default: the last)")
    parser.add_argument("--priority", type=int, default=80, help="SCHED_FIFO priority (default 80)")
    parser.add_argument("--seconds", type=float, default=10.0, help="length of each turn (default 10)")
    parser.add_argument("--rounds", type=int, default=3, help="turns of each contender (default 3)")
    parser.add_argument("--spin-us", default="0,100", help="spin lengths to try (default 0,100)")
    parser.add_argument("--work-us", type=float, default=100.0, help="computing a tick (default 100)")
    parser.add_argument("--own-turn", nargs=2, metavar=("SPIN_US", "FILE"), help=argparse.SUPPRESS)
    return parser


def main() -> int:
    """Measure and print; exit status 1 if a contender could not be measured."""
    options = arguments().parse_args()
    if options.own_turn:
        spin_us, path = options.own_turn
        return own_turn(options, float(spin_us), Path(path))
    console = Console()
    samples, notes, missing = measure(options, console)
    console.print(table(options, {name: turns for name, turns in samples.items() if name not in missing}))
    for note in [*notes, *(f"{name}: not measured: {why}" for name, why in missing.items())]:
        console.print(note, markup=False)
    return 1 if missing else 0


def measure(options: argparse.Namespace, console: Console) -> tuple[Samples, list[str], Missing]:
    """All rounds, the contenders in turns; the samples, remarks in sentences, and who is missing."""
    spins = {f"our cycle, spin {float(spin):g} us": float(spin) for spin in options.spin_us.split(",")}
    samples: Samples = {CYCLICTEST: [], **{name: [] for name in spins}}
    notes: list[str] = []
    binary = find_cyclictest(console)
    missing: Missing = {} if binary else {CYCLICTEST: NOT_INSTALLED}
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(options.rounds):
            console.print(f"lateness: round {turn + 1} of {options.rounds}")
            for name, turns in samples.items():
                if name in missing:
                    continue
                try:
                    if name == CYCLICTEST:
                        turns.append(cyclictest_turn(str(binary), options, notes))
                    else:
                        turns.append(our_turn(spins[name], options, notes, Path(folder) / f"{turn}.npy"))
                except NotMeasured as error:
                    missing[name] = str(error)
    return samples, notes, missing


def ticks_of(options: argparse.Namespace) -> int:
    """Wake-ups in a turn."""
    return int(options.seconds * 1e6 / PERIOD_US)


def our_turn(
    spin_us: float, options: argparse.Namespace, notes: list[str], file: Path
) -> NDArray[np.float64]:
    """One turn of our cycle in a process of its own; every wake-up's lateness [us]. Raises NotMeasured."""
    chosen = {"core": options.core, "priority": options.priority,
              "seconds": options.seconds, "work-us": options.work_us}  # fmt: skip
    command = [
        sys.executable,
        "-m",
        "tests.bench.lateness",
        *(f"--{key}={value}" for key, value in chosen.items()),
    ]
    said = children.run("our cycle", [*command, "--own-turn", str(spin_us), str(file)])
    notes += [n for n in said.splitlines() if n not in notes]
    late = np.load(file) if file.exists() else np.zeros(0)
    if len(late) != ticks_of(options) or np.isnan(late).any():
        left = f"{np.count_nonzero(~np.isnan(late))} of {ticks_of(options)} wake-ups"
        raise NotMeasured(f"our cycle left {left}: {children.last_words(said)}")
    file.unlink()  # the next turn's are its own
    return late


def find_cyclictest(console: Console) -> str | None:
    """Path of cyclictest; installs rt-tests where that is possible (Debian, as root), else says so."""
    if shutil.which("cyclictest") is None and os.geteuid() == 0 and shutil.which("apt-get"):
        console.print("cyclictest is missing: installing rt-tests")
        subprocess.run(
            ["apt-get", "install", "-y", "-qq", "rt-tests"], stdout=subprocess.DEVNULL, check=False
        )
    binary = shutil.which("cyclictest")
    if binary is None:
        console.print("no cyclictest: install Debian's rt-tests; only our own lateness is measured")
    return binary


def cyclictest_turn(binary: str, options: argparse.Namespace, notes: list[str]) -> NDArray[np.float64]:
    """One turn of cyclictest; every wake-up's lateness [us], from its histogram by the microsecond.

    Raises NotMeasured.
    """
    command = [
        binary, "--mlockall", "--threads=1", f"--affinity={options.core}", f"--priority={options.priority}",
        f"--interval={PERIOD_US}", f"--loops={ticks_of(options)}",
        f"--histogram={HISTOGRAM_US}", "--quiet",
    ]  # fmt: skip
    out = children.run(CYCLICTEST, command)
    counts = [(int(us), int(n)) for us, n in re.findall(r"^(\d+)\s+(\d+)$", out, re.MULTILINE)]
    late = np.repeat([float(us) for us, _ in counts], [n for _, n in counts])
    # What overflowed the histogram is known only by count and by the greatest of all.
    beyond, most = (
        re.search(rf"# {what}:\s*(\d+)", out) for what in ("Histogram Overflows", "Max Latencies")
    )
    overflow = int(beyond[1]) if beyond else 0
    if most is None or len(late) + overflow != ticks_of(options):
        left = f"{len(late) + overflow} of {ticks_of(options)} wake-ups"
        raise NotMeasured(f"cyclictest left {left}: {children.last_words(out)}")
    greatest = float(most[1])
    if overflow:
        notes.append(f"cyclictest: {overflow} wake-ups beyond {HISTOGRAM_US} us counted as {greatest:g} us")
    return np.concatenate([late, np.full(overflow, greatest)])


def own_turn(options: argparse.Namespace, spin_us: float, path: Path) -> int:
    """One turn of our cycle, in this process; writes every tick's lateness [us] to ``path``."""
    from emulator.core.clock import MonotonicClock
    from emulator.loop.contract import CycleLimits
    from emulator.loop.process import HostSettings, Parts, run_loop_process
    from emulator.shared_memory.block import Snapshot
    from tests.support.stub_plant import StubCan, StubGnss, StubPlant

    ticks = ticks_of(options)
    work_ns = int(options.work_us * 1e3)
    seen = np.full(ticks + 200, np.nan)  # of a wake-up that never was
    lateness = seen.data

    class Worker(StubPlant):
        def finish_tick(self, lateness_us, compute_us):  # type: ignore[no-untyped-def]
            until = time.monotonic_ns() + work_ns
            state = super().finish_tick(lateness_us, compute_us)
            lateness[self.tick_number] = lateness_us
            while time.monotonic_ns() < until:
                pass
            return state

    snapshot = Snapshot.create()
    limits = CycleLimits(3, 4, period_ns=PERIOD_US * 1000, overrun_ns=10**12, max_ticks=ticks)
    parts = Parts(Worker(), StubCan(), StubGnss(), [], limits)
    result = run_loop_process(
        lambda: parts,
        snapshot,
        MonotonicClock(int(spin_us * 1e3)),
        HostSettings(cpu=options.core, priority=options.priority, lock_memory=True, idle_exit_us=0),
    )
    for refused in result["certificate"]["loop"]["host"]["refused"]:
        print(f"our cycle was refused {refused}")
    np.save(path, seen[: min(ticks, result["outcome"]["ticks"])])
    snapshot.close()
    return 0


def exact(values: NDArray[np.float64], fraction: float) -> float:
    """Nearest-rank percentile of all samples."""
    ordered = np.sort(values)
    return float(ordered[max(0, math.ceil(fraction * len(ordered) - 1e-9) - 1)])


def table(options: argparse.Namespace, samples: Samples) -> Table:
    """One row a contender: all its turns together, and the best and worst turn's p99."""
    out = Table(
        title=f"lateness in us: core {options.core}, SCHED_FIFO {options.priority}, every {PERIOD_US} us, "
        f"{options.rounds} x {options.seconds:g} s each"
    )
    for column in ("", "wake-ups", "p50", "p99", "p99.9", "max", "p99 of best and worst turn"):
        out.add_column(column, justify="left" if not column else "right")
    for name, turns in samples.items():
        if not turns:
            continue
        together = np.concatenate(turns)
        spread = sorted(exact(t, 0.99) for t in turns)
        out.add_row(
            name,
            str(len(together)),
            *(f"{exact(together, f):.0f}" for f in (0.5, 0.99, 0.999, 1.0)),
            f"{spread[0]:.0f} .. {spread[-1]:.0f}",
        )
    return out


if __name__ == "__main__":
    sys.exit(main())
