"""Gates in the way of frames: which direction, since when, and what is left when the ride is over."""

import numpy as np

from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import RUNNING, TRIPPED
from emulator.events.frame_faults import DELAY, FROM_ROBOT, INSERTION, LOSS, TO_ROBOT, frame_fault_table
from emulator.events.table import event_table
from emulator.plant.bus import apply_frame_faults, inject_overload

RUN = np.dtype([("state", "i8"), ("scenario_tick", "i8"), ("tick", "i8"), ("overload_owed", "f8"),
                ("overload_id", "i8"), ("overload_frame_ns", "i8")])  # fmt: skip
MINE = 0x101


def passed(effect, direction, ticks, states, started=0, **values):
    """Frames that come out in each tick, where one comes in in tick 0; and the gate."""
    run, table, events = np.zeros(1, RUN)[0], frame_fault_table(1), event_table(1)
    table["effect"], table["direction"], table["can_id"], table["length"] = effect, TO_ROBOT, MINE, 1
    for key, value in values.items():
        table[key] = value
    events["live"], events["started"] = 1, started
    frames, scratch_frames, out = frame_buffer(8), frame_buffer(8), []
    for tick in range(ticks):
        run["tick"], run["scenario_tick"], run["state"] = 1000 + tick, tick, states(tick)
        frames.count[0] = 1 if tick == 0 else 0
        frames.can_id[0], frames.length[0] = MINE, 1
        apply_frame_faults(run, table, events, np.zeros(2, np.uint64), direction, frames, scratch_frames)
        out.append(int(frames.count[0]))
    return out, table[0]


def test_a_gate_acts_on_frames_of_its_direction_alone():
    assert passed(LOSS, TO_ROBOT, 1, lambda _: RUNNING)[0] == [0]
    assert passed(LOSS, FROM_ROBOT, 1, lambda _: RUNNING)[0] == [1]


def test_what_it_inserts_counts_from_its_own_start():
    assert passed(INSERTION, TO_ROBOT, 8, lambda _: RUNNING, started=-1, every=3)[0] == [
        1,
        0,
        1,
        0,
        0,
        1,
        0,
        0,
    ]


def test_what_it_holds_back_is_dropped_when_the_ride_is_over():
    out, gate = passed(DELAY, TO_ROBOT, 6, lambda t: RUNNING if t < 2 else TRIPPED, delay=4)
    assert out == [0] * 6
    assert gate["head"] == gate["tail"] == 1
    assert passed(DELAY, TO_ROBOT, 6, lambda _: RUNNING, delay=4)[0] == [0, 0, 0, 0, 1, 0]


def test_a_crowd_takes_what_it_is_owed_and_keeps_the_rest():
    run = np.zeros(1, RUN)[0]
    run["overload_frame_ns"], run["overload_id"] = 300_000, 5
    frames, scratch_frames, out = frame_buffer(8), frame_buffer(8), []
    for _ in range(6):
        run["overload_owed"] += 500_000.0
        frames.count[0] = 0
        inject_overload(run, frames, scratch_frames)
        out.append(int(frames.count[0]))
    assert out == [1, 2, 2, 1, 2, 2]
    assert run["overload_owed"] == 0.0
