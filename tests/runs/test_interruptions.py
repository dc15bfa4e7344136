"""Ctrl-C and its like: what was ridden is judged; a second one ends at once."""

import os
import signal
import threading

import pytest

from emulator.core.signals import RUNNING
from emulator.record.reader import read_run
from emulator.runs import one
from emulator.runs.interruptions import Interruptions
from tests.support.scripted_robot import RIG, RUN, demo_session, variant

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def hit(number):
    os.kill(os.getpid(), number)


@pytest.mark.parametrize("number", SIGNALS)
def test_the_first_one_is_noted_and_the_second_one_ends(number):
    said = []
    before = [signal.getsignal(n) for n in SIGNALS]
    with Interruptions(said.append) as interrupted:
        assert interrupted.by == ""
        hit(number)
        assert interrupted.by == signal.Signals(number).name
        assert len(said) == 1
        with pytest.raises(KeyboardInterrupt):
            hit(signal.SIGINT)
    assert [signal.getsignal(n) for n in SIGNALS] == before


def test_a_terminal_that_is_closed_says_so_twice_and_still_loses_nothing():
    said = []
    with Interruptions(said.append) as interrupted:
        hit(signal.SIGHUP)
        hit(signal.SIGHUP)
        assert interrupted.by == "SIGHUP"
    assert len(said) == 1


def test_it_takes_the_signals_again_from_a_loop_that_had_them():
    with Interruptions(lambda _: None) as interrupted:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        interrupted.take_over()
        hit(signal.SIGINT)
        assert interrupted.by == "SIGINT"


def test_in_another_thread_nothing_is_taken():
    found = []

    def enter():
        with Interruptions(lambda _: None):
            found.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=enter)
    thread.start()
    thread.join()
    assert found == [signal.getsignal(signal.SIGINT)]


@pytest.mark.parametrize("number", SIGNALS)
def test_a_virtual_ride_that_is_stopped_is_judged_as_stopped(tmp_path, number):
    session = variant(demo_session(), scenario={"duration_limit_s": 60.0})
    asked = []

    def progress(*_):
        if not asked:
            asked.append(number)
            hit(number)

    verdict = one.ride(session, (RIG, RUN), tmp_path / "run", virtual=True, progress=progress)
    assert verdict.result == "stopped"
    assert verdict.reasons[0].startswith(f"stopped by hand ({signal.Signals(number).name}) ")
    run = read_run(tmp_path / "run")
    assert run.verdict["result"] == "stopped"
    assert (run.signals["bench.state"] == RUNNING).any()
    assert run.signals["bench.state"][-1] != RUNNING  # the signals went to rest
    assert run.time_s[-1] < 30.0
    assert (tmp_path / "run" / "report.html").exists()


def test_a_stop_asked_for_while_the_verdict_is_written_loses_nothing(tmp_path, monkeypatch):
    session = variant(demo_session(), scenario={"duration_limit_s": 2.0})
    write = one.write_report

    def interrupted(folder, **known):
        hit(signal.SIGINT)
        write(folder, **known)

    monkeypatch.setattr(one, "write_report", interrupted)
    verdict = one.ride(session, (RIG, RUN), tmp_path / "run", virtual=True)
    assert verdict.result == "fail"  # the time limit; nobody stopped the ride
    assert (tmp_path / "run" / "report.html").exists()
