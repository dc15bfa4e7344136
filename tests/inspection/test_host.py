"""The lateness test of `emulator host`, its sentence, and the command."""

import subprocess
import sys

import numpy as np
import pytest

from emulator.inspection.host import measure_lateness, promise, summary
from emulator.loop.host import HostReport


def late(*values_us, cpu=1, priority=80):
    return summary(np.array(values_us, float), HostReport(cpu=cpu, priority=priority))


def test_figures_are_nearest_ranks():
    found = late(*range(1, 1001))
    assert (found.p50, found.p99, found.p999, found.greatest) == (500.0, 990.0, 999.0, 1000.0)
    assert (found.wakes, found.overruns) == (1000, 1)


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ([2.0] * 999 + [40.0], "Punctual: 99.9 % of wake-ups within 2 us, the worst 40 us"),
        ([2.0] * 990 + [480.0] * 10, "Promise ages to 0.5 ms"),
        ([2.0] * 998 + [1500.0, 2300.0], "2 of 1,000 wake-ups (0.20%) came a whole tick or more late"),
    ],
)
def test_the_sentence_says_what_can_be_promised(values, says):
    assert says in promise(late(*values))


def test_a_host_is_measured_and_what_it_refuses_is_told():
    found = measure_lateness(0.3, 4095, 0, 0.0)
    assert found.wakes == 300
    assert 0.0 <= found.p50 <= found.p99 <= found.greatest
    assert any("core 4095" in line for line in found.refused)


def test_the_command_prints_both_tables():
    done = subprocess.run(
        [sys.executable, "-m", "emulator", "host", "--seconds", "0.2", "--priority", "0"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode in (0, 2), done.stderr
    for words in ("This machine", "clock source", "Woken every millisecond, 200 times", "p99.9"):
        assert words in done.stdout
    refused = subprocess.run(
        [sys.executable, "-m", "emulator", "host", "--seconds", "0"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert refused.returncode == 3
    assert "--seconds" in refused.stderr
