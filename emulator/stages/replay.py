"""A recorded session's inputs through the plant again: no robot, no bus, on the stepped clock.

A tick of the plant is a pure function of what it was built from, of the frames received and the commands
given up to then; so the same inputs in the same ticks of the loop make the same ride, whatever else the
bench was doing. What comes out is given in the terms of a record, by the rules of the recorder.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session
from emulator.core.frame_buffer import MAX_DATA, NO_ARRIVAL, FrameBuffer, frame_buffer
from emulator.core.signals import RUNNING, TICK_NS, UNARMED_TICK
from emulator.plant.states import NOT_ENDED
from emulator.record.frame_columns import RX, TX
from emulator.record.inputs import Inputs
from emulator.record.writer import RunWriter
from emulator.stages.stepped_bus import RecordedBus, bus_of
from emulator.stages.stepped_loop import Block, SteppedLoop

_ROWS = 1000
_FRAMES = 40_000
_TX_ROWS = 256  # as the loop has them


class Replay:
    """A plant at the start of a session and the inputs that take it through; ``blocks`` runs it, once."""

    def __init__(self, session: Session, inputs: Inputs) -> None:
        self.bench = Bench(session)
        self._inputs = inputs
        counts = np.bincount(inputs.cycle, minlength=inputs.cycles)
        most = max(1, int(counts.max(initial=0)))
        self._rx, self._tx = frame_buffer(most), frame_buffer(_TX_ROWS)
        self._arriving = counts.tolist()
        self._commands = iter(inputs.commands)
        self._command = next(self._commands, None)
        self._cycle = self._frames_taken = 0
        self._recorded = UNARMED_TICK // 2  # a countdown that a hold puts back is recorded once
        block = Block(_ROWS, _FRAMES, MAX_DATA, 2 * max(_TX_ROWS, most))
        bus = None if inputs.on_bus is None or session.rig.bus.bitrate is None else bus_of(session)
        self._loop = SteppedLoop(self.bench, self, block, bus)
        self._bus: RecordedBus | None = None
        if bus is not None and inputs.on_bus is not None:
            self._bus = RecordedBus(bus, self._loop.timing.frame_accounts, *inputs.on_bus)
        self._run = self.bench.plant.run[0]

    @property
    def on_bus(self) -> bool:
        """Whether it has the virtual bus of the record; else it does not know when frames arrived."""
        return self._bus is not None

    @property
    def finished(self) -> bool:
        """Whether the ride came to its end; False if the inputs end before it."""
        return self.bench.finished

    def blocks(self) -> Iterator[Block]:
        """Run and give what comes out, about once a second of ride; the block is used again."""
        return self._loop.blocks()

    def outcome(self) -> dict[str, Any]:
        """How the replayed ride ended, as the verdict reads it."""
        return self._loop.outcome()

    def certificate(self) -> dict[str, Any]:
        """The timing certificate of a stepped clock."""
        return self._loop.certificate()

    def advance(self, bench: Bench, block: Block) -> bool:
        """Ticks with the recorded inputs until the loop is wanted, see :class:`~.stepped_loop.Driver`."""
        rx, tx, tick = self._rx, self._tx, bench.tick_number
        if self._cycle >= self._inputs.cycles:
            return False
        while self._cycle < self._inputs.cycles and not block.full:
            self._put_inputs(bench, rx)
            bench.tick(rx, tx, 0.0, 0.0)
            self._cycle += 1
            tick, before = bench.tick_number, tick
            if tick != before + 1:
                self._loop.timing.restart()
            if bench.state > RUNNING:
                self._loop.timing.end_of_ride()
            origin_ns = numbers = None
            if self._bus is not None:
                origin_ns = (self._cycle - 1 - tick) * TICK_NS
                numbers = self._hand_over(self._bus, origin_ns)
            elif tx.count[0]:
                self._loop.timing.frames(tx, int(tx.count[0]), tick * TICK_NS)
            if tick > UNARMED_TICK // 2:
                block.add_frames(tick, TX, tx, numbers)
                block.add_frames(tick, RX, rx, origin_ns=origin_ns)
                if tick > self._recorded:
                    self._recorded = tick
                    block.add_row(tick, bench.row)
            if bench.wants_attention:
                break
        return True

    def hear(self, burst: bytes) -> None:
        """Nobody listens: what a robot made of it is among the inputs."""

    def _hand_over(self, bus: RecordedBus, origin_ns: int) -> NDArray[np.int64]:
        """The tick's frames and the robot's to the bus; numbers of the former."""
        run = self._run
        counts = bool(run["start_tick"] > 0 and run["end_reason"] == NOT_ENDED)
        bus.tick(self._cycle - 1, self._tx, origin_ns, counts=counts, off=bool(run["bus_off"]))
        return bus.bus.numbers

    def _put_inputs(self, bench: Bench, rx: FrameBuffer) -> None:
        """Commands and frames that the record has for the next tick of the loop."""
        while self._command is not None and self._command.cycle <= self._cycle:
            bench.command(self._command.code, self._command.argument)
            self._command = next(self._commands, None)
        inputs, arrived = self._inputs, self._arriving[self._cycle]
        rx.count[0] = arrived
        if arrived:
            new = slice(self._frames_taken, self._frames_taken + arrived)
            rx.can_id[:arrived], rx.length[:arrived] = inputs.can_id[new], inputs.length[new]
            rx.data[:arrived] = inputs.data[new]
            rx.time_ns[:arrived] = NO_ARRIVAL
            self._frames_taken += arrived
        if self._bus is not None:
            self._bus.received(self._cycle, rx)


def write_inputs(writer: RunWriter, inputs: Inputs) -> None:
    """The inputs replayed, so that a replay's record can itself be replayed."""
    n, on_bus = len(inputs.cycle), inputs.on_bus
    sent = None if on_bus is None else on_bus.sent[:n]
    writer.append_frame_inputs(inputs.cycle, inputs.can_id, inputs.length, inputs.data, sent)
    for command in inputs.commands:
        writer.append_command_input(*command)
    if on_bus is not None and len(on_bus.sent) > n:
        cycle = np.full(len(on_bus.sent) - n, inputs.cycles)
        left = (on_bus.can_id[n:], on_bus.length[n:], on_bus.data[n:], on_bus.sent[n:])
        writer.append_frame_inputs(cycle, *left)
    writer.append_input_mark(inputs.cycles)
