"""A record shown again through the same ring as a ride: the live page of what was ridden before."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator

import numpy as np

from emulator.assembly.bench import EVENT_KINDS
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.signals import INDEX, SIGNALS, TICK_NS
from emulator.record.process import LOOP_EVENT_KINDS
from emulator.record.reader import Run
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.rings import RX, TX
from emulator.shared_memory.status import Command, LoopEvent, LoopState, RecorderState, Status

_STEP_S = 0.02
_CODES: dict[str, int] = {kind: int(code) for code, kind in (EVENT_KINDS | dict(LOOP_EVENT_KINDS)).items()}


class Player:
    """Writes what a loop would have written when it rode this; what a record lacks is no number."""

    def __init__(self, run: Run, snapshot: Snapshot) -> None:
        self._run, self._snapshot = run, snapshot
        self._rows = np.full((len(run.tick), len(SIGNALS)), np.nan)
        for name, values in run.signals.items():
            if name in INDEX:
                self._rows[:, INDEX[name]] = values
        self._frame_at = np.searchsorted(run.frames.tick, run.tick, side="right")
        self._buffer = frame_buffer(1)
        self._place = self._frame = self._event = 0

    @property
    def over(self) -> bool:
        """Whether all of it was shown."""
        return self._place >= len(self._run.tick)

    def begin(self, from_s: float) -> None:
        """Go to this scenario time [s] and show the moment; what came before is not shown."""
        self._place = min(
            int(np.searchsorted(self._run.tick, round(from_s * 1e9) // TICK_NS)),
            max(0, len(self._run.tick) - 1),
        )
        self._frame = int(self._frame_at[self._place]) if len(self._frame_at) else 0
        status = self._snapshot.status
        status[Status.LOOP_STATE] = LoopState.CYCLING
        status[Status.RECORDER_STATE] = RecorderState.CLOSED
        self._snapshot.write_event(0, LoopEvent.COMMAND, Command.ARM, 0.0, "a record is shown again")

    def go_on(self, seconds: float) -> None:
        """Write the rows of so much time."""
        for place in range(
            self._place, min(self._place + round(seconds * 1e9) // TICK_NS, len(self._run.tick))
        ):
            self._write(place)

    def _write(self, place: int) -> None:
        snapshot, tick = self._snapshot, int(self._run.tick[place])
        snapshot.write_signals(tick, self._rows[place])
        for direction, time_ns, frames in self._frames(int(self._frame_at[place])):
            snapshot.write_frames(tick, direction, frames, time_ns, place)
        events = self._run.events
        while self._event < len(events) and events[self._event].tick <= tick:
            event = events[self._event]
            code = _CODES.get(event.kind, 0)
            snapshot.write_event(event.tick, code, 0, 0.0, event.text or event.name)
            self._event += 1
        self._place = place + 1
        status = snapshot.status
        status[Status.LOOP_HEARTBEAT] = place + 1
        status[Status.TICK] = tick
        status[Status.BENCH_STATE] = int(np.nan_to_num(self._rows[place, INDEX["bench.state"]]))

    def _frames(self, end: int) -> Iterator[tuple[int, int, FrameBuffer]]:
        """What went over the bus until this frame, one by one: direction, time it was handed over, frame."""
        frames, buffer = self._run.frames, self._buffer
        for i in range(self._frame, end):
            buffer.count[0] = 1
            buffer.time_ns[0], buffer.valid_ns[0] = frames.time_ns[i], frames.valid_ns[i]
            buffer.can_id[0], buffer.length[0] = frames.can_id[i], frames.length[i]
            buffer.data[0] = frames.data[i]
            yield (TX if frames.direction[i] else RX), int(frames.time_ns[i]), buffer
        self._frame = end

    async def play(self) -> None:
        """Show it in real time; at its end the last moment stays, until cancelled."""
        clock = asyncio.get_running_loop()
        due = clock.time()
        while True:
            due += _STEP_S
            await asyncio.sleep(max(0.0, due - clock.time()))
            if self.over:
                self._snapshot.status[Status.LOOP_STATE] = LoopState.ENDED
            else:
                self.go_on(_STEP_S)
