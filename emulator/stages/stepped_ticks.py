"""A tick of the plant on the stepped clock, for whoever rides: frames in, signals and frames out, the record.

What the robot does in the tick comes behind it, and then the bus goes on (``stepped_bus``).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.session import Session
from emulator.core.compiled import held_by_address, jit
from emulator.core.frame_buffer import NO_ARRIVAL, FrameBuffer, frame_buffer
from emulator.core.signals import TICK_NS
from emulator.loop.certificate import FrameAccounts, account_frames
from emulator.plant.states import NOT_ENDED
from emulator.plant.step import WHOLE, Plant, tick
from emulator.stages.stepped_bus import bench_hands_over, bus_of
from emulator.stages.stepped_loop import NO_NUMBER
from emulator.wire.arbitration import Bus, arrived_by, drop_first, known

Held: TypeAlias = Any
"""Where plant, ``rx`` and ``tx`` are laid out for its tick (``emulator.core.bound_arguments``)."""
StepPlant: TypeAlias = Callable[[Held, float, float, int], int]

FRAMES_A_TICK = 512
"""Most frames in and out in a tick, faults included."""


def on_the_bus(session: Session) -> tuple[FrameBuffer, FrameBuffer, FrameBuffer, FrameBuffer, Bus]:
    """What ``run_ticks`` takes from ``rx`` to ``bus``, empty."""
    return frame_buffer(1024), frame_buffer(256), frame_buffer(1024), frame_buffer(16), bus_of(session)


def held_tick(plant: Plant, rx: FrameBuffer, tx: FrameBuffer) -> tuple[StepPlant, Held]:
    """The plant's tick by its address, and what it is called with in place of plant and frames."""
    return held_by_address(tick, (plant, rx, tx), 0.0, 0.0, WHOLE)


@jit
def plant_tick(
    step_plant: StepPlant,
    held: Held,
    plant: Plant,
    rx: FrameBuffer,
    tx: FrameBuffer,
    inbox: FrameBuffer,
    bus: Bus,
    accounts: FrameAccounts,
    row: NDArray[np.float64],
    frames: NDArray[np.int64],
    payloads: NDArray[np.uint8],
    m: int,
) -> int:
    """One tick; returns where its frames, from ``m`` on, end.

    step_plant, held  see :func:`held_tick`
    rx, tx    frames to and from the plant; inbox: where the robot finds what is sent without a known bit rate
    bus       takes the bench's frames, if its bit rate is known
    accounts  the certificate's counters
    row       (len(SIGNALS),)    out: signals
    frames    (m, FRAME_COLUMNS) as in a Block
    payloads  (m, 8 or 64)       their bytes
    """
    run = plant.run[0]
    shared = known(bus)
    now, coming = run.tick * TICK_NS, rx.count[0]
    count_in = arrived_by(rx, now) if shared else coming
    rx.count[0] = count_in
    step_plant(held, 0.0, 0.0, WHOLE)
    origin = now - run.scenario_tick * TICK_NS
    counts = run.start_tick > 0 and run.end_reason == NOT_ENDED
    if shared:
        bench_hands_over(bus, accounts, tx, now, origin, counts, run.bus_off != 0)
    elif counts:
        account_frames(accounts, run.scenario_tick * TICK_NS, tx.count[0], tx)
    m = record_tick(plant, rx, tx, bus, row, frames, payloads, m)
    rx.count[0] = coming
    drop_first(rx, count_in)
    if not shared:
        for i in range(tx.count[0]):
            j = inbox.count[0]
            if j < inbox.can_id.shape[0]:
                inbox.can_id[j], inbox.length[j], inbox.time_ns[j] = tx.can_id[i], tx.length[i], now
                for k in range(tx.length[i]):
                    inbox.data[j, k] = tx.data[i, k]
                inbox.count[0] = j + 1
    return m


@jit
def record_tick(
    plant: Plant,
    rx: FrameBuffer,
    tx: FrameBuffer,
    bus: Bus,
    row: NDArray[np.float64],
    frames: NDArray[np.int64],
    payloads: NDArray[np.uint8],
    m: int,
) -> int:
    """Row and frames of the tick just computed; returns where its frames end.

    rx, tx  what the plant got in it and what it sent; the others as in :func:`plant_tick`
    """
    run, memory = plant.run[0], plant.memory[0]
    shared, now = known(bus), run.scenario_tick
    for k in range(row.shape[0]):
        row[k] = memory.row[k]
    origin = (run.tick - 1 - now) * TICK_NS
    for i in range(rx.count[0]):
        frames[m, 0], frames[m, 1], frames[m, 2] = now, now * TICK_NS, 0
        frames[m, 3], frames[m, 4], frames[m, 5] = 0, rx.can_id[i], rx.length[i]
        frames[m, 6], frames[m, 7] = NO_ARRIVAL, NO_NUMBER
        if shared:
            frames[m, 1], frames[m, 6] = rx.valid_ns[i] - origin, rx.time_ns[i] - origin
        for k in range(payloads.shape[1]):
            payloads[m, k] = rx.data[i, k]
        m += 1
    for i in range(tx.count[0]):
        frames[m, 0], frames[m, 1], frames[m, 2] = now, tx.time_ns[i], tx.valid_ns[i]
        frames[m, 3], frames[m, 4], frames[m, 5] = 1, tx.can_id[i], tx.length[i]
        frames[m, 6], frames[m, 7] = NO_ARRIVAL, bus.numbers[i] if shared else NO_NUMBER
        for k in range(payloads.shape[1]):
            payloads[m, k] = tx.data[i, k]
        m += 1
    return m
