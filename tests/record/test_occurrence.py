"""When an event happened, by its bit and, where it has none, by the log; more in support/criteria_checks."""

from pathlib import Path

import numpy as np

from emulator.core.signals import EVENT_BITS
from emulator.record.occurrence import Occurrence, occurrence
from emulator.record.reader import Event, Frames, Run

TICK = np.arange(-5, 15)
NONE = np.empty(0, np.int64)


def record(mask, events=(), names=("a", "b")) -> Run:
    signals = {
        "bench.events_active": np.zeros(len(TICK)) + mask,
        "bench.state": np.where(TICK < 0, 1.0, np.where(TICK < 10, 2.0, 3.0)),
    }
    frames = Frames(*[NONE] * 8)
    manifest = {"scenario": {"events": [{"name": name} for name in names]}}
    return Run(Path(), manifest, TICK, TICK * 10**6, signals, frames, list(events))


def active(first, end):
    return ((first <= TICK) & (end > TICK)) * 1.0


def test_by_its_bit():
    run = record(active(2, 4) + 2.0 * active(3, 99))
    assert occurrence(run, "a") == Occurrence(7, 9)
    assert occurrence(run, "b") == Occurrence(8, None)  # to the end of the ride, and kept after it
    assert occurrence(run, "c") is None


def test_the_first_time_counts_and_only_while_running():
    run = record(active(-3, -1) + active(4, 5) + active(7, 9))
    assert occurrence(run, "a") == Occurrence(9, 10)


def test_by_the_log_beyond_the_bits():
    names = [f"e{n}" for n in range(EVENT_BITS + 1)]
    log = [
        Event(3, 0.003, "grip_on", names[-1], names[-1]),
        Event(6, 0.006, "grip_off", names[-1], names[-1]),
        Event(8, 0.008, "mark", "note: what it says", "note: what it says"),
    ]
    run = record(2.0**51 * active(1, 2), log, names)
    assert occurrence(run, names[51]) == Occurrence(6, 7)
    assert occurrence(run, names[52]) == Occurrence(8, 11)
    assert occurrence(run, "note") == Occurrence(13, None)


def test_a_record_without_the_mask_or_the_scenario_has_its_log():
    run = record(0.0, [Event(2, 0.002, "fault_on", "a", "a")])
    del run.signals["bench.events_active"]
    assert occurrence(run, "a") == Occurrence(7, None)
    run.manifest.clear()
    assert occurrence(run, "a") == Occurrence(7, None)
    run.events.clear()
    assert occurrence(run, "a") is None
