"""Tests of a host with rides between them: does it say the same each time, do the rides keep what it says?

    python -m tests.bench.host_promises              20 tests of 15 s, a ride after each: about twelve minutes

A line each: the promise, and what the loop of the ride after it kept by its certificate (p99 of its
lateness). Status 1 if the judgement changed or the rides refute that 95 % of them keep the promise (binomial,
95 %: more than three of twenty).
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import tempfile
from pathlib import Path

from scipy.stats import binom

from emulator.inspection.host_history import BROKEN_RIDES
from emulator.record.documents import read_certificate
from tests.bench.children import run
from tests.bench.troubles import ShippedDesk


def judgement(seconds: float) -> str:
    """What one more test makes the host say; the last paragraph of the screen."""
    command = [sys.executable, "-m", "emulator", "host", "--seconds", f"{seconds:g}"]
    return run("emulator host", command, statuses=(0, 2)).strip().splitlines()[-1]


def promised_us(text: str) -> float:
    """The lateness that 99 % of ticks keep; infinite where none is promised."""
    found = re.search(r"within ([\d.]+) ms", text)
    return 1e3 * float(found[1]) if found else float("inf")


def ridden_us(folder: Path) -> tuple[float, float]:
    """Lateness of the loop of one real-time ride: p99 and the greatest [us]."""
    desk = ShippedDesk(folder)
    try:
        desk.start(scenario="short_straight").wait(120.0)
    finally:
        desk.left_over()
    lateness = read_certificate(desk.folder)["loop"]["lateness_us"]
    return lateness["p99"], lateness["max"]


def main() -> int:
    """Run, print, 1 if it flipped or was not kept."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--tests", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=15.0)
    asked = parser.parse_args()
    said: list[str] = []
    broken = 0
    with tempfile.TemporaryDirectory() as state:
        os.environ |= {"XDG_STATE_HOME": state, "COLUMNS": "500"}
        for n in range(1, asked.tests + 1):
            said.append(judgement(asked.seconds))
            with tempfile.TemporaryDirectory() as folder:
                p99, greatest = ridden_us(Path(folder))
            kept = p99 <= promised_us(said[-1])
            broken += not kept
            changed = " (changed)" if len(said) > 1 and said[-1] != said[-2] else ""
            print(
                f"{n}: promised {promised_us(said[-1]):g} us{changed}; ridden p99 {p99:.0f} us, greatest "
                f"{greatest:.0f} us{'' if kept else ' <-- not kept'}",
                flush=True,
            )
    for text in dict.fromkeys(said):
        print(f"said {said.count(text)} times: {text}")
    print(f"kept by {asked.tests - broken} of {asked.tests} rides, promised of {1.0 - BROKEN_RIDES:.0%}")
    refuted = binom.sf(broken - 1, asked.tests, BROKEN_RIDES) < 0.05
    return int(refuted or len(set(said)) > 1)


if __name__ == "__main__":
    sys.exit(main())
