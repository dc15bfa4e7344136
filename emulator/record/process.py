"""The recorder process: empties the loop's rings into the run folder, ten times a second.

It waits for nobody and nobody waits for it. It leaves when the supervisor says so, or when the loop has
ended or died, and only after everything that was in the rings is on its way to the disk. Ctrl-C in the
terminal and a polite kill reach it, too; they do not cost the record. If the supervisor dies, it goes on
until the loop has come to rest.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np

from emulator.core.signals import BEFORE_ARMING_TICK, UNARMED_TICK
from emulator.record.kept import LOST_KIND, Kept
from emulator.record.writer import RunWriter
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.rings import RX, EventRecord, FrameRecords
from emulator.shared_memory.stalls import Role
from emulator.shared_memory.status import LoopEvent, LoopState, RecorderState, Status

INTERVAL_S = 0.1
_FLUSH_EVERY = 3  # drains between two flushes: three to four flushes a second


LOOP_EVENT_KINDS = {
    LoopEvent.COMMAND: "command",
    LoopEvent.STOP_ASKED: "stop_asked",
    LoopEvent.STALL: "stall",
    LoopEvent.LINK_DEAD: "link_dead",
    LoopEvent.RECORDER_GONE: "recorder_gone",
    LoopEvent.RECORDER_BACK: "recorder_back",
    LoopEvent.RAMP_TOO_LONG: "ramp_too_long",
    LoopEvent.BUS_FAULT: "bus_fault",
    LoopEvent.BUS_FAULT_OVER: "bus_fault_over",
    LoopEvent.MARK: "mark",
}
"""Kinds in ``events.jsonl`` of what the cycle itself reports."""


@dataclass
class Recorded:
    """What one recorder run put on disk, and what was overwritten before it could be read."""

    rows: int = 0
    frames: int = 0
    events: int = 0
    gnss_records: int = 0
    lost_rows: int = 0
    lost_frames: int = 0
    lost_events: int = 0
    lost_gnss_records: int = 0
    ended_because: str = ""

    @property
    def lost(self) -> int:
        """Records of any kind that are missing."""
        return self.lost_rows + self.lost_frames + self.lost_events + self.lost_gnss_records

    def as_dict(self) -> dict[str, Any]:
        """The same as plain values."""
        return asdict(self)


class Drain:
    """Moves what is new in the rings into a ``RunWriter``.

    describe  makes (kind, name, text) of one of the plant's events (codes below 1000)
    """

    def __init__(
        self, snapshot: Snapshot, writer: RunWriter, describe: Callable[[EventRecord], tuple[str, str, str]]
    ) -> None:
        self._writer = writer
        self._describe = describe
        self._signals = snapshot.signal_reader()
        self._frames = snapshot.frame_reader()
        self._events = snapshot.event_reader()
        self._gnss = snapshot.gnss_reader()
        self._applied = snapshot.applied_reader()
        self._inputs_whole = True
        self._tick = 0
        self._recorded = UNARMED_TICK // 2  # scenario tick up to which signals are written
        self._frames_recorded = UNARMED_TICK // 2  # the same of frames
        self._cycles = 0  # cycles of the loop up to which inputs are written
        self.done = Recorded()

    def go_on(self, snapshot: Snapshot, kept: Kept) -> None:
        """Read on where another recorder's record ends; what the rings have lost meanwhile counts."""
        if kept.tick is not None:
            self._recorded = kept.tick
        if kept.frame_tick is not None:
            self._frames_recorded = kept.frame_tick
        self._cycles = kept.cycles
        rows = snapshot.signal_reader().read()
        # a row a cycle: the number of a row is the cycle that made it
        self.done.rows = rows.lost + int(np.searchsorted(rows.tick > self._recorded, True))
        self._signals.go_on_at(self.done.rows)
        if rows.lost and kept.tick is not None and rows.tick[0] > kept.tick + 1:
            self._tick = kept.tick
            self.done.lost_rows = int(rows.tick[0]) - kept.tick - 1
            self._tell_lost("signal rows", self.done.lost_rows)
            self.done.rows -= self.done.lost_rows
        frames = snapshot.frame_reader().read()
        self._frames.go_on_at(frames.lost)
        self._inputs_whole = not frames.lost or int(frames.cycle[0]) <= kept.cycles
        self._events.go_on_at(kept.events)
        bursts, lost = snapshot.gnss_reader().read()
        last = max((n for n, b in enumerate(bursts) if kept.gnss_tail.endswith(b.data)), default=-1)
        self._gnss.go_on_at(lost + last + 1)

    def once(self) -> int:
        """Take everything that is there; returns how many ticks the oldest of it had waited.

        Raises RunFailed when the disk refuses.
        """
        done, writer = self.done, self._writer
        rows = self._signals.read()
        frames = self._frames.read()
        # A tick's row is published after all that reached the plant in it; so inputs go ahead of the rows.
        self._take_inputs(frames, done.rows + done.lost_rows + len(rows.tick) + rows.lost)
        if len(rows.tick):
            self._tick = int(rows.tick[0])
        self._tell_lost("signal rows", rows.lost)
        if len(rows.tick):
            # A hold puts a countdown that has begun back: what comes again is written once.
            highest = np.maximum.accumulate(np.append(self._recorded, rows.tick))
            new = rows.tick > highest[:-1]
            self._recorded = int(highest[-1])
            writer.append_signals(rows.tick[new], rows.rows[new])
            self._tick = int(rows.tick[-1])
        self._tell_lost("frames", frames.lost)
        if len(frames.tick):
            armed = frames.tick > self._frames_recorded
            writer.append_frames(
                frames.tick[armed],
                frames.time_ns[armed],
                frames.valid_ns[armed],
                frames.direction[armed],
                frames.can_id[armed],
                frames.length[armed],
                frames.data[armed],
            )
        bursts, lost_gnss = self._gnss.read()
        self._tell_lost("GNSS records", lost_gnss)
        for burst in bursts:
            if burst.tick > UNARMED_TICK // 2:
                writer.append_gnss(burst.tick, burst.data)
        events, lost_events = self._events.read()
        self._tell_lost("events", lost_events)
        for event in events:
            writer.append_event(max(event.tick, BEFORE_ARMING_TICK), *self._words(event))
        done.rows += len(rows.tick)
        done.frames += len(frames.tick)
        done.events += len(events)
        done.gnss_records += len(bursts)
        done.lost_rows += rows.lost
        done.lost_frames += frames.lost
        done.lost_events += lost_events
        done.lost_gnss_records += lost_gnss
        return len(rows.tick) + rows.lost

    def _take_inputs(self, frames: FrameRecords, cycles: int) -> None:
        """What reached the plant, up to ``cycles`` ticks. Ends for good where anything of it was lost."""
        applied, lost = self._applied.read()
        self._tell_lost("commands", lost)
        self._inputs_whole = self._inputs_whole and not (lost or frames.lost)
        if not self._inputs_whole:
            return
        received = (frames.direction == RX) & (frames.cycle >= self._cycles)
        if received.any():
            self._writer.append_frame_inputs(
                frames.cycle[received],
                frames.can_id[received],
                frames.length[received],
                frames.data[received],
            )
        for command in applied:
            if command.cycle < self._cycles:
                continue
            self._writer.append_command_input(*command)
        if cycles:
            self._writer.append_input_mark(cycles)

    def _tell_lost(self, what: str, count: int) -> None:
        if count:
            text = f"{count} {what} were overwritten before the recorder read them"
            self._writer.append_event(max(self._tick, BEFORE_ARMING_TICK), LOST_KIND, what, text)

    def _words(self, event: EventRecord) -> tuple[str, str, str]:
        if event.code in LOOP_EVENT_KINDS:
            return LOOP_EVENT_KINDS[LoopEvent(event.code)], "loop", event.text
        return self._describe(event)


def run_recorder(
    snapshot: Snapshot,
    writer: RunWriter,
    describe: Callable[[EventRecord], tuple[str, str, str]],
    *,
    supervisor_pid: int = 0,
    interval_s: float = INTERVAL_S,
    kept: Kept | None = None,
) -> Recorded:
    """Body of the recorder process; returns once the record is complete and closed.

    kept            what another recorder, that was killed, left: ``writer`` goes on with it
    supervisor_pid  if that parent dies before the loop exists, there is nothing to wait for; 0 for none

    Raises RunFailed when the disk refuses; the status block then says FAILED, and the loop goes on and says
    that the recorder is gone.
    """
    status = snapshot.status
    drain = Drain(snapshot, writer, describe)
    if kept is not None:
        drain.go_on(snapshot, kept)
    stalls = snapshot.stall_writer(Role.RECORDER)
    status[Status.RECORDER_PID] = os.getpid()
    status[Status.RECORDER_STATE] = RecorderState.RECORDING
    failed = True
    beats = 0
    try:
        with _signals_noted() as asked:
            while True:
                # First look whether this is the last time, then drain: nothing can come in between.
                reason = _reason_to_end(snapshot, supervisor_pid, asked=bool(asked))
                stalls.turn(time.monotonic_ns())
                status[Status.RECORDER_LAG_TICKS] = max(status[Status.RECORDER_LAG_TICKS], drain.once())
                beats += 1
                if beats % _FLUSH_EVERY == 0:
                    writer.flush()
                status[Status.RECORDER_LOST] = drain.done.lost
                status[Status.RECORDER_HEARTBEAT] = beats
                if reason:
                    break
                time.sleep(interval_s)
            stalls.end()
            drain.done.ended_because = reason
            writer.close()
            failed = False
    finally:
        writer.close()
        status[Status.RECORDER_STATE] = RecorderState.FAILED if failed else RecorderState.CLOSED
    return drain.done


def _reason_to_end(snapshot: Snapshot, supervisor_pid: int, *, asked: bool) -> str:
    """Why this drain is the last one; empty if it is not."""
    status = snapshot.status
    if status[Status.RECORDER_END]:
        return "the supervisor said so"
    state, pid = status[Status.LOOP_STATE], status[Status.LOOP_PID]
    if state == LoopState.ABSENT:
        if asked:
            return "a signal came before the loop"
        if supervisor_pid and os.getppid() != supervisor_pid:
            return "the supervisor was gone before the loop came"
        return ""
    if state in (LoopState.ENDED, LoopState.FAILED):
        return "the loop has ended"
    return "" if _alive(pid) else "the loop died"


def _alive(pid: int) -> bool:
    """Whether that process still runs; a dead one nobody has asked about yet (a zombie) does not."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (OSError, IndexError):
        return False
    return state not in ("Z", "X")


@contextlib.contextmanager
def _signals_noted() -> Iterator[list[int]]:
    """Note SIGTERM and SIGINT instead of dying of them; restores the handlers after."""
    noted: list[int] = []

    def handle(number: int, _frame: FrameType | None) -> None:
        noted.append(number)

    before = {number: signal.signal(number, handle) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield noted
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
