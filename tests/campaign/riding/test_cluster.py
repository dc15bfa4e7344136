"""The same plan against a scheduler of dask.distributed with three workers, one of them killed."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time

import pyarrow as pa
import pytest

from emulator.campaign.plan.cases import planned
from emulator.campaign.riding.campaign import asked_of, ride_campaign
from emulator.campaign.riding.cluster import Cluster
from emulator.campaign.riding.files import bundle_of, files_of
from emulator.campaign.riding.one_case import Cases
from emulator.campaign.store.folder import CampaignFolder
from emulator.campaign.store.reading import read_results
from emulator.campaign.store.schema import without_timings
from emulator.core.errors import DeviceAbsent
from tests.cli.campaign.test_run import PLAN, write_plan


@contextlib.contextmanager
def scheduler_with(workers, folder):
    """Address of a scheduler and process ids of its workers."""
    started = []

    def start(*command):
        process = subprocess.Popen(
            [sys.executable, "-m", "distributed.cli." + command[0], *command[1:]],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        started.append(process)
        return process

    file = folder / "scheduler.json"
    start(
        "dask_scheduler",
        "--scheduler-file",
        str(file),
        "--no-dashboard",
        "--port",
        "0",
        "--host",
        "127.0.0.1",
    )
    options = ("--scheduler-file", str(file), "--no-dashboard", "--no-nanny", "--nthreads", "1")
    pids = [start("dask_worker", *options, "--local-directory", str(folder)).pid for _ in range(workers)]
    try:
        yield file, pids
    finally:
        for process in started:
            process.kill()
            process.wait()


@pytest.mark.timing
@pytest.mark.filterwarnings("default")
def test_three_workers_one_killed_give_the_table_of_one_process(tmp_path):
    from distributed import Client

    plan = write_plan(tmp_path, PLAN.replace("count: 2", "count: 12").replace("most: 1", "most: 3"))
    made = planned(plan)
    with scheduler_with(3, tmp_path) as (file, pids):
        while not file.exists():
            time.sleep(0.1)
        address = json.loads(file.read_text())["address"]
        with Client(address) as client:
            client.wait_for_workers(3, timeout=60)
        killed = []

        def tell(progress):
            if progress.counts.done >= 5 and not killed:
                os.kill(pids[0], signal.SIGKILL)
                killed.append(progress.counts.done)

        with CampaignFolder(tmp_path / "night") as folder:
            ending = ride_campaign(
                folder,
                asked_of(made),
                lambda: Cluster(address, plan, bundle_of(files_of(made.cases, made.files), plan)),
                tell,
            )
    assert killed
    assert ending.state == "complete"
    cases = Cases(plan, None)
    table = read_results(tmp_path / "night")
    alone = pa.Table.from_pylist([cases.ride(c).row for c in made.cases], schema=table.schema)
    assert without_timings(table).equals(without_timings(alone))


def test_nobody_at_the_address_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("emulator.campaign.riding.cluster._JOIN_S", 0.3)
    plan = write_plan(tmp_path)
    with pytest.raises(DeviceAbsent, match="no scheduler answers at tcp://127"):
        Cluster("tcp://127.0.0.1:9", plan, bundle_of({}, plan))
