"""What the pieces of a tick cost, each in a compiled loop on a bike that is riding.

Blocks of calls are so short that most of them run undisturbed even on a shared machine: the best block is
what the code costs, the median what it cost here.
"""

from __future__ import annotations

import dataclasses
import statistics
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba
import numpy as np
from numba.core.runtime import _nrt_python, rtsys
from numpy.typing import NDArray

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session, mission
from emulator.config.rig.outputs import COMMAND_FRAMES, Output
from emulator.core.compiled import jit, jit_with_memory
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.signals import OUTPUT, RUNNING
from emulator.plant.step import WHOLE, tick
from emulator.robot.mission import ReferenceRider
from emulator.robot.rider import step as ride
from emulator.shared_memory.status import Command
from emulator.stages.virtual import RIDER_EVERY, hear
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.state import N_X
from emulator.wire.dbc_frames import frames_in, load_codec

BLOCK = 100
"""Ticks in a block; the robot's commands would go stale after 150 without frames."""


class Riding:
    """A closed loop stepped from Python up to a place in the ride, with the frames of its last block kept."""

    def __init__(self, session: Session, seconds: float) -> None:
        self.bench, self.rider = Bench(session), ReferenceRider(mission(session))
        self.rx, self.tx, self.inbox = frame_buffer(64), frame_buffer(64), frame_buffer(256)
        self.count = 0
        self.bench.command(Command.ARM, 0.0)
        while self.bench.tick_number < seconds * 1e3:
            self._step()
            assert not self.bench.finished, f"the ride ended at tick {self.bench.tick_number}"
        self._memory = arrays((self.bench.plant, self.rider.rider, self.rx, self.tx, self.inbox))
        self._start = [array.copy() for array in self._memory]
        self._start_tick = int(self.bench.plant.run[0]["tick"])
        heard, seen = [], []
        for _ in range(BLOCK):
            heard.append([column[:16].copy() for column in self.rx])
            self._step(seen)
        self.heard = FrameBuffer(*(np.stack(columns) for columns in zip(*heard, strict=True)))
        self.seen = FrameBuffer(*(np.stack(columns) for columns in zip(*seen, strict=True)))
        self.again()

    def again(self) -> None:
        """Back to where the kept block of frames begins."""
        for array, start in zip(self._memory, self._start, strict=True):
            array[...] = start

    def must_have_ridden(self, ticks: int) -> None:
        """Raises RuntimeError unless the bike rode on: a bench that tripped has less to compute."""
        run, start = self.bench.plant.run[0], self._start_tick
        if run["state"] != RUNNING or run["tick"] != start + ticks:
            raise RuntimeError(f"no ride of {ticks} ticks: state {run['state']}, tick {run['tick'] - start}")

    def _step(self, seen: list[list[NDArray[Any]]] | None = None) -> None:
        tx, inbox = self.tx, self.inbox
        self.bench.tick(self.rx, tx, 0.0, 0.0)
        self.bench.take_events()
        self.count += 1
        first, more = int(inbox.count[0]), int(tx.count[0])
        for into, out in zip(inbox[1:], tx[1:], strict=True):
            into[first : first + more] = out[:more]
        inbox.count[0] = first + more
        self.rx.count[0] = 0
        if (self.count - 1) % RIDER_EVERY == 0:
            if seen is not None:
                seen.append([column[:32].copy() for column in inbox])
            self.rider.step(inbox, self.rx)
            inbox.count[0] = 0
        if burst := self.bench.take_gnss():
            hear(self.rider, burst, self.count - 1)


def arrays(item: object) -> list[NDArray[Any]]:
    """All arrays in tuples of tuples of arrays."""
    if isinstance(item, np.ndarray):
        return [item]
    return [array for part in item for array in arrays(part)] if isinstance(item, tuple) else []


@jit
def _derivatives(body, tyre, x, u, work, xdot, n):  # type: ignore[no-untyped-def]
    for _ in range(n):
        derivative(body, tyre, x, u, work, xdot)


@jit
def _steps(body, tyre, x, u, work, n):  # type: ignore[no-untyped-def]
    for _ in range(n):
        begin(body, tyre, x, u, work)
        finish(body, tyre, x, u, 1e-3, work)


@jit
def _ticks(plant, heard, tx, n):  # type: ignore[no-untyped-def]
    h = heard
    for k in range(n):
        rx = FrameBuffer(h.count[k], h.time_ns[k], h.valid_ns[k], h.can_id[k], h.length[k], h.data[k])
        tick(plant, rx, tx, 0.0, 0.0, WHOLE)


# Not in the cache: its folder for this file does not follow the robot's sources.
@numba.njit(nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _rides(rider, seen, tx, n):  # type: ignore[no-untyped-def]
    s = seen
    for k in range(n):
        rx = FrameBuffer(s.count[k], s.time_ns[k], s.valid_ns[k], s.can_id[k], s.length[k], s.data[k])
        ride(rider, rx, tx)


_counted_ticks = jit_with_memory(getattr(_ticks, "py_func", _ticks))
"""The same where the library counts what is asked for; what it calls asks for nothing by itself."""


class Standing:
    """A bench standing by with every frame of the DBC sent every tick: a tick that is all sensors.

    The vehicle does not move on: one derivative for the truth, then sense, measure, delay lines, packing,
    counter and CRC of everything, and the row of recorded signals.
    """

    def __init__(self, session: Session, dbc: Path) -> None:
        names = [name for name, signals in frames_in(dbc).items() if OUTPUT.keys() >= set(signals)]
        outputs = {name: Output(rate_hz=1000.0, latency_ms=5.0) for name in names}
        gnss = session.rig.sensors.gnss.model_copy(update={"rate_hz": 25.0, "latency_ms": 40.0})
        sensors = session.rig.sensors.model_copy(update={"gnss": gnss})
        self.bench = Bench(
            dataclasses.replace(
                session,
                rig=session.rig.model_copy(update={"outputs": outputs, "sensors": sensors}),
                codec=load_codec(dbc, [*names, *COMMAND_FRAMES]),
                outputs=names,
            )
        )
        rx, self.tx = frame_buffer(16), frame_buffer(64)
        self.unheard = FrameBuffer(*(np.stack([column] * BLOCK) for column in rx))
        self.run()
        assert self.tx.count[0] == len(names), f"{self.tx.count[0]} frames of {len(names)} in a tick"

    def run(self, ticks: int = BLOCK) -> None:
        """So many ticks, a block at most."""
        _ticks(self.bench.plant, self.unheard, self.tx, ticks)

    def allocations(self) -> int:
        """Pieces of memory that 20 blocks of ticks ask for, besides what carries a call's arguments over."""
        was_on = _nrt_python.memsys_stats_enabled()
        _nrt_python.memsys_enable_stats()
        try:
            asked = []
            for ticks in (0, BLOCK):
                before = rtsys.get_allocation_stats().alloc
                for _ in range(20):
                    _counted_ticks(self.bench.plant, self.unheard, self.tx, ticks)
                asked.append(rtsys.get_allocation_stats().alloc - before)
        finally:
            if not was_on:
                _nrt_python.memsys_disable_stats()
        if not asked[0]:
            raise RuntimeError("numba counts no memory at all, not even what carries arguments over")
        return int(asked[1] - asked[0])


Runs = dict[str, tuple[Callable[[], object], int]]
"""What to time: a block by name, and the calls in it."""


def measure(
    session: Session,
    *,
    dbc: Path,
    seconds: float,
    blocks: int,
    beside: Callable[[Riding, int], Runs] | None = None,
) -> dict[str, tuple[float, float]]:
    """Best and median cost [us] by piece, at ``seconds`` of the ride; ``beside`` adds pieces of its own.

    Under "allocations", twice, how many pieces of memory the ticks of "sensors" asked for.
    """
    r = Riding(session, seconds)
    standing = Standing(session, dbc)
    p = r.bench.plant
    xdot = np.zeros(N_X)
    steps = r.seen.count.shape[0]

    def called_from_python() -> None:
        for _ in range(BLOCK):
            r.bench.tick(r.rx, r.tx, 0.0, 0.0)

    runs: Runs = {
        "derivative": (lambda: _derivatives(p.body, p.tyre, p.x, p.u, p.work, xdot, BLOCK), BLOCK),
        "vehicle": (lambda: _steps(p.body, p.tyre, p.x, p.u, p.work, BLOCK), BLOCK),
        "tick": (lambda: _ticks(p, r.heard, r.tx, BLOCK), BLOCK),
        "tick from Python": (called_from_python, BLOCK),
        "sensors": (standing.run, BLOCK),
        "rider": (lambda: _rides(r.rider.rider, r.seen, r.rx, steps), steps),
    }
    if beside is not None:
        runs |= beside(r, BLOCK)
    costs: dict[str, list[float]] = {name: [] for name in runs}
    for block in range(blocks + 1):
        for name, (run, calls) in runs.items():
            r.again()
            begun = time.perf_counter_ns()
            run()
            if block:  # the first one compiles
                costs[name].append((time.perf_counter_ns() - begun) * 1e-3 / calls)
            elif name.startswith("tick"):
                r.must_have_ridden(calls)
    asked = float(standing.allocations())
    best_and_median = {name: (min(cost), statistics.median(cost)) for name, cost in costs.items()}
    return {**best_and_median, "allocations": (asked, asked)}
