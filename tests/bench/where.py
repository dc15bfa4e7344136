"""Where the time of a recorded tick goes, part by part, on a bike that rides.

The tick is that of the virtual stage on a bus of known bit rate, its record kept in memory, computed in the
order of ``emulator.plant.step.tick`` and ``emulator.stages.virtual.run_ticks`` with a look at the clock
behind each part. One stretch of ride is computed again and again from one state, and of each part of each
of its ticks the shortest time counts: what disturbs it once does not disturb it every time. The call of tick
by its address is not in it, nor what Python does between two chunks; ``whole_ride`` has both.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numba
import numpy as np
import pytest
from numpy.typing import NDArray

from emulator.assembly.bench import Bench
from emulator.assembly.link_specs import output_specs
from emulator.assembly.session import Session, mission
from emulator.config.rig.bus_load import rig_wire_times
from emulator.core.collector import resume_collector, stop_collector
from emulator.core.signals import ARMED, RUNNING, STANDBY, TICK_NS
from emulator.events.progress import NEVER
from emulator.loop.certificate import TimingAccounts
from emulator.plant.row import fill_rest, fill_truth
from emulator.plant.states import COUNTDOWN_TICKS, START_GRID_TICKS
from emulator.plant.step import (
    REST,
    TO_SEND,
    WHOLE,
    act,
    arrive,
    begin_step,
    move_events,
    move_on,
    place,
    sample_outputs,
    samples_wait,
    send,
    sense_motion,
    take_in,
)
from emulator.record.in_memory import HeldRecord
from emulator.record.writer import LONG_BLOCK_TICKS, RunWriter
from emulator.robot.mission import ReferenceRider
from emulator.shared_memory.status import Command
from emulator.stages.stepped_bus import bench_hands_over, carry, robot_hands_over
from emulator.stages.stepped_epochs import epoch_way, forget_taken, pass_epoch, way_by_address
from emulator.stages.stepped_loop import Block
from emulator.stages.stepped_ticks import FRAMES_A_TICK, on_the_bus, record_tick
from emulator.stages.virtual import (
    RIDER_EVERY,
    TogetherInSteps,
    VirtualRide,
    compiled_ticks,
    held_rider,
    rider_turn,
)
from emulator.wire.arbitration import arrived_by, drop_first, known
from tests.bench.pieces import arrays
from tests.bench.yardstick import Yardstick

STAGES = (
    *("frames in, states", "events", "actuators", "place", "derivative and step", "sensing"),
    *("into delay lines", "packing and sending", "row", "bus", "record", "robot", "GNSS epochs"),
)
(
    _IN,
    _EVENTS,
    _ACTUATORS,
    _PLACE,
    _STEP,
    _SENSING,
    _SAMPLING,
    _SENDING,
    _ROW,
    _BUS,
    _RECORD,
    _ROBOT,
    _EPOCHS,
) = range(len(STAGES))
_MONOTONIC = 1
_clock_gettime = ctypes.CDLL(None).clock_gettime
_clock_gettime.argtypes, _clock_gettime.restype = (ctypes.c_int, ctypes.c_void_p), ctypes.c_int


class Marks(NamedTuple):
    """Times [ns] by tick of the stretch and part.

    spent  (N, len(STAGES))  out
    tick   (1,)              row of ``spent`` in use
    clock  (3,)              seconds and nanoseconds of the clock; when it was last looked at [ns]
    """

    spent: NDArray[np.int64]
    tick: NDArray[np.int64]
    clock: NDArray[np.int64]


# None of this is in the cache: it holds the address of the clock.
def _compiled(function: Callable[..., Any]) -> Any:
    return numba.njit(nogil=True, error_model="numpy")(function)


@_compiled
def _mark(marks, part):  # type: ignore[no-untyped-def]
    """What came since the last look at the clock was this part."""
    c = marks.clock
    _clock_gettime(_MONOTONIC, c.ctypes)
    now = c[0] * 1_000_000_000 + c[1]
    marks.spent[marks.tick[0], part] += now - c[2]
    c[2] = now


@_compiled
def _tick(p, rx, tx, lateness_us, compute_us, part, marks):  # type: ignore[no-untyped-def]
    """``emulator.plant.step.tick``, marked; a test holds it against that."""
    run, m = p.run[0], p.memory[0]
    if part != REST:
        tx.count[0] = 0
        m.event_count = 0
        run.gnss_ready = 2 if run.tick >= run.gnss_held_tick else 0
        take_in(p, rx)
        _mark(marks, _IN)
        move_events(p)
        _mark(marks, _EVENTS)
        if samples_wait(p):
            send(p, tx)
            _mark(marks, _SENDING)
    if part == TO_SEND:
        return int(run.state)

    riding = run.state == RUNNING
    act(p, riding)
    _mark(marks, _ACTUATORS)
    sensed = run.state in (STANDBY, ARMED) or riding
    if sensed:
        place(p)
        _mark(marks, _PLACE)
        sensed = begin_step(p, riding)
        _mark(marks, _STEP)
    fill_truth(m.row, run, p.body[0], p.x, p.u, p.actuators, p.work[0])
    _mark(marks, _ROW)
    share = sense_motion(p, sensed)
    _mark(marks, _SENSING)
    sample_outputs(p, share)
    _mark(marks, _SAMPLING)
    if not samples_wait(p):
        send(p, tx)
    arrive(p, tx)
    _mark(marks, _SENDING)
    fill_rest(m.row, run, p.robot.robot, p.electronics[0], p.line, lateness_us, compute_us)
    _mark(marks, _ROW)
    if riding and run.diverged == 0:
        move_on(p)
    run.tick += 1
    _mark(marks, _STEP)
    return int(run.state)


@_compiled
def _stretch(  # type: ignore[no-untyped-def]
    step,
    held,
    take,
    taking,
    hear,
    hearing,
    p,
    rx,
    tx,
    inbox,
    asked,
    bus,
    accounts,
    rows,
    frames,
    payloads,
    way,
    ticks,
    marks,
):
    """So many ticks of ``emulator.stages.virtual.run_ticks`` on a bus of known bit rate, marked."""
    run, n, m = p.run[0], 0, 0
    forget_taken(way)
    for k in range(ticks):
        marks.tick[0] = k
        _mark(marks, 0)
        for part in range(marks.spent.shape[1]):
            marks.spent[k, part] = 0
        now, coming = run.tick * TICK_NS, rx.count[0]
        count_in = arrived_by(rx, now)
        rx.count[0] = count_in
        _mark(marks, _BUS)
        _tick(p, rx, tx, 0.0, 0.0, WHOLE, marks)
        origin = now - run.scenario_tick * TICK_NS
        bench_hands_over(bus, accounts, tx, now, origin, True, run.bus_off != 0)
        _mark(marks, _BUS)
        m = record_tick(p, rx, tx, bus, rows[n], frames, payloads, m)
        n += 1
        _mark(marks, _RECORD)
        rx.count[0] = coming
        drop_first(rx, count_in)
        _mark(marks, _BUS)
        if (run.tick - 1) % RIDER_EVERY == 0:
            rider_turn(step, held, inbox, now)
            _mark(marks, _ROBOT)
            robot_hands_over(bus, asked, 0, asked.count[0], now)
        carry(bus, accounts, now + TICK_NS, inbox, rx)
        _mark(marks, _BUS)
        if run.gnss_ready > 0:
            stepped = now - now % (RIDER_EVERY * TICK_NS)
            pass_epoch(take, taking, hear, hearing, run.scenario_tick, way, now, stepped)
        _mark(marks, _EPOCHS)
    return n, m


class Stretch:
    """A stretch of ``ticks`` of a ride, from ``seconds`` of it on, to be computed again and again."""

    def __init__(self, session: Session, seconds: float, ticks: int) -> None:
        self.bench, rider = Bench(session), ReferenceRider(mission(session))
        block = Block(4 * ticks, 40 * ticks + FRAMES_A_TICK, session.payload_bytes, FRAMES_A_TICK)
        buffers, times = on_the_bus(session), rig_wire_times(session.rig, session.codec)
        timing = TimingAccounts(output_specs(session), times=times)
        assert known(buffers[-1]), "expected a rig whose bus has a bit rate"
        together = TogetherInSteps(self.bench, rider, buffers, block, timing)
        self.bench.command(Command.ARM, 0.0)
        until = COUNTDOWN_TICKS + 2 * START_GRID_TICKS + int(seconds * 1e3)
        while self.bench.plant.run[0]["tick"] < until:
            together.advance(until)
            self.bench.take_events()
            block.clear()
        assert self.bench.state == RUNNING, f"no ride at {self.bench.tick_number} ms"
        way = epoch_way(self.bench.receiver, rider.ears, block.taken)
        self._memory = arrays((self.bench.plant, rider.rider, buffers, timing.frame_accounts, way))
        self._start = [array.copy() for array in self._memory]
        self._arguments = (*buffers, timing.frame_accounts)
        self._room = (block.all_rows, block.all_frames, block.all_data)
        self._way = way
        self._called = (
            *held_rider(rider.rider, *buffers[2:4]),
            *way_by_address(self.bench.plant, rider.rider, way),
        )
        self._run, self._ends = self.bench.plant.run[0], (0, 0)
        together = (self.bench.plant, rider.rider, *self._arguments)
        self._together = compiled_ticks(*together, *self._room, way)
        self._marks = Marks(
            np.zeros((ticks, len(STAGES)), np.int64), np.zeros(1, np.int64), np.zeros(3, np.int64)
        )

    def compute(self) -> NDArray[np.int64]:
        """(ticks, len(STAGES)) time of each part [ns]; the same ticks each time."""
        self._back()
        marks = self._marks
        self._ends = _stretch(
            *(*self._called, self.bench.plant, *self._arguments),
            *(*self._room, self._way, len(marks.spent), marks),
        )
        self._must_ride()
        return marks.spent

    def ride(self) -> None:
        """The same ticks as the virtual stage computes them."""
        self._back()
        until, ends = int(self._run["tick"]) + len(self._marks.spent), (0, 0)
        while self._run["tick"] < until:
            ends = self._together(*ends, until)
        self._ends = ends
        self._must_ride()

    def left(self) -> list[bytes]:
        """What the ticks left: the memory of all that took part, rows, frames and payloads."""
        n, m = self._ends
        rows, frames, payloads = self._room
        memory = b"".join(array.tobytes() for array in self._memory)
        return [memory, rows[:n].tobytes(), frames[:m].tobytes(), payloads[:m].tobytes()]

    def _back(self) -> None:
        for array, start in zip(self._memory, self._start, strict=True):
            array[...] = start

    def _must_ride(self) -> None:
        if self.bench.state != RUNNING:
            raise RuntimeError(f"the ride ended: state {self.bench.state}")


class StageCosts(NamedTuple):
    """What a recorded tick costs [us], without the clock's own.

    stages    each part, the mean over the ticks
    plant     p50 and p99 of the plant's own ticks, frames in to row: each part of each tick at its best
    recorded  the same with bus, record and robot
    as_came   p50 and p99 of recorded ticks as they came, interrupted or not
    """

    stages: dict[str, float]
    plant: tuple[float, float]
    recorded: tuple[float, float]
    as_came: tuple[float, float]


def by_stage(session: Session, *, seconds: float, ticks: int, turns: int) -> StageCosts:
    """Cost of each part of a recorded tick and how ticks spread, from ``seconds`` of the ride on."""
    stretch = Stretch(session, seconds, ticks)
    stretch.compute()  # which compiles
    came = np.array([stretch.compute().copy() for _ in range(turns + 1)])
    clock = _clock_ns() * np.array([_LOOKS.get(name, 1) for name in STAGES])
    least = np.maximum(0.0, came.min(axis=0) - clock)
    return StageCosts(
        dict(zip(STAGES, (least.mean(axis=0) * 1e-3).tolist(), strict=True)),
        middle_and_tail(least[:, : _ROW + 1].sum(axis=1)),
        middle_and_tail(least.sum(axis=1)),
        middle_and_tail((came - clock).sum(axis=2)),
    )


def middle_and_tail(ticks_ns: NDArray[np.float64]) -> tuple[float, float]:
    """p50 and p99 [us] of times of ticks [ns]."""
    p50, p99 = np.percentile(ticks_ns, (50.0, 99.0)) * 1e-3
    return float(p50), float(p99)


_LOOKS = {"row": 2, "derivative and step": 2, "bus": 3.5, "robot": 0.5}
"""How often the clock is looked at for a part in a tick, where not once."""


@_compiled
def _looks(marks, n):  # type: ignore[no-untyped-def]
    for _ in range(n):
        _mark(marks, 0)


def _clock_ns() -> float:
    """What a look at the clock costs."""
    marks = Marks(np.zeros((1, 1), np.int64), np.zeros(1, np.int64), np.zeros(3, np.int64))
    _looks(marks, 1)
    best = np.inf
    for _ in range(50):
        begun = time.perf_counter_ns()
        _looks(marks, 1000)
        best = min(best, (time.perf_counter_ns() - begun) / 1000)
    return float(best)


def over_yardstick(session: Session, folder: Path, rides: int) -> dict[str, float]:
    """Processor time of a recorded tick and of ``mj_step`` [us], in turn, and the one over the other.

    Of all threads, from an open record to one that is closed; the best of so many rides, and of the
    yardstick's blocks around each. The first ride loads the code and does not count. Python's collector is
    stopped, as under the command it hardly ever comes round within a ride.
    """
    plant = VirtualRide(session).bench.plant
    stick = Yardstick(plant.body[0])
    stick.pose(np.array(plant.x))
    recorded = step = np.inf
    stop_collector()
    try:
        for k in range(rides + 1):
            riding = VirtualRide(session)
            width = session.payload_bytes
            with RunWriter(
                folder / f"ride{k}", {}, block_ticks=LONG_BLOCK_TICKS, packed=True, payload_bytes=width
            ) as writer:
                begun = time.process_time()
                riding.run(writer)
            spent = time.process_time() - begun
            if k:
                recorded = min(recorded, spent / int(riding.bench.plant.run[0]["tick"]) * 1e6)
            step = min(step, stick.best_step_us(200))
    finally:
        resume_collector()
    return {"recorded_tick": recorded, "mj_step": step, "ratio": recorded / step}


def whole_ride(session: Session) -> dict[str, float]:
    """Processor time of a ride kept in memory [us a tick]: within compiled ticks, and around them."""
    spent, real = 0.0, TogetherInSteps.advance

    def timed(together: TogetherInSteps, until: int = NEVER) -> None:
        nonlocal spent
        begun = time.process_time()
        real(together, until)
        spent += time.process_time() - begun

    riding, record = VirtualRide(session), HeldRecord()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TogetherInSteps, "advance", timed)
        begun = time.process_time()
        riding.run(record)
        whole = time.process_time() - begun
    ticks = int(riding.bench.plant.run[0]["tick"])
    return {"compiled": spent / ticks * 1e6, "around": (whole - spent) / ticks * 1e6}
