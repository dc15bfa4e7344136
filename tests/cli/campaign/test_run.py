"""``emulator campaign run`` on a small plan: the table, the record of a surprise, the words, the status."""

import contextlib
import io
import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pyarrow as pa
import pytest

from emulator.campaign.plan.cases import planned
from emulator.campaign.riding.conduct import Ending
from emulator.campaign.riding.one_case import Cases
from emulator.campaign.store.counts import Counts
from emulator.campaign.store.reading import read_campaign, read_results
from emulator.campaign.store.schema import SCHEMA, without_timings
from emulator.cli.campaign.run import exit_status
from tests.support.command_line import emulator_command
from tests.support.scripted_robot import SCENARIOS

PLAN = """\
kind: campaign
name: small night
parts:
  bends:
    scenarios: [RUNS/short_bend.yaml, RUNS/short_straight.yaml]
    rigs: [RIGS/loopback.yaml]
    over: {scenario: {duration_limit_s: 1.5, criteria: [{kind: speed_error, remove: true}]}}
    seeds: {count: 2}
  broken:
    scenarios: [broken.yaml]
    rigs: [RIGS/loopback.yaml]
keep: {thinnest: 0, most: 1}
"""


def write_plan(folder, text=PLAN):
    path = folder / "small.yaml"
    folder.joinpath("broken.yaml").write_text("kind: scenario\nname: broken\n")
    path.write_text(text.replace("RUNS", str(SCENARIOS / "runs")).replace("RIGS", str(SCENARIOS / "rigs")))
    return path


def start(plan, folder, *more):
    """The command in a process, with its own group."""
    command = [sys.executable, "-m", "emulator", "campaign", "run", str(plan), "--out", str(folder), *more]
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )


def run_here(*words):
    """The command in this process, its workers in theirs; status and what it printed."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        status = emulator_command("campaign", "run", *map(str, words))
    return status, out.getvalue()


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Ridden by two workers."""
    folder = tmp_path_factory.mktemp("plan")
    plan = write_plan(folder)
    status, out = run_here(plan, "--out", folder / "night", "--workers", "2", "--json")
    return plan, folder / "night", status, out


@pytest.mark.slow
def test_it_tells_the_counts_and_ends_with_the_status_of_a_surprise(night):
    _, folder, status, out = night
    told = json.loads(out)
    assert status == 1
    assert told["exit_status"] == 1
    assert told["state"] == "complete"
    assert {key: told[key] for key in ("cases", "surprises", "errors", "as_expected", "not_reached")} == {
        "cases": 5,
        "surprises": 4,
        "errors": 1,
        "as_expected": 0,
        "not_reached": 0,
    }
    assert told["folder"] == str(folder)
    assert read_campaign(folder)["state"] == "complete"


@pytest.mark.slow
def test_two_workers_give_the_table_of_one_process(night):
    plan, folder, *_ = night
    made = planned(plan)
    cases = Cases(plan, None)
    alone = pa.Table.from_pylist([cases.ride(case).row for case in made.cases], schema=SCHEMA)
    table = read_results(folder)
    place = table.column_names.index("kept")
    kept = table["kept"].to_pylist()
    table = table.set_column(place, SCHEMA.field(place), pa.nulls(table.num_rows, pa.string()))
    assert without_timings(table).equals(without_timings(alone))
    assert kept == [f"kept/{made.cases[0].id}", None, None, None, None]
    assert (folder / kept[0] / "report.html").exists()
    assert sorted(set(table["worker"].to_pylist())) == [0, 1]


@pytest.mark.slow
def test_the_same_again_rides_nothing_and_says_the_same(night):
    plan, folder, *_ = night
    before = read_results(folder)
    status, out = run_here(plan, "--out", folder, "--quiet")
    assert status == 1
    assert out == f"of 5: 0 as expected, 4 not as expected, 1 could not be ridden; {folder}\n"
    assert read_results(folder).equals(before)


def test_what_is_typed_wrong_is_told(tmp_path, capsys):
    plan = write_plan(tmp_path)
    assert emulator_command("campaign", "run", str(plan), "--json", "--quiet") == 3
    assert "expected either --quiet or --json" in capsys.readouterr().err
    assert emulator_command("campaign", "run", str(tmp_path / "gone.yaml")) == 3
    assert "no such file" in capsys.readouterr().err
    assert list(tmp_path.glob("campaigns")) == []


@pytest.mark.parametrize(
    ("counts", "kinds", "state", "status"),
    [
        (Counts(5), (), "complete", 0),
        (Counts(5, 1, 1, 1), ("files",), "complete", 1),
        (Counts(5, 0, 1, 1), ("files",), "complete", 3),
        (Counts(5, 0, 1, 1), ("worker lost",), "complete", 4),
        (Counts(5, 0, 0, 1), ("drawn vehicle",), "complete", 2),
        (Counts(5, 0, 0, 2), ("drawn vehicle", "worker lost"), "complete", 4),
        (Counts(5, 0, 1), (), "out_of_time", 2),
        (Counts(5), (), "out_of_time", 2),
        (Counts(5, 1), (), "stopped", 5),
    ],
)
def test_exit_status(counts, kinds, state, status):
    rows = [{"result": "error", "cause_kind": kind} for kind in kinds]
    assert exit_status(Ending(state, None, 1.0, 0, counts), rows) == status


@pytest.mark.timing
@pytest.mark.timeout(1800)
def test_killed_at_fifty_moments_the_table_is_that_of_an_undisturbed_night(tmp_path):
    text = PLAN.replace("count: 2", "count: 40")
    plan = write_plan(tmp_path, text)
    start(plan, tmp_path / "whole").communicate(timeout=600)
    whole = without_timings(read_results(tmp_path / "whole"))
    chance, kills, nights = np.random.default_rng(50), 0, 1
    while kills < 50:
        process = start(plan, tmp_path / f"cut{nights}")
        try:
            process.communicate(timeout=float(chance.uniform(0.5, 12.0)))
        except subprocess.TimeoutExpired:
            kills += 1
            os.kill(process.pid, signal.SIGKILL)  # its workers have to notice by themselves
            process.communicate()
        else:  # it was quicker than the kills: the rest of them are for another night
            nights += 1
    start(plan, tmp_path / f"cut{nights}").communicate(timeout=600)
    for night in range(1, nights + 1):
        assert without_timings(read_results(tmp_path / f"cut{night}")).equals(whole)
    print(f"{kills} kills in {nights} nights of {whole.num_rows} cases")


@pytest.mark.timing
@pytest.mark.timeout(1800)
def test_ctrl_c_keeps_what_is_done(tmp_path):
    plan = write_plan(tmp_path, PLAN.replace("count: 2", "count: 40"))
    process = start(plan, tmp_path / "night")
    while not list((tmp_path / "night").glob("results/*.parquet")):
        time.sleep(0.1)
    os.killpg(process.pid, signal.SIGINT)
    out, _ = process.communicate(timeout=30)
    assert process.returncode == 5
    assert "SIGINT: what is done is kept" in out
    done = read_results(tmp_path / "night").num_rows
    assert 0 < done < 81
    assert start(plan, tmp_path / "night").communicate(timeout=600)
    assert read_results(tmp_path / "night").num_rows == 81
