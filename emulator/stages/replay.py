"""A recorded session's inputs through the plant again: no robot, no bus, on the stepped clock.

A tick of the plant is a pure function of what it was built from, of the frames received and the commands
given up to then; so the same inputs in the same ticks of the loop make the same ride, whatever else the
bench was doing. What comes out is given in the terms of a record, by the rules of the recorder.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.bench import EVENT_KINDS, Bench
from emulator.assembly.link_specs import output_specs
from emulator.assembly.session import Session
from emulator.core.frame_buffer import MAX_DATA, UNTIMED, FrameBuffer, frame_buffer
from emulator.core.signals import BEFORE_ARMING_TICK, SIGNALS, TICK_NS, TRIPPED, UNARMED_TICK
from emulator.loop.certificate import TimingAccounts
from emulator.record.inputs import Inputs
from emulator.record.writer import RX, TX, RunWriter

_ROWS = 1000
_FRAMES = 20_000
_TX_ROWS = 256  # as the loop has them


class Block(NamedTuple):
    """A stretch of a replay as its record would hold it; n rows, m frames.

    tick, rows  (n,), (n, len(SIGNALS))  scenario ticks, rising over all blocks
    frames      (m, 6)                   tick, due [ns], time of validity [ns], direction, identifier, length
    data        (m, 64)                  their bytes
    events      (tick, kind, text)
    bursts      (tick, sentences)
    """

    tick: NDArray[np.int64]
    rows: NDArray[np.float64]
    frames: NDArray[np.int64]
    data: NDArray[np.uint8]
    events: list[tuple[int, str, str]]
    bursts: list[tuple[int, bytes]]


class Replay:
    """A plant at the start of a session and the inputs that take it through; ``blocks`` runs it, once."""

    def __init__(self, session: Session, inputs: Inputs) -> None:
        self.bench = Bench(session)
        self._inputs = inputs
        self._timing = TimingAccounts(output_specs(session))
        self._trip_tick: int | None = None
        self._tick = np.zeros(_ROWS, np.int64)
        self._rows = np.zeros((_ROWS, len(SIGNALS)))
        self._frames = np.zeros((_FRAMES, 6), np.int64)
        self._data = np.zeros((_FRAMES, MAX_DATA), np.uint8)

    @property
    def finished(self) -> bool:
        """Whether the ride came to its end; False if the inputs end before it."""
        return self.bench.finished

    def blocks(self) -> Iterator[Block]:
        """Run and give what comes out, about once a second of ride; the arrays are reused."""
        bench, inputs, timing = self.bench, self._inputs, self._timing
        counts = np.bincount(inputs.cycle, minlength=inputs.cycles)
        rx, tx = frame_buffer(max(1, int(counts.max(initial=0)))), frame_buffer(_TX_ROWS)
        arriving = counts.tolist()
        commands = iter(inputs.commands)
        command = next(commands, None)
        recorded = UNARMED_TICK // 2  # a countdown that a hold puts back is recorded once
        tick, taken, n, m = bench.tick_number, 0, 0, 0
        events: list[tuple[int, str, str]] = []
        bursts: list[tuple[int, bytes]] = []
        for cycle in range(inputs.cycles):
            while command is not None and command.cycle <= cycle:
                bench.command(command.code, command.argument)
                command = next(commands, None)
            arrived = arriving[cycle]
            rx.count[0] = arrived
            if arrived:
                now = slice(taken, taken + arrived)
                rx.can_id[:arrived], rx.length[:arrived] = inputs.can_id[now], inputs.length[now]
                rx.data[:arrived] = inputs.data[now]
                taken += arrived
            state = bench.tick(rx, tx, 0.0, 0.0)
            tick, before = bench.tick_number, tick
            if tick != before + 1:
                timing.restart()
            if state == TRIPPED and self._trip_tick is None:
                self._trip_tick = tick
            armed = tick > UNARMED_TICK // 2
            if tx.count[0]:
                timing.frames(tx, int(tx.count[0]), tick * TICK_NS)
            burst = bench.take_gnss()
            if burst:
                line_ns = bench.gnss_line_ns
                due_ns, sent_ns = bench.gnss_due_ns + line_ns, tick * TICK_NS + line_ns
                timing.gnss(due_ns, bench.gnss_valid_ns, sent_ns, taken=True)
                if armed:
                    bursts.append((tick, burst))
            if armed:
                m = self._keep(m, tick, TX, tx)
                m = self._keep(m, tick, RX, rx)
                if tick > recorded:
                    recorded = tick
                    self._tick[n], self._rows[n] = tick, bench.row
                    n += 1
            for code, _, _, text in bench.take_events():
                events.append((max(tick, BEFORE_ARMING_TICK), EVENT_KINDS.get(code, "event"), text))
            if n == _ROWS or m > _FRAMES - 2 * max(_TX_ROWS, len(rx.can_id)):
                yield self._block(n, m, events, bursts)
                n = m = 0
                events, bursts = [], []
        yield self._block(n, m, events, bursts)

    def _block(
        self, n: int, m: int, events: list[tuple[int, str, str]], bursts: list[tuple[int, bytes]]
    ) -> Block:
        frames, data = self._frames[:m], self._data[:m]
        data[np.arange(MAX_DATA) >= frames[:, 5:6]] = 0  # as in a record
        return Block(self._tick[:n], self._rows[:n], frames, data, events, bursts)

    def _keep(self, m: int, tick: int, direction: int, frames: FrameBuffer) -> int:
        k = int(frames.count[0])
        if k == 0:
            return m
        into = self._frames[m : m + k]
        into[:, 0], into[:, 3] = tick, direction
        if direction == TX:
            valid_ns = frames.valid_ns[:k]
            into[:, 1], into[:, 2] = frames.time_ns[:k], np.where(valid_ns == UNTIMED, 0, valid_ns)
        else:
            into[:, 1], into[:, 2] = tick * TICK_NS, 0
        into[:, 4], into[:, 5] = frames.can_id[:k], frames.length[:k]
        self._data[m : m + k] = frames.data[:k]
        return m + k

    def outcome(self) -> dict[str, Any]:
        """How the replayed ride ended, as the verdict reads it."""
        return {**self.bench.outcome(), "trip_tick": self._trip_tick, "rig_problems": []}

    def certificate(self) -> dict[str, Any]:
        """The timing certificate of a stepped clock."""
        return {**self._timing.certificate(None), "robot_frames": self.bench.frame_counts()}


def write_block(writer: RunWriter, block: Block) -> None:
    """Put a stretch of a replay into a record of its own."""
    f = block.frames
    writer.append_signals(block.tick, block.rows)
    writer.append_frames(f[:, 0], f[:, 1], f[:, 2], f[:, 3], f[:, 4], f[:, 5], block.data)
    for tick, burst in block.bursts:
        writer.append_gnss(tick, burst)
    for tick, kind, text in block.events:
        writer.append_event(tick, kind, text, text)


def write_inputs(writer: RunWriter, inputs: Inputs) -> None:
    """The inputs replayed, so that a replay's record can itself be replayed."""
    writer.append_frame_inputs(inputs.cycle, inputs.can_id, inputs.length, inputs.data)
    for command in inputs.commands:
        writer.append_command_input(*command)
    writer.append_input_mark(inputs.cycles)
