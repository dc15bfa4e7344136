"""The virtual stage: plant and robot on a stepped clock, as fast as the CPU goes.

It is the reference robot that rides, in this process, or a robot's own software (``stages.own_robot``).

Frames and sentences pass as bytes, as they do over a bus. The rider steps on every second tick, right
after the plant's. Where the rig's bus has a bit rate, everybody is on it (``stepped_bus``): a frame of the
plant's is heard in the rider's first step after it has arrived, one of the rider's in the plant's first tick.
Without one, the bus takes less than a tick: the rider's frames reach the plant in the next.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session, mission
from emulator.core.compiled import entry, held_by_address, jit
from emulator.core.frame_buffer import FrameBuffer
from emulator.core.signals import ARMED, BEFORE_ARMING_TICK, INDEX, RUNNING, TICK_NS, UNARMED_TICK
from emulator.core.trip_reasons import TripReason
from emulator.events.progress import NEVER
from emulator.loop.certificate import FrameAccounts, TimingAccounts
from emulator.plant.step import Plant
from emulator.record.frame_columns import RX
from emulator.record.in_memory import RideRecord
from emulator.robot.design import Design
from emulator.robot.mission import ReferenceRider
from emulator.robot.rider import Rider
from emulator.robot.rider import step as ride
from emulator.shared_memory.status import Command
from emulator.stages.bench.hook_host import HANG_S, HookFailed, HookSteps
from emulator.stages.own_robot.choice import OwnRobot
from emulator.stages.own_robot.driver import InLockstep
from emulator.stages.own_robot.protocol import RobotFailed
from emulator.stages.stepped_bus import carry, robot_hands_over
from emulator.stages.stepped_epochs import (
    EpochWay,
    Hear,
    Take,
    epoch_way,
    forget_taken,
    pass_epoch,
    wants_python,
    way_by_address,
)
from emulator.stages.stepped_loop import Block, SteppedLoop, write_block
from emulator.stages.stepped_ticks import (
    FRAMES_A_TICK,
    Held,
    StepPlant,
    held_tick,
    on_the_bus,
    plant_tick,
)
from emulator.wire.arbitration import ROBOT, SENDER, Bus, SINCE_ns, arrived_by, drop_first, known

StepRider: TypeAlias = Callable[[Held], int]
RIDER_EVERY = 2
"""Ticks between two control periods of the rider."""


def without_permissives(session: Session) -> Session:
    """The session as it rides here: nothing can move, and nobody sends the bench's inputs."""
    if not session.rig.permissives:
        return session
    return replace(session, rig=session.rig.model_copy(update={"permissives": ()}))


def hear(rider: ReferenceRider, burst: bytes, tick: int) -> None:
    """Let the rider hear sentences sent in ``tick`` of the loop, after its own step if it has one there."""
    rider.hear(burst, tick * TICK_NS, (tick - tick % RIDER_EVERY) * TICK_NS)


@jit
def rider_turn(step: StepRider, rider: Held, inbox: FrameBuffer, now_ns: int) -> None:
    """A control period with what has arrived by now; the rest, which is behind it, stays in the inbox."""
    waiting = inbox.count[0]
    n = arrived_by(inbox, now_ns)
    inbox.count[0] = n
    step(rider)
    inbox.count[0] = waiting
    drop_first(inbox, n)


@jit
def run_ticks(
    step_plant: StepPlant,
    held: Held,
    step_rider: StepRider,
    rider: Held,
    take: Take,
    taking: Held,
    hear: Hear,
    hearing: Held,
    plant: Plant,
    rx: FrameBuffer,
    tx: FrameBuffer,
    inbox: FrameBuffer,
    asked: FrameBuffer,
    bus: Bus,
    accounts: FrameAccounts,
    rows: NDArray[np.float64],
    frames: NDArray[np.int64],
    payloads: NDArray[np.uint8],
    way: EpochWay,
    n: int,
    m: int,
    until: int,
) -> tuple[int, int]:
    """Ticks of plant and rider into rows from ``n`` and frames from ``m`` on; returns where both end.

    step_plant, held  see ``stepped_ticks.held_tick``
    step_rider, rider  the rider's step, likewise
    take, taking, hear, hearing  see ``stepped_epochs``
    rx, tx    frames to and from the plant; inbox: what the rider has not heard yet; asked: what it sends
    bus       carries both, if its bit rate is known
    accounts  the certificate's counters
    rows      (n, len(SIGNALS))  recorded signals
    frames    (m, FRAME_COLUMNS) as in a Block
    payloads  (m, 8 or 64)       their bytes
    way       of GNSS epochs; those of these ticks are in ``way.taken``
    until     tick of the loop that is not computed any more
    Stops when the rows are full or something needs Python: an event, the end, frames or bursts full, a burst
    that only Python can read.
    """
    run, memory = plant.run[0], plant.memory[0]
    room = frames.shape[0] - FRAMES_A_TICK
    shared = known(bus)
    forget_taken(way)
    while n < rows.shape[0] and m < room and run.tick < until:
        now = run.tick * TICK_NS
        m = plant_tick(step_plant, held, plant, rx, tx, inbox, bus, accounts, rows[n], frames, payloads, m)
        n += 1
        if (run.tick - 1) % RIDER_EVERY == 0:
            rider_turn(step_rider, rider, inbox, now)
            if shared:
                robot_hands_over(bus, asked, 0, asked.count[0], now)
        if shared:
            carry(bus, accounts, now + TICK_NS, inbox, rx)
        if run.gnss_ready > 0:
            stepped = now - now % (RIDER_EVERY * TICK_NS)
            pass_epoch(take, taking, hear, hearing, run.scenario_tick, way, now, stepped)
        if memory.event_count > 0 or run.finished == 1 or wants_python(way):
            break
    return n, m


def held_rider(rider: Rider, inbox: FrameBuffer, tx: FrameBuffer) -> tuple[StepRider, Held]:
    """The rider's step by its address, and what it is called with."""
    return held_by_address(ride, (rider, inbox, tx))


def compiled_ticks(plant: Plant, rider: Rider, *rest: Any) -> Callable[[int, int, int], tuple[int, int]]:
    """``run_ticks`` of this plant and rider, to be called with ``n``, ``m`` and ``until``.

    rest  what ``run_ticks`` takes from ``rx`` to ``way``
    """
    rx, tx, inbox, asked, bus, *_, way = rest
    given = (
        *held_tick(plant, rx, tx),
        *held_rider(rider, inbox, asked if known(bus) else rx),
        *way_by_address(plant, rider, way),
        plant,
    )
    return partial(entry(run_ticks, *given, *rest, 0, 0, NEVER), *given, *rest)


class TogetherInSteps:
    """A plant and its rider, computed tick by tick into a block; somebody sees to what the loop wants.

    buffers  from :func:`on_the_bus`
    """

    def __init__(
        self,
        bench: Bench,
        rider: ReferenceRider,
        buffers: tuple[FrameBuffer, FrameBuffer, FrameBuffer, FrameBuffer, Bus],
        block: Block,
        timing: TimingAccounts,
    ) -> None:
        self._bench, self._rider, self._block = bench, rider, block
        self._way = epoch_way(bench.receiver, rider.ears, block.taken)
        self._memory = timing.frame_accounts, block.all_rows, block.all_frames, block.all_data, self._way
        self._buffers = buffers
        self._go: Callable[[int, int, int], tuple[int, int]] | None = None

    def advance(self, until: int = NEVER) -> None:
        """Ticks until the loop is wanted, see :class:`~.stepped_loop.Driver`, or up to ``until``."""
        if self._go is None:
            together = (self._bench.plant, self._rider.rider, *self._buffers)
            self._go = compiled_ticks(*together, *self._memory)
        block = self._block
        first = block.n
        block.n, block.m = self._go(block.n, block.m, until)
        tick = self._bench.tick_number
        block.all_ticks[first : block.n] = np.arange(tick - (block.n - first) + 1, tick + 1)
        if self._way.unheard[0]:
            burst = block.taken.burst(int(block.taken.number[0]) - 1)
            hear(self._rider, burst, int(self._bench.plant.run[0]["tick"]) - 1)


_SPEED = INDEX["truth.speed_m_s"]
_ROWS = 4000
"""Rows kept between two writes to the record."""
_SHOWN_EVERY = 1000
"""Ticks after which progress is told."""

Progress: TypeAlias = Callable[[float, float, float], None]


class VirtualRide:
    """Plant and rider at the start of a scenario; the rider drives the loop that takes them to its end.

    own     rides instead of the reference robot
    design  of the reference robot; None: it is worked out, or taken from where designs are kept
    """

    def __init__(self, session: Session, own: OwnRobot | None = None, design: Design | None = None) -> None:
        self.bench = Bench(without_permissives(session))
        self._block = block = Block(_ROWS, 10 * _ROWS, session.payload_bytes, FRAMES_A_TICK)
        self._own: InLockstep | None = None
        self._together: TogetherInSteps | InLockstep
        if own is None:
            buffers = on_the_bus(self.bench.session)
        else:
            self._own = InLockstep(self.bench.session, own.speaker, own.how, self._note)
            buffers = self._own.buffers
        self._rx, self._bus = buffers[0], buffers[-1]
        self._loop = SteppedLoop(self.bench, self, block, self._bus)
        self.timing = self._loop.timing
        if self._own is None:
            self.rider = ReferenceRider(mission(session), design)
            self._together = TogetherInSteps(self.bench, self.rider, buffers, block, self.timing)
        else:
            self._own.drive(self.bench, block, self.timing)
            self._together = self._own
        self._run = self.bench.plant.run[0]
        self._writer: RideRecord
        self._inputs_written = 0  # of the block's frames, those that stand among the inputs
        self._progress: Progress | None = None
        self._shown_tick = 0
        self._hook: HookSteps | None = None
        self._hook_failed = self._stopped_by = ""
        self._robot_stopped = False
        self._stop_asked: Callable[[], str] = lambda: ""

    def run(
        self,
        writer: RideRecord,
        progress: Progress | None = None,
        hook: HookSteps | None = None,
        stop_asked: Callable[[], str] = lambda: "",
    ) -> tuple[dict[str, Any], dict[str, Any]]:
        """Ride to the end and record it; returns outcome and certificate as the verdict reads them.

        progress  called about once a second of ride with (scenario time [s], speed [m/s], station [m])
        hook      looks at the ride; if it fails, the ride is stopped and its outcome is that it crashed
        stop_asked  looked at every few seconds of ride: who wants it stopped, empty for nobody
        """
        self._writer, self._progress, self._hook = writer, progress, hook
        self._stop_asked = stop_asked
        self._command(Command.ARM, 0.0)
        for block in self._loop.blocks():
            write_block(writer, block)
            self._write_inputs(block)
            self._inputs_written = block.held
        self._write_under_way()
        outcome = self._loop.outcome()
        if self._hook_failed:
            outcome |= {"ended": "crashed", "trip_reason": self._hook_failed}
        outcome["stopped_by"] = self._stopped_by
        if self._own is not None:
            outcome["setting"]["reference"] = False
            if self._own.failure is not None:
                outcome |= _failed(self._own.failure, self._own.failed_tick)
            elif outcome["trip_code"] == TripReason.ARMING:
                outcome |= _failed(self._own.without_heartbeat(), UNARMED_TICK)
        elif self.rider.stopped is not None:
            outcome["robot_stopped"] = list(self.rider.stopped)
        return outcome, self._loop.certificate()

    def advance(self, bench: Bench, block: Block) -> bool:
        """Ticks of plant and rider until the loop is wanted, see :class:`~.stepped_loop.Driver`."""
        if bench.finished:
            return False
        run, hook, before = self._run, self._hook, bench.tick_number
        if not self._stopped_by and (by := self._stop_asked()):
            self._stopped_by = by
            self._command(Command.STOP, 0.0)
        until = NEVER
        if hook is not None and not self._hook_failed and run["state"] in (ARMED, RUNNING):
            if run["state"] == RUNNING and hook.due(before):
                self._ask(hook, before)
            until = max(int(run["tick"]), int(run["start_tick"]) + hook.next) + 1
        if self._progress is not None:
            until = min(until, int(run["tick"]) + _SHOWN_EVERY)
        self._together.advance(until)
        if self._own is not None and self._own.failure is not None and not self._robot_stopped:
            self._robot_stopped = True
            block.events.append(
                (max(bench.tick_number, BEFORE_ARMING_TICK), "robot_failed", self._own.failure.what)
            )
            self._command(Command.STOP, 0.0)
        tick = bench.tick_number
        if before < UNARMED_TICK // 2:
            # Nothing is recorded before arming; arming is an event, so only the last row can be armed.
            block.all_ticks[0], block.all_rows[0] = block.tick[-1], block.rows[-1]
            block.n = int(tick > UNARMED_TICK // 2)
            self._write_inputs(block)
            block.keep_frames(np.flatnonzero(block.frames[:, 0] > UNARMED_TICK // 2))
            self._inputs_written = block.m
        if self._progress is not None and tick - self._shown_tick >= _SHOWN_EVERY:
            self._shown_tick = tick
            self._progress(tick * 1e-3, float(bench.row[_SPEED]), float(run["station"]))
        return True

    def hear(self, burst: bytes) -> None:
        """Sentences on their way to a robot's own software; the rider's are taken within its ticks."""
        assert self._own is not None
        self._own.hear(burst, int(self._run["tick"]) - 1)

    def _note(self, tick: int, notes: Mapping[str, float]) -> None:
        """What the robot notes, from arming on."""
        if tick > UNARMED_TICK // 2:
            self._writer.append_notes(tick, notes)

    def _ask(self, hook: HookSteps, tick: int) -> None:
        """Let the hook look and do what it asks for; if it fails, the ride is stopped."""
        try:
            commands = hook.look(tick, self.bench.row, HANG_S)
        except HookFailed as error:
            self._hook_failed, commands = str(error), [(Command.STOP, 0.0)]
        for command, argument in commands:
            self._command(command, argument)

    def _command(self, command: int, argument: float) -> None:
        self._writer.append_command_input(int(self._run["tick"]), command, argument)
        self.bench.command(command, argument)

    def _write_inputs(self, block: Block) -> None:
        """The rider's frames by the loop's own count of ticks, and how many ticks it has computed."""
        end = block.m + block.held
        new = self._inputs_written + np.flatnonzero(block.all_frames[self._inputs_written : end, 3] == RX)
        frames, run = block.all_frames[new], self._run
        tick = frames[:, 0]
        cycle = np.where(tick < UNARMED_TICK // 2, tick - UNARMED_TICK, tick + int(run["start_tick"]))
        sent = None
        if known(self._bus):
            sent = cycle - (tick * TICK_NS - frames[:, 1]) // TICK_NS
        self._writer.append_frame_inputs(cycle, frames[:, 4], frames[:, 5], block.all_data[new], sent)
        self._writer.append_input_mark(int(run["tick"]))

    def _write_under_way(self) -> None:
        """Frames of the rider that the plant will not get any more: they took their time on the bus, too."""
        cycle, waiting, terms = int(self._run["tick"]), self._bus.waiting, self._bus.terms
        if not known(self._bus):
            return
        n = int(waiting.count[0])
        behind = np.flatnonzero(terms[:n, SENDER] == ROBOT)
        for frames, rows, since in (
            (self._rx, np.arange(int(self._rx.count[0])), self._rx.valid_ns),
            (waiting, behind, terms[:, SINCE_ns]),
        ):
            if len(rows):
                cycles, sent = np.full(len(rows), cycle), since[rows] // TICK_NS
                self._writer.append_frame_inputs(
                    cycles, frames.can_id[rows], frames.length[rows], frames.data[rows], sent
                )


def _failed(failure: RobotFailed, tick: int) -> dict[str, Any]:
    """What the outcome says of a robot's software that failed in scenario ``tick``."""
    return {
        "ended": "robot_failed",
        "robot_failure": {
            "how": failure.how,
            "text": failure.what,
            "traceback": failure.traceback,
            "tick": tick if tick > UNARMED_TICK // 2 else None,
        },
    }
