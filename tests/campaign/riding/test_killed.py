"""Killed at any moment and started again: nothing lost, nothing twice, the table of an undisturbed night."""

import multiprocessing
import os
import signal

import numpy as np
import pyarrow.parquet as pq
import pytest

from emulator.campaign.riding import conduct
from emulator.campaign.riding.campaign import Asked, ride_campaign
from emulator.campaign.riding.conduct import Terms
from emulator.campaign.store import folder as store
from emulator.campaign.store.folder import CampaignFolder, result_files
from emulator.campaign.store.reading import read_campaign, read_results
from emulator.campaign.store.schema import without_timings
from tests.support.made_up_rows import made_up_case, made_up_row
from tests.support.stub_riders import StubRiders

CASES = [made_up_case(n) for n in range(40)]
TERMS = Terms(thinnest=0)


def ride(plan, path):
    """A night of stub riders, each row written by itself."""
    with CampaignFolder(path) as folder:
        riders = StubRiders(lambda task: made_up_row(task.case))
        ride_campaign(folder, Asked(plan, "night", CASES, TERMS), lambda: riders)


def ride_and_die(plan, path, step):
    """The same, killed just before the system is asked for the ``step``-th time to do something to files."""
    left = step

    def dying(call):
        def ask(*arguments):
            nonlocal left
            left -= 1
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return call(*arguments)

        return ask

    for name in ("fsync", "replace", "open", "unlink"):
        setattr(os, name, dying(getattr(os, name)))
    ride(plan, path)


def test_killed_again_and_again_the_table_is_that_of_an_undisturbed_night(tmp_path, monkeypatch):
    monkeypatch.setattr(conduct, "WRITE_EVERY_S", 0.0)
    monkeypatch.setattr(store, "MOST_SMALL", 7)
    plan, cut = tmp_path / "night.yaml", tmp_path / "cut"
    plan.write_text("kind: campaign\n")
    ride(plan, tmp_path / "whole")
    chance, kills = np.random.default_rng(5), 0
    while not (cut / "campaign.json").exists() or read_campaign(cut)["state"] == "under_way":
        job = (plan, cut, int(chance.integers(1, 60)))
        process = multiprocessing.get_context("fork").Process(target=ride_and_die, args=job)
        process.start()
        process.join(30.0)
        assert process.exitcode in (0, -signal.SIGKILL)
        kills += process.exitcode != 0
        if (cut / "campaign.json").exists():
            numbers = read_results(cut)["number"].to_pylist()
            assert numbers == sorted(set(numbers))
    assert kills >= 5
    assert without_timings(read_results(cut)).equals(without_timings(read_results(tmp_path / "whole")))
    rows = [n for path in result_files(cut) for n in pq.ParquetFile(path).read()["number"].to_pylist()]
    assert sorted(rows) == list(range(40))  # also in the files themselves


@pytest.mark.parametrize("step", [1, 2, 3])
def test_killed_before_the_first_row_it_begins_anew(tmp_path, step):
    plan = tmp_path / "night.yaml"
    plan.write_text("kind: campaign\n")
    process = multiprocessing.get_context("fork").Process(
        target=ride_and_die, args=(plan, tmp_path / "a", step)
    )
    process.start()
    process.join(30.0)
    assert process.exitcode == -signal.SIGKILL
    ride(plan, tmp_path / "a")
    assert read_results(tmp_path / "a").num_rows == 40
