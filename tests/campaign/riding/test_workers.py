"""Worker processes: who dies or hangs is replaced, its case ridden again up to a limit; none is missing."""

import multiprocessing
import os
import subprocess
import time
from pathlib import Path

import pytest

from emulator.campaign.riding import worker
from emulator.campaign.riding.worker import Job, OutOfMemory, Task
from emulator.campaign.riding.workers import Workers
from emulator.core.errors import StartFailed
from tests.support.made_up_rows import made_up_case
from tests.support.stub_workers import never_ready, serve

JOB = Job(Path("plan.yaml"), None, {}, 1 << 33)


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """Processes made in a moment: what these do needs none of the libraries loaded anew."""
    fork = multiprocessing.get_context("fork")
    monkeypatch.setattr("emulator.campaign.riding.workers.multiprocessing.get_context", lambda _: fork)


def ridden(labels, count=2, limit_s=60.0, attempts=2):
    """Rows by number, workers lost by number."""
    found = {}
    with Workers(JOB, count, limit_s, attempts, serve) as workers:
        for n, label in enumerate(labels):
            workers.give(Task(n, made_up_case(n, label=label), ()))
        while len(found) < len(labels):
            found |= {one.task.turn: (one.ridden.row, one.lost) for one in workers.done(1.0)}
        pids = [worker.process.pid for worker in workers._workers]
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)
    return [found[n] for n in range(len(labels))]


def test_dead_and_hung_workers_are_replaced_and_every_case_has_a_row(tmp_path):
    labels = ["pass", f"die once: {tmp_path / 'died'}", "hang", "pass", "leave", "memory", "pass"]
    rows = ridden(labels, count=2, limit_s=1.0, attempts=2)
    assert [row["result"] for row, _ in rows] == ["pass", "pass", "error", "pass", "error", "error", "pass"]
    assert [lost for _, lost in rows] == [0, 1, 2, 0, 2, 2, 0]
    assert [(row["cause_kind"], row["cause"]) for row, _ in rows if row["result"] == "error"] == [
        ("took too long", "it took more than 1 s by the clock, 2 times"),
        ("worker lost", "the worker that rode it was lost, 2 times: exit status 3"),
        ("out of memory", "memory ran out, 2 times"),
    ]


def test_a_case_that_always_kills_is_given_up_with_the_signals_name():
    ((row, lost),) = ridden(["die"], count=1, attempts=1)
    assert (row["cause"], lost) == ("the worker that rode it was lost: ended by SIGKILL", 1)


def test_workers_that_can_not_begin_end_it_all():
    def wait(workers):
        until = time.monotonic() + 30.0
        while time.monotonic() < until:
            workers.done(1.0)

    with Workers(JOB, 1, 60.0, 2, never_ready) as workers:
        workers.give(Task(0, made_up_case(0), ()))
        with pytest.raises(StartFailed, match="could not begin: exit status 7"):
            wait(workers)


def test_nobody_is_started_before_there_is_something_to_ride():
    with Workers(JOB, 2, 60.0, 2, serve) as workers:
        assert workers.idle() == 2
        assert workers._workers == []


class Loud:
    """Cases whose robot prints, as it does it or a program of its own; one of them finds a bug of ours."""

    def __init__(self, *_):
        pass

    def ride(self, case, keep):
        os.write(1, b"printed")
        os.write(2, b"complained")
        subprocess.run("echo said; echo whined >&2", shell=True, check=True)
        if case.label == "bug":
            raise ValueError("a bug of ours")
        return OutOfMemory()


@pytest.mark.parametrize("label", ["quiet", "bug"])
def test_what_robots_print_goes_nowhere_and_a_bug_of_ours_is_told(label, monkeypatch, capfd):
    monkeypatch.setattr(worker, "Cases", Loud)
    with Workers(JOB, 1, 60.0, 1, worker.serve) as workers:
        workers.give(Task(0, made_up_case(0, label=label), ()))
        while not workers.done(1.0):
            pass
    out, err = capfd.readouterr()
    assert out == ""
    assert not any(word in err for word in ("printed", "complained", "said", "whined"))
    assert ("ValueError: a bug of ours" in err) == (label == "bug")
