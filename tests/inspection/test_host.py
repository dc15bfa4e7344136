"""The lateness test of `emulator host`, its sentence, and the command."""

import io
import math
import os
import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest
from rich.console import Console

from emulator.config.rig.file import LoopHost
from emulator.inspection.host import (
    LONGEST_SPIN_us,
    awake_words,
    is_slow_to_wake,
    machine_of,
    measure_lateness,
    promise_words,
    standstill_words,
    summary,
    tables,
)
from emulator.inspection.host_history import HostPromise, Standstills, host_test
from emulator.loop.host import HostReport
from emulator.loop.machine import HostFinding


def late(*values_us, cpu=1, priority=80, idle_exit_us=None):
    granted = HostReport(cpu=cpu, priority=priority, idle_exit_us=idle_exit_us)
    return summary(np.array(values_us, float), granted)


def test_figures_are_nearest_ranks():
    found = late(*range(1, 1001))
    assert (found.p50, found.p99, found.p999, found.greatest) == (500.0, 990.0, 999.0, 1000.0)
    assert (found.wakes, found.overruns) == (1000, 1)


@pytest.mark.parametrize(
    ("promise", "says"),
    [
        (HostPromise(100.0, True), "In 95% of rides 99 % of ticks come within 0.1 ms"),
        (HostPromise(math.inf, True), "no age can be promised"),
        (HostPromise(100.0, True), "not proven to come oftener than once in ten minutes"),
        (HostPromise(100.0, False), "come oftener than once in ten minutes: rides will end as invalid"),
    ],
)
def test_the_sentence_says_what_can_be_promised(promise, says):
    assert says in promise_words(promise)


@pytest.mark.parametrize(
    ("least", "share"),
    # closed form: of rides of 60 s that meet 1 in 60 s on the mean, 1 - 1/e meet at least one
    [(0.0, "0%"), (1.0 / 60.0, "63%")],
)
def test_rides_that_meet_a_standstill_are_those_of_the_lower_bound(least, share):
    words = standstill_words(Standstills(9, 200, least, 0.2))
    assert words.startswith("standstills of 20 ms: 9, so ")
    assert f"at least {share} of rides of a minute meet one" in words


def test_a_core_that_is_slow_to_wake_is_tried_awake_and_what_helps_is_said():
    slow, quick = late(*[0.1] * 90, *[30.0] * 10), late(*[0.1] * 100)
    assert is_slow_to_wake(slow, 100.0)
    assert not is_slow_to_wake(slow, LONGEST_SPIN_us)
    assert not is_slow_to_wake(quick, 100.0)
    assert "loop: {spin_us: 800}" in awake_words(slow, quick)
    assert "no better this time" in awake_words(slow, slow)
    out = io.StringIO()
    test = host_test(np.ones(1000), "one", datetime(2026, 1, 1, tzinfo=UTC))
    Console(file=out, width=80).print(tables([], slow, [test], 100.0, quick))
    rows = [line.split() for line in out.getvalue().splitlines()]
    assert ["100", "0.1", "30.0", "30.0", "30.0", "0"] in rows
    assert ["800", "0.1", "0.1", "0.1", "0.1", "0"] in rows
    assert "--spin-us 800" in " ".join(out.getvalue().split())


def test_no_rig_may_ask_for_more_than_what_is_tried():
    with pytest.raises(ValueError, match="spin_us"):
        LoopHost(spin_us=LONGEST_SPIN_us + 1.0)
    assert LoopHost(spin_us=LONGEST_SPIN_us).spin_us == LONGEST_SPIN_us


def test_another_setting_is_another_machine():
    found = late(1.0)
    governed = [
        HostFinding("frequency governor", "powersave", "poor"),
        HostFinding("serial ttyS0", "", "good"),
    ]
    free = [HostFinding("frequency governor", "performance", "good")]
    assert machine_of(found, 100.0, governed) == machine_of(found, 100.0, governed[:1])
    others = {
        machine_of(found, 100.0, governed),
        machine_of(found, 100.0, free),
        machine_of(found, 0.0, free),
        machine_of(late(1.0, priority=0), 100.0, free),
        machine_of(late(1.0, cpu=0), 100.0, free),
        machine_of(late(1.0, idle_exit_us=0), 100.0, free),
    }
    assert len(others) == 6


def test_a_host_is_measured_and_what_it_refuses_is_told():
    found = measure_lateness(0.3, 4095, 0, 0.0, None)
    assert found.wakes == 300
    assert 0.0 <= found.p50 <= found.p99 <= found.greatest
    assert any("core 4095" in line for line in found.refused)


def host_command(folder, *options):
    return subprocess.run(
        [sys.executable, "-m", "emulator", "host", *options],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**os.environ, "XDG_STATE_HOME": str(folder)},
    )


def test_the_command_prints_both_tables_and_remembers(tmp_path):
    done = host_command(tmp_path, "--seconds", "0.2", "--priority", "0")
    assert done.returncode in (0, 2), done.stderr
    for words in (
        "This machine",
        "clock source",
        "Woken every millisecond, 200 times",
        "p99.9",
        "this test alone",
    ):
        assert words in done.stdout
    again = host_command(tmp_path, "--seconds", "0.2", "--priority", "0")
    assert "2 tests since" in again.stdout


def test_a_folder_that_takes_nothing_costs_the_history_only(tmp_path):
    (tmp_path / "emulator").write_text("in the way")
    done = host_command(tmp_path, "--seconds", "0.2", "--priority", "0")
    assert done.returncode in (0, 2), done.stderr
    assert "could not be kept" in done.stdout


def test_wrong_options_name_themselves(tmp_path):
    refused = host_command(tmp_path, "--seconds", "0")
    assert refused.returncode == 3
    assert "--seconds" in refused.stderr
