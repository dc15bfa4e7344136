"""How long a plan takes and how much disk: from earlier nights on this processor, else by assumption."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from emulator.campaign.plan.cases import planned
from emulator.campaign.plan.check import check_cases
from emulator.campaign.plan.estimate import EarlierRuns, earlier_runs, estimate
from tests.support.made_up_plans import PLAN, written


def night(folder: Path, rows: list[tuple[str, str, float, float]]) -> Path:
    """A campaign's folder with a row each: scenario, processor, CPU of the ride, ridden time."""
    (folder / "results").mkdir(parents=True)
    columns = [
        {"scenario": s, "result": "pass", "processor": p, "ridden_s": ridden, "cpu_setup_s": 0.25,
         "cpu_design_s": 0.0, "cpu_ride_s": cpu, "cpu_judge_s": 0.0}
        for s, p, cpu, ridden in rows
    ]  # fmt: skip
    pq.write_table(pa.Table.from_pylist(columns), folder / "results" / "000001.parquet")
    return folder


def test_figures_of_this_processor_are_means_by_scenario(tmp_path: Path) -> None:
    rows = [("bend", "ours", 1.0, 10.0), ("bend", "ours", 2.0, 20.0), ("bend", "other", 9.0, 99.0)]
    earlier = earlier_runs([night(tmp_path / "a", rows), tmp_path / "none"], "ours")
    assert earlier == EarlierRuns(2, {"bend": 1.75}, {"bend": 15.0}, (str(tmp_path / "a"),))
    assert earlier_runs([tmp_path / "a"], "third") == EarlierRuns()


def test_a_scenario_that_was_ridden_counts_its_mean_another_one_the_mean_of_all(tmp_path: Path) -> None:
    campaign = planned(written(tmp_path))
    checked = check_cases(campaign)
    earlier = EarlierRuns(3, {"short bend": 2.0, "elsewhere": 4.0}, {"short bend": 15.0}, ("a",))
    found = estimate(campaign, checked, earlier, workers=2)
    assert found.cpu_s == pytest.approx(10 * 2.0 + 10 * 3.0)
    assert found.wall_s == pytest.approx(25.0)
    assert "3 earlier runs on this processor, of scenarios of 10 of these runs" in found.basis


def test_without_figures_it_is_an_assumption_and_says_so(tmp_path: Path) -> None:
    campaign = planned(written(tmp_path))
    found = estimate(campaign, check_cases(campaign), EarlierRuns(), workers=1)
    assert found.runs == 20
    assert "assumption" in found.basis
    assert found.wall_s == found.cpu_s > 0.0
    assert 10.0 < found.ridden_s / 20 < 30.0  # 160 and 170 m at 50 km/h


def test_runs_that_can_not_be_ridden_take_no_time(tmp_path: Path) -> None:
    text = PLAN.replace("values: [0.05]", "values: [-0.05]")
    campaign = planned(written(tmp_path, text))
    found = estimate(campaign, check_cases(campaign), EarlierRuns(), workers=1)
    assert found.runs == 4  # those without a fault


def test_a_bench_takes_real_time_and_rests(tmp_path: Path) -> None:
    text = PLAN.replace("name: made up\n", "name: made up\nstage: bench\nbench: {rest_s: 5.0}\n")
    campaign = planned(written(tmp_path, text))
    found = estimate(campaign, check_cases(campaign), EarlierRuns(), workers=4)
    assert found.workers == 1
    assert found.wall_s == pytest.approx(found.ridden_s + 20 * 5.0)
