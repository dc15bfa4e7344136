"""The one tick loop on a stepped clock: somebody drives the plant, what comes out is kept as a record has it.

Who drives is whoever is at the other end of the buses: the reference robot (``virtual``), the inputs of a
record (``replay``), or nobody while a motion is imposed (``emulator.inspection.sensors.capture``). The plant
does not know which. In real time ``emulator.loop.runner`` has its place.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.bench import EVENT_KINDS, Bench
from emulator.assembly.link_specs import output_specs
from emulator.config.rig.bus_load import rig_wire_times
from emulator.core.compiled import bound, jit
from emulator.core.frame_buffer import NO_ARRIVAL, UNTIMED, FrameBuffer
from emulator.core.signals import BEFORE_ARMING_TICK, RUNNING, SIGNALS, TICK_NS, TRIPPED, UNARMED_TICK
from emulator.loop.certificate import TimingAccounts
from emulator.record.frame_columns import TX, clear_behind
from emulator.record.in_memory import RideRecord
from emulator.wire.arbitration import WAITING, Bus, idle_bus, known, wire_times
from emulator.wire.nmea import LONGEST_BURST

FRAME_COLUMNS = 8
ARRIVAL, NUMBER = 6, 7
"""Columns of ``Block.frames`` that are filled in when it is given out."""
NO_NUMBER = -1
"""Number of a frame that is not on the virtual bus."""


class TakenBursts(NamedTuple):
    """GNSS bursts that a driver took from the bench in its last ticks; the loop tells of them.

    number (1,)     how many
    terms  (N, 5)   tick, when it was due to be handed over [ns], how long it is on the line [ns], time of
                    validity [ns], length; scenario time
    data   (N, LONGEST_BURST)
    """

    number: NDArray[np.int64]
    terms: NDArray[np.int64]
    data: NDArray[np.uint8]

    def burst(self, row: int) -> bytes:
        """The sentences in a row."""
        return self.data[row, : self.terms[row, 4]].tobytes()


MOST_TAKEN = 128
"""Bursts that find room: those of five seconds at 25 Hz."""


def taken_bursts() -> TakenBursts:
    """None yet."""
    data = np.zeros((MOST_TAKEN, LONGEST_BURST), np.uint8)
    return TakenBursts(np.zeros(1, np.int64), np.zeros((MOST_TAKEN, 5), np.int64), data)


_NO_NUMBERS = np.empty(0, np.int64)


@jit
def _put_frames(
    into: NDArray[np.int64],
    payloads: NDArray[np.uint8],
    frames: FrameBuffer,
    numbers: NDArray[np.int64],
    m: int,
    tick: int,
    direction: int,
    origin_ns: int,
) -> int:
    """See :meth:`Block.add_frames`; from row ``m`` on, returns where they end. NO_ARRIVAL: no origin."""
    came = direction != TX and origin_ns != NO_ARRIVAL and frames.time_ns[0] != NO_ARRIVAL
    for i in range(frames.count[0]):
        time_ns, valid_ns = frames.time_ns[i], frames.valid_ns[i]
        line = into[m]
        line[0], line[1], line[2] = tick, tick * TICK_NS, 0
        line[3], line[4], line[5] = direction, frames.can_id[i], frames.length[i]
        line[ARRIVAL], line[NUMBER] = NO_ARRIVAL, numbers[i] if numbers.size > 0 else NO_NUMBER
        if direction == TX:
            line[1], line[2] = time_ns, valid_ns if valid_ns != UNTIMED else 0
        elif came:
            line[1], line[ARRIVAL] = valid_ns - origin_ns, time_ns - origin_ns
        for k in range(payloads.shape[1]):
            payloads[m, k] = frames.data[i, k]
        m += 1
    return m


class Block:
    """A stretch of a ride as its record holds it; ``n`` rows and ``m`` frames of the room there is.

    tick, rows  (n,), (n, len(SIGNALS))  scenario ticks, rising over all blocks
    frames      (m, FRAME_COLUMNS)       tick; due, or handed over by the robot [ns]; time of validity [ns];
                                         direction; identifier; length; arrived [ns] or NO_ARRIVAL; number on
                                         the virtual bus
    held        frames behind those that wait for the next block, since they are still on the bus
    data        (m, 8 or 64)             their bytes, zero behind the length
    events      (tick, kind, text)
    bursts      (tick, sentences)
    taken       where a driver puts bursts that it took by itself

    frames_a_tick  most frames that one tick can add; with less room the block is full
    """

    def __init__(self, rows: int, frames: int, data_bytes: int, frames_a_tick: int) -> None:
        self.n = self.m = self.held = 0
        self.all_ticks = np.zeros(rows, np.int64)
        self.all_rows = np.zeros((rows, len(SIGNALS)))
        self.all_frames = np.zeros((frames, FRAME_COLUMNS), np.int64)
        self.all_data = np.zeros((frames, data_bytes), np.uint8)
        self.events: list[tuple[int, str, str]] = []
        self.bursts: list[tuple[int, bytes]] = []
        self.taken = taken_bursts()
        self._most_frames = frames - frames_a_tick
        # by direction the buffer last put in, which as a rule stays the same, and what is compiled for it
        self._put: dict[int, tuple[FrameBuffer, NDArray[np.int64], Callable[[int, int, int, int], int]]] = {}

    @property
    def tick(self) -> NDArray[np.int64]:
        """(n,) scenario tick of each row."""
        return self.all_ticks[: self.n]

    @property
    def rows(self) -> NDArray[np.float64]:
        """(n, len(SIGNALS))."""
        return self.all_rows[: self.n]

    @property
    def frames(self) -> NDArray[np.int64]:
        """(m, FRAME_COLUMNS)."""
        return self.all_frames[: self.m]

    @property
    def data(self) -> NDArray[np.uint8]:
        """(m, 8 or 64)."""
        return self.all_data[: self.m]

    @property
    def full(self) -> bool:
        """Whether another tick may not find room."""
        return self.n == len(self.all_ticks) or self.m > self._most_frames

    def add_row(self, tick: int, row: NDArray[np.float64]) -> None:
        """The signals of a tick."""
        self.all_ticks[self.n], self.all_rows[self.n] = tick, row
        self.n += 1

    def add_frames(
        self,
        tick: int,
        direction: int,
        frames: FrameBuffer,
        numbers: NDArray[np.int64] | None = None,
        origin_ns: int | None = None,
    ) -> None:
        """All frames of a buffer, stamped as the recorder does.

        numbers    on the virtual bus that they were handed to
        origin_ns  scenario time 0, of received ones that came by it: time_ns is when each had arrived,
                   valid_ns when it was handed over
        """
        if not frames.count[0]:
            return
        numbers = _NO_NUMBERS if numbers is None else numbers
        known = self._put.get(direction)
        if known is None or frames is not known[0] or numbers is not known[1]:
            held = (self.all_frames, self.all_data, frames, numbers)
            known = self._put[direction] = frames, numbers, bound(_put_frames, held, 0, 0, 0, 0)
        self.m = known[2](self.m, tick, direction, NO_ARRIVAL if origin_ns is None else origin_ns)

    def keep_frames(self, kept: NDArray[np.intp]) -> None:
        """Only these of the frames, in this order."""
        self.m = len(kept)
        self.all_frames[: self.m], self.all_data[: self.m] = self.all_frames[kept], self.all_data[kept]

    def finish(self, bus: Bus, *, last: bool = False) -> None:
        """Ready to be given out: as far as it is known when its frames arrived, the ``last`` one whole.

        No byte stays behind a frame's length: the buffers it came from are used again and again.
        """
        f = self.frames
        clear_behind(self.data, f[:, 5])
        numbered = f[:, NUMBER] != NO_NUMBER
        arrival_ns = bus.arrival_ns[f[numbered, NUMBER] % len(bus.arrival_ns)]
        waiting = np.zeros(self.m, bool)
        waiting[numbered] = arrival_ns == WAITING
        f[numbered, ARRIVAL] = np.where(arrival_ns == WAITING, NO_ARRIVAL, arrival_ns)
        if waiting.any() and not last:
            ready = int(np.argmax(waiting))
            self.m, self.held = ready, self.m - ready

    def clear(self) -> None:
        """Room for the next stretch, which begins with the frames held; the arrays are used again."""
        held = slice(self.m, self.m + self.held)
        self.all_frames[: self.held], self.all_data[: self.held] = self.all_frames[held], self.all_data[held]
        self.n, self.m, self.held = 0, self.held, 0
        self.events, self.bursts = [], []


class Driver(Protocol):
    """Who gives the plant its ticks."""

    def advance(self, bench: Bench, block: Block) -> bool:
        """Compute ticks until the loop is wanted, and put their rows and frames into the block.

        The loop is wanted after a tick with events, after the last one, and when the block is full; after one
        with sentences, too, unless the driver takes them and puts them into ``block.taken``. False if there
        was nothing to compute.
        """
        ...

    def hear(self, burst: bytes) -> None:
        """The sentences that the bench sends in the tick last computed."""
        ...


class SteppedLoop:
    """A plant, who drives it, and what comes out.

    bus           that the driver puts its frames on; without one, or on one of unknown bit rate, none is
    keep_unarmed  also sentences from before arming, which no record has
    """

    def __init__(
        self,
        bench: Bench,
        driver: Driver,
        block: Block,
        bus: Bus | None = None,
        *,
        keep_unarmed: bool = False,
    ) -> None:
        self.bench = bench
        times = rig_wire_times(bench.session.rig, bench.session.codec)
        self.timing = TimingAccounts(output_specs(bench.session), times=times)
        self._bus = idle_bus(wire_times(None)) if bus is None else bus
        self._driver = driver
        self._block = block
        self._first = UNARMED_TICK if keep_unarmed else UNARMED_TICK // 2
        self._trip_tick: int | None = None

    def blocks(self) -> Iterator[Block]:
        """Run, once, and give what comes out stretch by stretch; it is always the same block."""
        bench, block = self.bench, self._block
        while self._driver.advance(bench, block):
            tick = bench.tick_number
            told = self._tell_taken(0, tick)
            if bench.state > RUNNING:  # the change is an event, so this comes in its very tick
                self.timing.end_of_ride()
            if bench.state == TRIPPED and self._trip_tick is None:
                self._trip_tick = tick
            for code, _, _, text in bench.take_events():
                block.events.append((max(tick, BEFORE_ARMING_TICK), EVENT_KINDS.get(code, "event"), text))
            self._tell_taken(told, tick + 1)
            burst = bench.take_gnss()
            if burst:
                self._driver.hear(burst)
                self._tell(tick, bench.gnss_due_ns, bench.gnss_line_ns, bench.gnss_valid_ns, burst)
            if block.full:
                block.finish(self._bus)
                yield block
                block.clear()
        block.finish(self._bus, last=True)
        yield block

    def _tell_taken(self, first: int, until: int) -> int:
        """Bursts that the driver took, from row ``first`` on, in ticks before ``until``; where they end."""
        taken, row = self._block.taken, first
        while row < taken.number[0] and taken.terms[row, 0] < until:
            tick, start_ns, line_ns, valid_ns, _ = taken.terms[row].tolist()
            self._tell(tick, start_ns, line_ns, valid_ns, taken.burst(row))
            row += 1
        return row

    def _tell(self, tick: int, start_ns: int, line_ns: int, valid_ns: int, burst: bytes) -> None:
        if tick > self._first:
            self.timing.gnss(start_ns + line_ns, valid_ns, tick * TICK_NS + line_ns, taken=True)
            self._block.bursts.append((tick, burst))

    def outcome(self) -> dict[str, Any]:
        """How the ride ended, as the verdict reads it."""
        return {
            **self.bench.outcome(),
            "trip_tick": self._trip_tick,
            "rig_problems": [],
            "setting": {"link": "stepped", "reference": True},
        }

    def certificate(self) -> dict[str, Any]:
        """The timing certificate of a stepped clock."""
        certificate = {**self.timing.certificate(None), "robot_frames": self.bench.frame_counts()}
        return certificate | ({"arrival": "arbitrated"} if known(self._bus) else {})


def write_block(writer: RideRecord, block: Block) -> None:
    """Put a stretch into a record."""
    f = block.frames
    writer.append_signals(block.tick, block.rows)
    writer.append_frames(f[:, 0], f[:, 1], f[:, 2], f[:, 3], f[:, 4], f[:, 5], block.data, f[:, ARRIVAL])
    if block.bursts:
        ticks, bursts = zip(*block.bursts, strict=True)
        writer.append_gnss(ticks[-1], b"".join(bursts))
    for tick, kind, text in block.events:
        writer.append_event(tick, kind, text, text)
