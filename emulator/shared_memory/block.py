"""What the loop shows to the other processes: one block of anonymous shared memory, and a mailbox back.

The block is a memory file without a name (``memfd_create``), handed to each process as a file descriptor,
so nothing can be left behind in the file system whatever dies. It holds five rings that only the loop
writes (signals, frames, events, GNSS bytes, commands given to the plant), a status block in which every
field has one writer, and a small ring of commands that only the supervisor writes and only the loop takes.

Nobody waits for anybody, and there is no lock: how the rings do without is told in ``rings``.
"""

from __future__ import annotations

import contextlib
import fcntl
import mmap
import os
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import bound
from emulator.core.errors import RunFailed, StartFailed
from emulator.core.frame_buffer import MAX_DATA, FrameBuffer
from emulator.core.signals import SIGNALS
from emulator.shared_memory.layout import (
    APPLIED_ROWS,
    BURST_BYTES,
    HEADER_WORDS,
    MAGIC,
    MAILBOX_ROWS,
    TEXT_BYTES,
    VERSION,
    Sizes,
    block_parts,
    part_offsets,
)
from emulator.shared_memory.rings import (
    PUBLISHED,
    AppliedReader,
    BurstReader,
    EventReader,
    FrameReader,
    Ring,
    SignalReader,
    claim,
    claimed_count,
    publish,
    published_count,
    write_frames,
    write_gnss,
    write_row,
)
from emulator.shared_memory.stalls import Role, Stalls, StallWriter, read_stalls
from emulator.shared_memory.status import Status


class Snapshot:
    """The shared block, mapped into this process. Build it with ``create`` or ``attach``.

    ``status`` is indexed with the words of ``Status``: ``snapshot.status[Status.TICK]``; each word has
    one writing process. ``lateness_edges_us`` (LATENESS_BINS + 1) and ``lateness_counts`` (LATENESS_BINS)
    hold the loop's lateness histogram while it runs; edges are zero until the loop has set them. ``bus``
    is indexed with the words of ``BusWord``; ``bus_delays`` (BINS,) counts how long each frame can have been
    in the server of the virtual bus, in the bins of ``core.log_bins``.
    """

    def __init__(self, fd: int, memory: mmap.mmap, sizes: Sizes, columns: int, *, owner: bool) -> None:
        self.fd = fd
        self.sizes = sizes
        self._memory = memory
        self._owner = owner
        self._closed = False
        parts = block_parts(sizes, columns)
        offsets, _ = part_offsets(parts)
        a: dict[str, NDArray[Any]] = {}
        for part, offset in zip(parts, offsets, strict=True):
            dtype = np.dtype(part.dtype)
            count = part.nbytes // dtype.itemsize
            a[part.name] = np.frombuffer(memory, dtype, count, offset).reshape(part.shape)
        # A memoryview hands out plain Python integers, several times cheaper in the tick than numpy scalars.
        self.status: memoryview = a["status"].data
        self._mailbox_counter: memoryview = a["mailbox.counter"].data
        self.lateness_edges_us: NDArray[np.float64] = a["lateness_edges_us"]
        self.lateness_counts: NDArray[np.int64] = a["lateness_counts"]
        self.bus: memoryview = a["bus.words"].data
        self.bus_delays: NDArray[np.int64] = a["bus.delays"]
        self._mailbox = Ring(a["mailbox.counter"], (a["mailbox.code"], a["mailbox.argument"]))
        self._signals = Ring(a["signal.counter"], (a["signal.tick"], a["signal.row"]))
        self._frames = Ring(a["frame.counter"], (a["frame.fields"], a["frame.data"]))
        self._events = Ring(a["event.counter"], (a["event.fields"], a["event.value"], a["event.text"]))
        self._gnss = Ring(a["gnss.counter"], (a["gnss.fields"], a["gnss.data"]))
        self._applied = Ring(a["applied.counter"], (a["applied.fields"], a["applied.argument"]))
        self._stalls = [
            (a[f"stall.{role}.words"].data, a[f"stall.{role}.rows"].reshape(-1).data) for role in Role
        ]
        self._commands_taken = self.status[Status.COMMANDS_TAKEN]
        # Compiled writers, made when first used, since only the loop writes: of the row last written, and by
        # direction of the frames last written, which in the loop stay the same
        self._row: NDArray[np.float64] | None = None
        self._write_row: Callable[[int], None] = lambda _: None
        self._written: list[FrameBuffer | None] = [None, None]
        self._write_frames: list[Callable[[int, int, int], int]] = [lambda *_: 0, lambda *_: 0]
        self._burst = memoryview(b"")
        self._write_gnss: Callable[[int, int], None] = lambda *_: None

    @classmethod
    def create(cls, sizes: Sizes | None = None) -> Snapshot:
        """A new, zeroed block. The creator owns ``fd`` and passes it on (``subprocess`` ``pass_fds``).

        Raises StartFailed where the kernel gives no memory file, ValueError on sizes out of range.
        """
        sizes = sizes or Sizes()
        if min(sizes[:4]) < 2 or sizes.data_bytes not in (8, MAX_DATA):
            raise ValueError(f"rings need at least 2 records and frames 8 or {MAX_DATA} bytes, got {sizes}")
        columns = len(SIGNALS)
        _, size = part_offsets(block_parts(sizes, columns))
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
        header = np.frombuffer(memory, np.int64, HEADER_WORDS)
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
            np.frombuffer(memory, np.int64, HEADER_WORDS).tolist() if size >= 8 * HEADER_WORDS else [0] * 16
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
        expected = part_offsets(block_parts(sizes, header[3]))[1]
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
        self.bus.release()
        for views in self._stalls:
            for view in views:
                view.release()
        for name in ("_mailbox", "_signals", "_frames", "_events", "_gnss", "_applied", "lateness_edges_us"):
            delattr(self, name)
        del self.lateness_counts, self.bus_delays
        del self._row, self._write_row, self._written, self._write_frames, self._write_gnss
        with contextlib.suppress(BufferError):  # a reader still holds it: unmapped when that one goes
            self._memory.close()
        if self._owner:
            os.close(self.fd)

    # --- the loop writes -------------------------------------------------------------------------

    def write_signals(self, tick: int, row: NDArray[np.float64]) -> None:
        """One row of all signals, (len(SIGNALS),) float64. Allocates nothing while it is the same array."""
        if row is not self._row:
            counter, (ticks, rows) = self._signals
            self._row, self._write_row = row, bound(write_row, (counter, ticks, rows, row), 0)
        self._write_row(tick)

    def write_frames(
        self, tick: int, direction: int, frames: FrameBuffer, time_ns: int = 0, cycle: int = 0
    ) -> int:
        """All ``frames.count`` frames of a buffer; allocates nothing while a direction has the same buffer.

        Received frames keep their own ``time_ns``; sent ones are stamped with ``time_ns``, when they were
        handed to the link. ``cycle`` is how many ticks were computed before this one. Returns how many
        payloads were longer than ``sizes.data_bytes`` and were cut.
        """
        if frames is not self._written[direction]:
            counter, (fields, data) = self._frames
            held = (counter, fields, data, direction, frames)
            self._written[direction], self._write_frames[direction] = (
                frames,
                bound(write_frames, held, 0, 0, 0),
            )
        return self._write_frames[direction](tick, time_ns, cycle)

    def write_event(self, tick: int, code: int, index: int, value: float, text: str) -> None:
        """One event; text beyond TEXT_BYTES of UTF-8 is cut at a character."""
        counter, (fields, values, texts) = self._events
        encoded = text.encode("utf-8", "replace")
        if len(encoded) > TEXT_BYTES:
            encoded = encoded[:TEXT_BYTES].decode("utf-8", "ignore").encode("utf-8")
        slot = claim(counter, 1) % fields.shape[0]
        fields[slot] = (tick, code, index, len(encoded))
        values[slot] = value
        texts[slot, : len(encoded)] = np.frombuffer(encoded, np.uint8)
        publish(counter)

    def write_applied(self, cycle: int, code: int, argument: float) -> None:
        """A command handed to the plant when it had computed ``cycle`` ticks, whoever asked for it."""
        counter, (fields, arguments) = self._applied
        slot = claim(counter, 1) % APPLIED_ROWS
        fields[slot] = (cycle, code)
        arguments[slot] = argument
        publish(counter)

    def write_gnss(self, tick: int, burst: bytes) -> None:
        """The bytes of one epoch, in as many records as they need."""
        length = len(burst)
        if length > len(self._burst):
            text = np.zeros(max(length, 4 * BURST_BYTES), np.uint8)
            self._burst, (counter, (fields, data)) = text.data, self._gnss
            self._write_gnss = bound(write_gnss, (counter, fields, data, text), 0, 0)
        self._burst[:length] = burst
        self._write_gnss(tick, length)

    def pop_command(self) -> tuple[int, float] | None:
        """The supervisor's next command (code, argument), or None. Costs next to nothing when empty."""
        if self._mailbox_counter[PUBLISHED] == self._commands_taken:
            return None
        counter, (codes, arguments) = self._mailbox
        published_count(counter)
        # The mailbox refuses to overwrite (see post), so this record is whole.
        slot = self._commands_taken % MAILBOX_ROWS
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
        if self._mailbox_counter[PUBLISHED] - self.status[Status.COMMANDS_TAKEN] >= MAILBOX_ROWS:
            raise RunFailed(
                f"the loop has not taken the last {MAILBOX_ROWS} commands",
                advice="it is stuck or gone: use the hardware emergency stop, then end the run",
            )
        slot = claim(counter, 1) % MAILBOX_ROWS
        codes[slot] = int(command)
        arguments[slot] = argument
        publish(counter)

    # --- each process of a ride writes its own ---------------------------------------------------

    def stall_writer(self, role: Role) -> StallWriter:
        """Where the process of that role tells of its turns; one process may be it."""
        return StallWriter(*self._stalls[role], role)

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

    def gnss_reader(self, *, from_now: bool = False) -> BurstReader:
        """The same for GNSS bytes."""
        return BurstReader(self._gnss, from_now=from_now)

    def applied_reader(self) -> AppliedReader:
        """The same for the commands given to the plant."""
        return AppliedReader(self._applied)

    def stalls(self, role: Role) -> Stalls:
        """What that process has told of its turns so far."""
        return read_stalls(*self._stalls[role], role)

    def latest(self) -> tuple[int, NDArray[np.float64]] | None:
        """Tick and a copy of the newest row of signals; None before the first."""
        counter, (ticks, rows) = self._signals
        while published := int(published_count(counter)):
            slot = (published - 1) % self.sizes.signal_rows
            tick, row = int(ticks[slot]), rows[slot].copy()
            if int(claimed_count(counter)) <= published - 1 + self.sizes.signal_rows:
                return tick, row
        return None
