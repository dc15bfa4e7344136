"""How long a plan takes and how much disk, before anything is ridden: from earlier nights or by assumption.

Figures of runs come from campaigns that lie in a folder, ridden on the same processor: of each scenario the
mean of its rows, of a scenario that was never ridden the mean of all. Without any, a stated assumption.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from emulator.campaign.plan.cases import PlannedCampaign
from emulator.campaign.plan.check import CheckedCases
from emulator.config.scenario.schema import Scenario

CPU_OF_RIDDEN_SECOND_s = 0.045
CPU_OF_RUN_s = 0.1
"""Processor time of a ridden second and of a run beside it, where nothing was measured yet: those of the
overnight plan's first night on a shared server, rounded up."""
RIDE_s = 15.0
"""How long a ride is taken to be where neither its line nor an earlier night says."""
ROW_bytes = 2_000
"""A run's row in the table."""
KEPT_bytes_a_second = 250_000
KEPT_bytes = 500_000
"""A kept run: its record by ridden second, and its report and files."""


@dataclass(frozen=True)
class EarlierRuns:
    """What runs of earlier nights on this processor took, in means.

    runs     how many
    cpu_s, ridden_s  by name of the scenario
    folders  that they are from
    """

    runs: int = 0
    cpu_s: Mapping[str, float] = field(default_factory=dict)
    ridden_s: Mapping[str, float] = field(default_factory=dict)
    folders: tuple[str, ...] = ()


class Cost(NamedTuple):
    """Ridden time of one ride, and processor time."""

    ridden_s: float
    cpu_s: float


@dataclass(frozen=True)
class Estimate:
    """What a plan is expected to take.

    ridden_s  ridden time of all runs
    cpu_s     processor time; wall_s: by the clock, on ``workers`` processes
    table_bytes, kept_bytes  the table, and records if as many are kept as the plan allows
    basis     a sentence: what this is worked out from
    """

    runs: int
    workers: int
    ridden_s: float
    cpu_s: float
    wall_s: float
    table_bytes: int
    kept_bytes: int
    basis: str


def earlier_runs(campaigns: Iterable[Path], processor: str) -> EarlierRuns:
    """Figures of the results in folders of campaigns; those of other processors are passed over."""
    tables, folders = [], []
    for folder in campaigns:
        parts = [part for part in _tables(folder) if part.num_rows]
        if parts:
            tables += parts
            folders.append(str(folder))
    sums: defaultdict[str, float] = defaultdict(float)
    ridden: defaultdict[str, float] = defaultdict(float)
    counts: Counter[str] = Counter()
    for table in tables:
        for row in table.to_pylist():
            if row["processor"] != processor or row["result"] == "error":
                continue
            name = row["scenario"]
            counts[name] += 1
            sums[name] += sum(row[key] or 0.0 for key in _CPU)
            ridden[name] += row["ridden_s"] or 0.0
    if not counts:
        return EarlierRuns()
    return EarlierRuns(
        sum(counts.values()),
        {name: sums[name] / n for name, n in counts.items()},
        {name: ridden[name] / n for name, n in counts.items()},
        tuple(folders),
    )


_CPU = ("cpu_setup_s", "cpu_design_s", "cpu_ride_s", "cpu_judge_s")


def _tables(folder: Path) -> Iterable[pa.Table]:
    for file in sorted((folder / "results").glob("*.parquet")):
        try:
            yield pq.read_table(file, columns=["scenario", "result", "processor", "ridden_s", *_CPU])
        except (OSError, pa.ArrowException, json.JSONDecodeError):
            continue


def estimate(
    campaign: PlannedCampaign, checked: CheckedCases, earlier: EarlierRuns, workers: int
) -> Estimate:
    """What a plan's cases are expected to take on so many processes; on a bench it is one and real time."""
    plan = campaign.plan
    ridden = cpu = 0.0
    known = 0
    for case in campaign.cases:
        if case.number in checked.wrong:
            continue
        scenario = checked.scenarios.get(case.number)
        known += scenario is not None and scenario.name in earlier.cpu_s
        cost = cost_of(scenario, earlier)
        ridden += cost.ridden_s
        cpu += cost.cpu_s
    runs = len(campaign.cases) - len(checked.wrong)
    if plan.stage == "bench":
        rest = plan.bench.rest_s if plan.bench is not None else 10.0
        wall, basis = ridden + runs * rest, f"every ride in real time and {rest:g} s of rest behind it"
        workers = 1
    else:
        wall = cpu / workers
        basis = (
            f"{earlier.runs} earlier runs on this processor, of scenarios of {known} of these runs"
            if earlier.cpu_s
            else f"an assumption, nothing was ridden here yet: {CPU_OF_RUN_s:g} s of processor time a run "
            f"and {CPU_OF_RIDDEN_SECOND_s:g} s a ridden second"
        )
    kept = min(runs, plan.keep.most)
    each = KEPT_bytes + (ridden / runs if runs else 0.0) * KEPT_bytes_a_second
    return Estimate(runs, workers, ridden, cpu, wall, runs * ROW_bytes, round(kept * each), basis)


def cost_of(scenario: Scenario | None, earlier: EarlierRuns) -> Cost:
    """What a ride of a scenario is expected to take; None: one whose files are wrong."""
    name = "" if scenario is None else scenario.name
    long = earlier.ridden_s.get(name, _ride_s(scenario))
    if not earlier.cpu_s:
        return Cost(long, CPU_OF_RUN_s + long * CPU_OF_RIDDEN_SECOND_s)
    mean = sum(earlier.cpu_s.values()) / len(earlier.cpu_s)
    return Cost(long, earlier.cpu_s.get(name, mean))


def _ride_s(scenario: Scenario | None) -> float:
    """How long a ride is taken to be: its line at three quarters of its top speed, or its limit."""
    if scenario is None:
        return RIDE_s
    length = getattr(scenario.manoeuvre, "length_m", None)
    if length is None:
        return min(scenario.duration_limit_s, RIDE_s if scenario.manoeuvre is not None else 100.0)
    speed = 0.75 * scenario.speed.top_speed_km_h / 3.6
    return float(min(scenario.duration_limit_s, length / speed + 5.0))
