"""What the loop shows to the other processes: one block of anonymous shared memory, and a mailbox back.

The block is a memory file without a name (``memfd_create``), handed to each process as a file descriptor,
so nothing can be left behind in the file system whatever dies. It holds five rings that only the loop
writes (signals, frames, events, GNSS bytes, commands given to the plant), a status block in which every
field has one writer, and a small ring of commands that only the supervisor writes and only the loop takes.

Nobody waits for anybody: there is no lock. A writer first raises ``claimed``, writes the records, then
raises ``published``; a reader copies, then looks at ``claimed`` again and throws away whatever may have
been overwritten meanwhile. Both sides put a full memory fence between these steps (compiled, so it
holds on processors that reorder stores, too). A reader that falls behind is told how many records it lost.
"""

from __future__ import annotations

import contextlib
import fcntl
import mmap
import os
from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from typing import Any, NamedTuple

import numpy as np
from numba import types
from numba.extending import intrinsic
from numpy.typing import NDArray

from emulator.core.compiled import entry, jit
from emulator.core.errors import RunFailed, StartFailed
from emulator.core.frame_buffer import MAX_DATA, FrameBuffer
from emulator.core.signals import SIGNALS

MAGIC = 0x52_49_47_53_4E_41_50_31
"""First eight bytes of the block."""
VERSION = 2
"""Raised with every change of the layout or of the meaning of a field."""
TEXT_BYTES = 160
"""Room for an event's text in UTF-8; longer text is cut at a character."""
BURST_BYTES = 512
"""Room for GNSS bytes in one record; a longer burst takes several records."""
LATENESS_BINS = 322
"""Bins of the lateness histogram in the block; their edges stand beside them."""

RX, TX = 0, 1
"""Direction of a frame as seen from the bench: from the robot, to the robot."""

_LINE = 64  # bytes; parts with different writers never share a cache line
_CLAIMED, _PUBLISHED = 0, 1
_MAILBOX_ROWS = 64
_GIVEN_ROWS = 1024
_HEADER_WORDS = 16


class Command(IntEnum):
    """What the supervisor can ask of the loop; each carries one float argument (0 where unused)."""

    ARM = 1
    START = 2
    STOP = 3  # orderly: ramp to rest, then standby
    TRIP = 4  # argument: the reason, a number of emulator.plant.states
    RESET = 5  # acknowledge: tripped -> standby, once at rest and the cause is gone
    HOLD = 6  # armed, but not running until GO; argument: 0 by the operator at the bench, 1 from afar
    GO = 7  # let go of the hold; argument: 0 of every one, 1 of the one from afar
    START_EVENT = 8  # one of the scenario's events that waits to be asked for; argument: its number from 0
    END_EVENT = 9  # the same event, before its time


class LoopEvent(IntEnum):
    """Codes of events the cycle itself reports; codes below 1000 are the plant's."""

    COMMAND = 1000  # taken from the mailbox; index: which
    STOP_ASKED = 1001  # by a signal, or because the supervisor is gone
    STALL = 1002  # value: how late, in seconds
    LINK_DEAD = 1003
    RECORDER_GONE = 1004
    RECORDER_BACK = 1005
    RAMP_TOO_LONG = 1006
    BUS_FAULT = 1007  # index: emulator.loop.bus_watch.BusFault; value: frames, or times
    BUS_FAULT_OVER = 1008  # value: how long it lasted, in seconds


class LoopState(IntEnum):
    """Where the loop process is."""

    ABSENT = 0
    BUILDING = 1
    CYCLING = 2
    ENDED = 3
    FAILED = 4


class RecorderState(IntEnum):
    """Where the recorder process is."""

    ABSENT = 0
    RECORDING = 1
    CLOSED = 2
    FAILED = 3


class Status(IntEnum):
    """Index of each status word (int64). The comment lines name the one process that writes them."""

    # supervisor
    SUPERVISOR_PID = 0
    SUPERVISOR_HEARTBEAT = 1
    RECORDER_END = 2  # 1: finish the record and leave
    # loop
    LOOP_PID = 8
    LOOP_STATE = 9
    LOOP_HEARTBEAT = 10  # cycles since start
    TICK = 11  # scenario tick last computed
    BENCH_STATE = 12
    OVERRUNS = 13
    MISSED_TICKS = 14
    SKIPPED_TICKS = 15
    FRAMES_RECEIVED = 16
    FRAMES_SENT = 17
    SEND_LOST = 18
    RECEIVE_LOST = 19
    BUS_ERRORS = 20
    GNSS_SENT = 21
    GNSS_LOST = 22
    FRAMES_CUT = 23  # payload longer than the frame ring keeps
    LATENESS_P50_NS = 24
    LATENESS_P99_NS = 25
    LATENESS_P999_NS = 26
    LATENESS_MAX_NS = 27
    COMPUTE_P50_NS = 28
    COMPUTE_P99_NS = 29
    COMPUTE_P999_NS = 30
    COMPUTE_MAX_NS = 31
    COMMANDS_TAKEN = 32
    BUS_FAULTS = 33  # those there now: bit 1 << emulator.loop.bus_watch.BusFault
    BUS_OFFS = 34
    INTERFACE_DOWNS = 35
    SEND_FULL = 36  # of SEND_LOST: no room in the transmit queue
    OWN_FRAMES = 37  # received, with identifiers that only the bench sends
    # recorder
    RECORDER_PID = 40
    RECORDER_HEARTBEAT = 41
    RECORDER_STATE = 42
    RECORDER_LOST = 43  # records of any ring that it could not read in time


_STATUS_WORDS = 48


class Sizes(NamedTuple):
    """How many records each ring keeps, and how many payload bytes a frame record holds (8 or 64)."""

    signal_rows: int = 8192
    frame_rows: int = 32768
    event_rows: int = 1024
    gnss_rows: int = 256
    data_bytes: int = 8


class SignalRecords(NamedTuple):
    """Rows read from the signal ring, oldest first; ``lost`` were overwritten before they could be read."""

    tick: NDArray[np.int64]  # (n,)
    rows: NDArray[np.float64]  # (n, len(SIGNALS))
    lost: int


class FrameRecords(NamedTuple):
    """Frames read from the frame ring in the order written. Times are scenario time [ns]."""

    tick: NDArray[np.int64]  # (n,)
    time_ns: NDArray[np.int64]  # (n,) received, or handed to the link
    valid_ns: NDArray[np.int64]  # (n,) time of validity; 0 where unknown (received)
    direction: NDArray[np.uint8]  # (n,) RX or TX
    can_id: NDArray[np.int64]  # (n,)
    length: NDArray[np.uint8]  # (n,)
    data: NDArray[np.uint8]  # (n, data_bytes)
    cycle: NDArray[np.int64]  # (n,) ticks computed before the one it belongs to, since the loop began
    lost: int


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened, as the loop tells it; ``code`` and ``index`` as in emulator.plant."""

    tick: int
    code: int
    index: int
    value: float
    text: str


class Given(NamedTuple):
    """A command as the plant got it, from whomever: it acts in tick ``cycle`` since the loop began."""

    cycle: int
    code: int
    argument: float


class Burst(NamedTuple):
    """GNSS bytes handed to the link at one tick (or a piece of them)."""

    tick: int
    data: bytes


def _emit_fence(_context: Any) -> Any:
    """Full memory fence: loads and stores before it are seen by every core before those after it."""

    def emit(context: Any, builder: Any, _signature: Any, _arguments: Any) -> Any:
        builder.fence("seq_cst")
        return context.get_dummy_value()

    return types.void(), emit


_fence: Callable[[], None] = intrinsic(_emit_fence)  # type: ignore[assignment]


@jit
def _claim(counter: NDArray[np.int64], count: int) -> int:
    """Announce that the next ``count`` records are being written; returns the index of the first."""
    first: int = counter[_PUBLISHED]
    counter[_CLAIMED] = first + count
    _fence()
    return first


@jit
def _publish(counter: NDArray[np.int64]) -> None:
    """Let readers have everything claimed."""
    _fence()
    counter[_PUBLISHED] = counter[_CLAIMED]


@jit
def _published(counter: NDArray[np.int64]) -> int:
    """How many records there are to read; records read after this call are at least that new."""
    count: int = counter[_PUBLISHED]
    _fence()
    return count


@jit
def _claimed(counter: NDArray[np.int64]) -> int:
    """How far the writer may have got by now; what was read before this call is judged by it."""
    _fence()
    count: int = counter[_CLAIMED]
    return count


@jit
def _write_row(
    counter: NDArray[np.int64],
    ticks: NDArray[np.int64],
    rows: NDArray[np.float64],
    tick: int,
    row: NDArray[np.float64],
) -> None:
    """One row into the signal ring."""
    first = counter[_PUBLISHED]
    counter[_CLAIMED] = first + 1
    _fence()
    slot = first % ticks.shape[0]
    ticks[slot] = tick
    for column in range(rows.shape[1]):
        rows[slot, column] = row[column]
    _fence()
    counter[_PUBLISHED] = first + 1


@jit
def _write_frames(
    counter: NDArray[np.int64],
    fields: NDArray[np.int64],
    payload: NDArray[np.uint8],
    tick: int,
    time_ns: int,
    direction: int,
    frames: FrameBuffer,
    cycle: int,
) -> int:
    """All rows of a frame buffer into the frame ring; returns how many payloads had to be cut."""
    count = frames.count[0]
    first = counter[_PUBLISHED]
    counter[_CLAIMED] = first + count
    _fence()
    cut = 0
    for i in range(count):
        slot = (first + i) % fields.shape[0]
        fields[slot, 0] = tick
        fields[slot, 1] = frames.time_ns[i] if direction == 0 else time_ns
        fields[slot, 2] = frames.valid_ns[i]
        fields[slot, 3] = direction
        fields[slot, 4] = frames.can_id[i]
        fields[slot, 5] = frames.length[i]
        fields[slot, 6] = cycle
        if frames.length[i] > payload.shape[1]:
            cut += 1
        for j in range(payload.shape[1]):
            payload[slot, j] = frames.data[i, j]
    _fence()
    counter[_PUBLISHED] = first + count
    return cut


@jit
def _write_gnss(
    counter: NDArray[np.int64],
    fields: NDArray[np.int64],
    data: NDArray[np.uint8],
    tick: int,
    text: NDArray[np.uint8],
) -> None:
    """The bytes of one epoch into the GNSS ring, in as many records as they need."""
    for start in range(0, text.shape[0], BURST_BYTES):
        length = min(BURST_BYTES, text.shape[0] - start)
        slot = _claim(counter, 1) % fields.shape[0]
        fields[slot, 0] = tick
        fields[slot, 1] = length
        for i in range(length):
            data[slot, i] = text[start + i]
        _publish(counter)


class _Ring(NamedTuple):
    """A ring: its two counters, and arrays that all have one row a record."""

    counter: NDArray[np.int64]
    arrays: tuple[NDArray[Any], ...]


class _Cursor:
    """One reader's place in one ring."""

    def __init__(self, ring: _Ring, *, from_now: bool = False) -> None:
        self._ring = ring
        self._next = int(_published(ring.counter)) if from_now else 0

    def take(self) -> tuple[list[NDArray[Any]], int]:
        """Copies of all records since the last call, per array, and how many were lost before them."""
        counter, arrays = self._ring
        capacity = arrays[0].shape[0]
        published = int(_published(counter))
        first = max(self._next, published - capacity)
        slots = np.arange(first, published) % capacity
        copies = [array[slots] for array in arrays]
        # The writer may have come round while we copied: everything before this index is suspect.
        intact_from = int(_claimed(counter)) - capacity
        if intact_from > first:
            torn = min(intact_from, published) - first
            copies = [copy[torn:] for copy in copies]
            first += torn
        lost = first - self._next
        self._next = published
        return copies, lost


class SignalReader(_Cursor):
    """Reads the signal ring."""

    def read(self) -> SignalRecords:
        """All rows since the last call."""
        (tick, rows), lost = self.take()
        return SignalRecords(tick, rows, lost)


class FrameReader(_Cursor):
    """Reads the frame ring."""

    def read(self) -> FrameRecords:
        """All frames since the last call."""
        (fields, data), lost = self.take()
        tick, time_ns, valid_ns, direction, can_id, length, cycle = (
            np.ascontiguousarray(c) for c in fields.T
        )
        return FrameRecords(
            tick,
            time_ns,
            valid_ns,
            direction.astype(np.uint8),
            can_id,
            length.astype(np.uint8),
            data,
            cycle,
            lost,
        )


class EventReader(_Cursor):
    """Reads the event ring."""

    def read(self) -> tuple[list[Event], int]:
        """All events since the last call, and how many were lost before them."""
        (fields, value, text), lost = self.take()
        events = [
            Event(int(f[0]), int(f[1]), int(f[2]), float(v), bytes(t[: f[3]]).decode("utf-8", "replace"))
            for f, v, t in zip(fields, value, text, strict=True)
        ]
        return events, lost


class GnssReader(_Cursor):
    """Reads the GNSS ring."""

    def read(self) -> tuple[list[Burst], int]:
        """All bursts since the last call, and how many records were lost before them."""
        (fields, data), lost = self.take()
        return [Burst(int(f[0]), bytes(d[: f[1]])) for f, d in zip(fields, data, strict=True)], lost


class GivenReader(_Cursor):
    """Reads the ring of commands given to the plant."""

    def read(self) -> tuple[list[Given], int]:
        """All commands since the last call, and how many were lost before them."""
        (fields, arguments), lost = self.take()
        given = [Given(int(f[0]), int(f[1]), float(a)) for f, a in zip(fields, arguments, strict=True)]
        return given, lost


class _Part(NamedTuple):
    """One array of the block."""

    name: str
    dtype: type
    shape: tuple[int, ...]


def _parts(sizes: Sizes, columns: int) -> list[_Part]:
    """Every array of the block, in order of address."""
    return [
        _Part("header", np.int64, (_HEADER_WORDS,)),
        _Part("status", np.int64, (_STATUS_WORDS,)),
        _Part("lateness_edges_us", np.float64, (LATENESS_BINS + 1,)),
        _Part("lateness_counts", np.int64, (LATENESS_BINS,)),
        _Part("mailbox.counter", np.int64, (2,)),
        _Part("mailbox.code", np.int64, (_MAILBOX_ROWS,)),
        _Part("mailbox.argument", np.float64, (_MAILBOX_ROWS,)),
        _Part("signal.counter", np.int64, (2,)),
        _Part("signal.tick", np.int64, (sizes.signal_rows,)),
        _Part("signal.row", np.float64, (sizes.signal_rows, columns)),
        _Part("frame.counter", np.int64, (2,)),
        _Part("frame.fields", np.int64, (sizes.frame_rows, 7)),
        _Part("frame.data", np.uint8, (sizes.frame_rows, sizes.data_bytes)),
        _Part("event.counter", np.int64, (2,)),
        _Part("event.fields", np.int64, (sizes.event_rows, 4)),
        _Part("event.value", np.float64, (sizes.event_rows,)),
        _Part("event.text", np.uint8, (sizes.event_rows, TEXT_BYTES)),
        _Part("gnss.counter", np.int64, (2,)),
        _Part("gnss.fields", np.int64, (sizes.gnss_rows, 2)),
        _Part("gnss.data", np.uint8, (sizes.gnss_rows, BURST_BYTES)),
        _Part("given.counter", np.int64, (2,)),
        _Part("given.fields", np.int64, (_GIVEN_ROWS, 2)),
        _Part("given.argument", np.float64, (_GIVEN_ROWS,)),
    ]


def _offsets(parts: list[_Part]) -> tuple[list[int], int]:
    """Byte offset of each part, and the size of the block."""
    offsets, end = [], 0
    for part in parts:
        offsets.append(end)
        size = int(np.prod(part.shape)) * np.dtype(part.dtype).itemsize
        end += -(-size // _LINE) * _LINE
    return offsets, end


class Snapshot:
    """The shared block, mapped into this process. Build it with ``create`` or ``attach``.

    ``status`` is indexed with the words of ``Status``: ``snapshot.status[Status.TICK]``; each word has
    one writing process. ``lateness_edges_us`` (LATENESS_BINS + 1) and ``lateness_counts`` (LATENESS_BINS)
    hold the loop's lateness histogram while it runs; edges are zero until the loop has set them.
    """

    def __init__(self, fd: int, memory: mmap.mmap, sizes: Sizes, columns: int, *, owner: bool) -> None:
        self.fd = fd
        self.sizes = sizes
        self._memory = memory
        self._owner = owner
        self._closed = False
        parts = _parts(sizes, columns)
        offsets, _ = _offsets(parts)
        a: dict[str, NDArray[Any]] = {}
        for part, offset in zip(parts, offsets, strict=True):
            count = int(np.prod(part.shape))
            a[part.name] = np.frombuffer(memory, part.dtype, count, offset).reshape(part.shape)
        # A memoryview hands out plain Python integers, several times cheaper in the tick than numpy scalars.
        self.status: memoryview = a["status"].data
        self._mailbox_counter: memoryview = a["mailbox.counter"].data
        self.lateness_edges_us: NDArray[np.float64] = a["lateness_edges_us"]
        self.lateness_counts: NDArray[np.int64] = a["lateness_counts"]
        self._mailbox = _Ring(a["mailbox.counter"], (a["mailbox.code"], a["mailbox.argument"]))
        self._signals = _Ring(a["signal.counter"], (a["signal.tick"], a["signal.row"]))
        self._frames = _Ring(a["frame.counter"], (a["frame.fields"], a["frame.data"]))
        self._events = _Ring(a["event.counter"], (a["event.fields"], a["event.value"], a["event.text"]))
        self._gnss = _Ring(a["gnss.counter"], (a["gnss.fields"], a["gnss.data"]))
        self._given = _Ring(a["given.counter"], (a["given.fields"], a["given.argument"]))
        self._commands_taken = self.status[Status.COMMANDS_TAKEN]
        # Compiled writers, made when first used: only the loop writes.
        self._write_row: Callable[..., None] | None = None
        self._write_frames: Callable[..., int] | None = None
        self._write_gnss: Callable[..., None] | None = None

    @classmethod
    def create(cls, sizes: Sizes | None = None) -> Snapshot:
        """A new, zeroed block. The creator owns ``fd`` and passes it on (``subprocess`` ``pass_fds``).

        Raises StartFailed where the kernel gives no memory file, ValueError on sizes out of range.
        """
        sizes = sizes or Sizes()
        if min(sizes[:4]) < 2 or sizes.data_bytes not in (8, MAX_DATA):
            raise ValueError(f"rings need at least 2 records and frames 8 or {MAX_DATA} bytes, got {sizes}")
        columns = len(SIGNALS)
        _, size = _offsets(_parts(sizes, columns))
        try:
            fd = os.memfd_create("snapshot", os.MFD_CLOEXEC | os.MFD_ALLOW_SEALING)
            os.ftruncate(fd, size)
            # Nobody can shrink it under a reader's feet, which would kill that reader with SIGBUS.
            fcntl.fcntl(fd, fcntl.F_ADD_SEALS, fcntl.F_SEAL_SHRINK | fcntl.F_SEAL_GROW)
            memory = mmap.mmap(fd, size)
        except OSError as error:
            raise StartFailed(
                f"no shared memory for the snapshot ({size >> 20} MiB): {error}",
                advice="free memory, or raise the container's memory limit, and start again",
            ) from error
        header = np.frombuffer(memory, np.int64, _HEADER_WORDS)
        header[1:9] = (VERSION, size, columns, *sizes)
        header[0] = MAGIC
        return cls(fd, memory, sizes, columns, owner=True)

    @classmethod
    def attach(cls, fd: int) -> Snapshot:
        """Map the block another process created. ``fd`` stays the caller's and may be closed afterwards.

        Raises StartFailed if it is not a snapshot, or one of another version or signal table.
        """
        advice = "start all processes of a run from one installation of this package"
        try:
            size = os.fstat(fd).st_size
            memory = mmap.mmap(fd, size)
        except (OSError, ValueError) as error:
            raise StartFailed(
                f"file descriptor {fd} can't be mapped as a snapshot: {error}", advice=advice
            ) from error
        header = (
            np.frombuffer(memory, np.int64, _HEADER_WORDS).tolist() if size >= 8 * _HEADER_WORDS else [0] * 16
        )
        if header[0] != MAGIC:
            raise StartFailed(f"file descriptor {fd} is not a snapshot", advice=advice)
        if header[1] != VERSION:
            raise StartFailed(f"the snapshot has layout {header[1]}, this is {VERSION}", advice=advice)
        if header[3] != len(SIGNALS):
            raise StartFailed(
                f"the snapshot has {header[3]} signals, this program knows {len(SIGNALS)}", advice=advice
            )
        sizes = Sizes(*header[4:9])
        expected = _offsets(_parts(sizes, header[3]))[1]
        if size != header[2] or size != expected:
            raise StartFailed(f"the snapshot has {size} bytes, expected {expected}", advice=advice)
        return cls(fd, memory, sizes, header[3], owner=False)

    def close(self) -> None:
        """Unmap. Readers made from this object must not be used afterwards. Safe to call twice."""
        if self._closed:
            return
        self._closed = True
        self.status.release()
        self._mailbox_counter.release()
        for name in ("_mailbox", "_signals", "_frames", "_events", "_gnss", "_given", "lateness_edges_us"):
            delattr(self, name)
        del self.lateness_counts
        with contextlib.suppress(BufferError):  # a reader still holds it: unmapped when that one goes
            self._memory.close()
        if self._owner:
            os.close(self.fd)

    # --- the loop writes -------------------------------------------------------------------------

    def write_signals(self, tick: int, row: NDArray[np.float64]) -> None:
        """One row of all signals, (len(SIGNALS),) float64. Allocates nothing."""
        counter, (ticks, rows) = self._signals
        if self._write_row is None:
            self._write_row = entry(_write_row, counter, ticks, rows, 0, row)
        self._write_row(counter, ticks, rows, tick, row)

    def write_frames(
        self, tick: int, direction: int, frames: FrameBuffer, time_ns: int = 0, cycle: int = 0
    ) -> int:
        """All ``frames.count`` frames of a buffer; allocates nothing.

        Received frames keep their own ``time_ns``; sent ones are stamped with ``time_ns``, when they were
        handed to the link. ``cycle`` is how many ticks were computed before this one. Returns how many
        payloads were longer than ``sizes.data_bytes`` and were cut.
        """
        counter, (fields, data) = self._frames
        if self._write_frames is None:
            self._write_frames = entry(_write_frames, counter, fields, data, 0, 0, 0, frames, 0)
        return self._write_frames(counter, fields, data, tick, time_ns, direction, frames, cycle)

    def write_event(self, tick: int, code: int, index: int, value: float, text: str) -> None:
        """One event; text beyond TEXT_BYTES of UTF-8 is cut at a character."""
        counter, (fields, values, texts) = self._events
        encoded = text.encode("utf-8", "replace")
        if len(encoded) > TEXT_BYTES:
            encoded = encoded[:TEXT_BYTES].decode("utf-8", "ignore").encode("utf-8")
        slot = _claim(counter, 1) % fields.shape[0]
        fields[slot] = (tick, code, index, len(encoded))
        values[slot] = value
        texts[slot, : len(encoded)] = np.frombuffer(encoded, np.uint8)
        _publish(counter)

    def write_given(self, cycle: int, code: int, argument: float) -> None:
        """A command handed to the plant when it had computed ``cycle`` ticks, whoever asked for it."""
        counter, (fields, arguments) = self._given
        slot = _claim(counter, 1) % _GIVEN_ROWS
        fields[slot] = (cycle, code)
        arguments[slot] = argument
        _publish(counter)

    def write_gnss(self, tick: int, burst: bytes) -> None:
        """The bytes of one epoch, in as many records as they need."""
        counter, (fields, data) = self._gnss
        text = np.frombuffer(burst, np.uint8)
        if self._write_gnss is None:
            self._write_gnss = entry(_write_gnss, counter, fields, data, 0, text)
        self._write_gnss(counter, fields, data, tick, text)

    def take_command(self) -> tuple[int, float] | None:
        """The supervisor's next command (code, argument), or None. Costs next to nothing when empty."""
        if self._mailbox_counter[_PUBLISHED] == self._commands_taken:
            return None
        counter, (codes, arguments) = self._mailbox
        _published(counter)
        # The mailbox refuses to overwrite (see post), so this record is whole.
        slot = self._commands_taken % _MAILBOX_ROWS
        command = int(codes[slot]), float(arguments[slot])
        self._commands_taken += 1
        self.status[Status.COMMANDS_TAKEN] = self._commands_taken
        return command

    # --- the supervisor writes -------------------------------------------------------------------

    def post(self, command: int, argument: float = 0.0) -> None:
        """Put a command in the loop's mailbox. Only one process may do so.

        Raises RunFailed if the loop has left 64 commands lying there: it doesn't run (any more).
        """
        counter, (codes, arguments) = self._mailbox
        if self._mailbox_counter[_PUBLISHED] - self.status[Status.COMMANDS_TAKEN] >= _MAILBOX_ROWS:
            raise RunFailed(
                f"the loop has not taken the last {_MAILBOX_ROWS} commands",
                advice="it is stuck or gone: use the hardware emergency stop, then end the run",
            )
        slot = _claim(counter, 1) % _MAILBOX_ROWS
        codes[slot] = int(command)
        arguments[slot] = argument
        _publish(counter)

    # --- anybody reads ---------------------------------------------------------------------------

    def signal_reader(self, *, from_now: bool = False) -> SignalReader:
        """A reader with its own place; from the oldest record kept, or only what comes from now on."""
        return SignalReader(self._signals, from_now=from_now)

    def frame_reader(self, *, from_now: bool = False) -> FrameReader:
        """The same for frames."""
        return FrameReader(self._frames, from_now=from_now)

    def event_reader(self, *, from_now: bool = False) -> EventReader:
        """The same for events."""
        return EventReader(self._events, from_now=from_now)

    def gnss_reader(self, *, from_now: bool = False) -> GnssReader:
        """The same for GNSS bytes."""
        return GnssReader(self._gnss, from_now=from_now)

    def given_reader(self) -> GivenReader:
        """The same for the commands given to the plant."""
        return GivenReader(self._given)

    def latest(self) -> tuple[int, NDArray[np.float64]] | None:
        """Tick and a copy of the newest row of signals; None before the first."""
        counter, (ticks, rows) = self._signals
        while published := int(_published(counter)):
            slot = (published - 1) % self.sizes.signal_rows
            tick, row = int(ticks[slot]), rows[slot].copy()
            if int(_claimed(counter)) <= published - 1 + self.sizes.signal_rows:
                return tick, row
        return None
