"""The shipped scenarios ridden by two versions of the code on this machine: are the values the same?

    python -m tests.bench.same_rides OTHER [--only WORD] [--jobs N] [--keep FOLDER]

OTHER is another checkout, for example one made by ``git worktree add ../before REVISION``; each rides its own
files through its own public face, with the Python that runs this. Compared are all recorded signals, frames
and sentences, value for value, and events and verdict. What is only called otherwise is in ``RENAMED``.
Ends with 0 if nothing differs, 1 if anything does, 2 if a scenario could not be ridden in one of them.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
RENAMED = {"bench.fault_active": "bench.events_active"}
"""Recorded signals by the name they had."""
RIGS = {
    "angle_driven": "angle_driven.yaml",
    "bus": "megabit.yaml",
    "electronics": "own_units.yaml",
    "trainer_lap.yaml": "trainer.yaml",
}
"""What is not ridden on the loopback bench."""
SEED = 3
RIDE = """
import sys
from pathlib import Path
import emulator
out = Path(sys.argv[1])
for pair in sys.argv[2:]:
    rig, scenario = map(Path, pair.split("|"))
    folder = out / str(scenario.relative_to("scenarios/runs").with_suffix("")).replace("/", "-")
    if folder.exists():
        continue
    session = emulator.load_session(rig, scenario, seed=%d)
    emulator.ride(session, (rig, scenario), folder, virtual=True)
    (folder / "report.html").unlink()
    print(folder.name, flush=True)
"""


def shipped(tree: Path, only: str) -> list[tuple[str, str]]:
    """Rig and scenario of every shipped ride, relative to the tree."""
    rides = []
    for path in sorted((tree / "scenarios" / "runs").rglob("*.yaml")):
        name = path.relative_to(tree / "scenarios" / "runs").as_posix()
        rig = RIGS.get(name, RIGS.get(name.split("/")[0], "loopback.yaml"))
        if only in name:
            rides.append((f"scenarios/rigs/{rig}", f"scenarios/runs/{name}"))
    return rides


def ride_all(tree: Path, rides: list[tuple[str, str]], out: Path, jobs: int) -> bool:
    """Ride them in so many processes of that tree; False if any of these failed."""
    out.mkdir(parents=True, exist_ok=True)
    env = {**os.environ, "PYTHONPATH": str(tree)}
    shares = [rides[k::jobs] for k in range(jobs)]
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", RIDE % SEED, str(out), *("|".join(pair) for pair in share)],
            cwd=tree,
            env=env,
        )
        for share in shares
        if share
    ]
    statuses = [process.wait() for process in processes]
    return not any(statuses)


def differences(before: Path, after: Path) -> Iterator[str]:
    """What differs between two records, in a phrase each."""
    from emulator.record.reader import read_run

    old, new = read_run(before), read_run(after)
    if not np.array_equal(old.tick, new.tick):
        yield f"ticks: {len(old.tick)} before, {len(new.tick)} now"
        return
    names = {RENAMED.get(name, name): name for name in old.signals}
    for name in sorted(names.keys() ^ new.signals.keys()):
        yield f"{name}: only {'before' if name in names else 'now'}"
    for name in names.keys() & new.signals.keys():
        a, b = old.signals[names[name]], new.signals[name]
        if not np.array_equal(a, b, equal_nan=True):
            first = int(np.argmax((a != b) & ~(np.isnan(a) & np.isnan(b))))
            yield f"{name}: up to {np.nanmax(np.abs(a - b)):.3g} off, first at tick {old.tick[first]}"
    for name, a, b in zip(old.frames._fields, old.frames, new.frames, strict=True):
        if not np.array_equal(a, b):
            yield f"frames: {name}"
    if (before / "gnss.nmea").read_bytes() != (after / "gnss.nmea").read_bytes():
        yield "sentences"
    told = [[(e.tick, e.kind, e.name) for e in run.events] for run in (old, new)]
    if told[0] != told[1]:
        yield f"events: {sum(a != b for a, b in zip(*told, strict=False))} of {len(told[0])}"
    verdicts: list[dict[str, Any]] = [json.loads((f / "verdict.json").read_text()) for f in (before, after)]
    for key in ("result",):
        if verdicts[0][key] != verdicts[1][key]:
            yield f"verdict: {verdicts[0][key]} before, {verdicts[1][key]} now"
    margins = [[c["margin"] for c in v["criteria"]] for v in verdicts]
    if margins[0] != margins[1]:
        yield f"margins: {margins[0]} before, {margins[1]} now"


def main() -> int:
    """Ride, compare, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("other", type=Path, help="the other checkout")
    parser.add_argument("--only", default="", metavar="WORD", help="scenarios whose name has it")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument(
        "--keep", type=Path, help="folder for the records; those that are there are not ridden again"
    )
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        out = options.keep or Path(scratch)
        trees = {"before": options.other.resolve(), "now": ROOT}
        rides = {when: shipped(tree, options.only) for when, tree in trees.items()}
        rode = {when: ride_all(trees[when], rides[when], out / when, options.jobs) for when in trees}
        names = sorted(
            {p.name for p in (out / "before").iterdir()} | {p.name for p in (out / "now").iterdir()}
        )
        differing = 0
        for name in names:
            pair = out / "before" / name, out / "now" / name
            if all((folder / "verdict.json").exists() for folder in pair):
                found = list(differences(*pair))
            else:
                found = [f"ridden only {'before' if pair[0].exists() else 'now'}"]
            differing += bool(found)
            print(f"{name}: {'; '.join(found) if found else 'the same'}", flush=True)
    print(f"{len(names)} scenarios, {differing} differ")
    return 2 if not all(rode.values()) else 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main())
