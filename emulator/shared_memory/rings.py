"""Rings that one process writes and any number read, without a lock; records as their readers get them.

Nobody waits for anybody. A writer first raises ``claimed``, writes the records, then raises ``published``; a
reader copies, then looks at ``claimed`` again and throws away whatever may have been overwritten meanwhile.
Both sides put a full memory fence between these steps (compiled, so it holds on processors that reorder
stores, too). A reader that falls behind is told how many records it lost.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numba import types
from numba.extending import intrinsic
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.frame_buffer import FrameBuffer
from emulator.shared_memory.layout import BURST_BYTES

RX, TX = 0, 1
"""Direction of a frame as seen from the bench: from the robot, to the robot."""
CLAIMED, PUBLISHED = 0, 1


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
class EventRecord:
    """One thing that happened, as the loop tells it; ``code`` and ``index`` as in emulator.plant."""

    tick: int
    code: int
    index: int
    value: float
    text: str


class AppliedCommand(NamedTuple):
    """A command as the plant got it, from whomever: it acts in tick ``cycle`` since the loop began."""

    cycle: int
    code: int
    argument: float


class BurstRecord(NamedTuple):
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
def claim(counter: NDArray[np.int64], count: int) -> int:
    """Announce that the next ``count`` records are being written; returns the index of the first."""
    first: int = counter[PUBLISHED]
    counter[CLAIMED] = first + count
    _fence()
    return first


@jit
def publish(counter: NDArray[np.int64]) -> None:
    """Let readers have everything claimed."""
    _fence()
    counter[PUBLISHED] = counter[CLAIMED]


@jit
def published_count(counter: NDArray[np.int64]) -> int:
    """How many records there are to read; records read after this call are at least that new."""
    count: int = counter[PUBLISHED]
    _fence()
    return count


@jit
def claimed_count(counter: NDArray[np.int64]) -> int:
    """How far the writer may have got by now; what was read before this call is judged by it."""
    _fence()
    count: int = counter[CLAIMED]
    return count


@jit
def write_row(
    counter: NDArray[np.int64],
    ticks: NDArray[np.int64],
    rows: NDArray[np.float64],
    row: NDArray[np.float64],
    tick: int,
) -> None:
    """One row into the signal ring."""
    first = counter[PUBLISHED]
    counter[CLAIMED] = first + 1
    _fence()
    slot = first % ticks.shape[0]
    ticks[slot] = tick
    for column in range(rows.shape[1]):
        rows[slot, column] = row[column]
    _fence()
    counter[PUBLISHED] = first + 1


@jit
def write_frames(
    counter: NDArray[np.int64],
    fields: NDArray[np.int64],
    payload: NDArray[np.uint8],
    direction: int,
    frames: FrameBuffer,
    tick: int,
    time_ns: int,
    cycle: int,
) -> int:
    """All rows of a frame buffer into the frame ring; returns how many payloads had to be cut."""
    count = frames.count[0]
    first = counter[PUBLISHED]
    counter[CLAIMED] = first + count
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
    counter[PUBLISHED] = first + count
    return cut


@jit
def write_gnss(
    counter: NDArray[np.int64],
    fields: NDArray[np.int64],
    data: NDArray[np.uint8],
    text: NDArray[np.uint8],
    tick: int,
    count: int,
) -> None:
    """The first ``count`` bytes of an epoch's text into the GNSS ring, in as many records as they need."""
    for start in range(0, count, BURST_BYTES):
        length = min(BURST_BYTES, count - start)
        slot = claim(counter, 1) % fields.shape[0]
        fields[slot, 0] = tick
        fields[slot, 1] = length
        for i in range(length):
            data[slot, i] = text[start + i]
        publish(counter)


class Ring(NamedTuple):
    """A ring: its two counters, and arrays that all have one row a record."""

    counter: NDArray[np.int64]
    arrays: tuple[NDArray[Any], ...]


class _Cursor:
    """One reader's place in one ring."""

    def __init__(self, ring: Ring, *, from_now: bool = False) -> None:
        self._ring = ring
        self._next = int(published_count(ring.counter)) if from_now else 0

    def go_on_at(self, number: int) -> None:
        """Read on from this record, counted from the first ever written; what is not kept of it is lost."""
        self._next = number

    def pop(self) -> tuple[list[NDArray[Any]], int]:
        """Copies of all records since the last call, per array, and how many were lost before them."""
        counter, arrays = self._ring
        capacity = arrays[0].shape[0]
        published = int(published_count(counter))
        first = max(self._next, published - capacity)
        slots = np.arange(first, published) % capacity
        copies = [array[slots] for array in arrays]
        # The writer may have come round while we copied: everything before this index is suspect.
        intact_from = int(claimed_count(counter)) - capacity
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
        (tick, rows), lost = self.pop()
        return SignalRecords(tick, rows, lost)


class FrameReader(_Cursor):
    """Reads the frame ring."""

    def read(self) -> FrameRecords:
        """All frames since the last call."""
        (fields, data), lost = self.pop()
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

    def read(self) -> tuple[list[EventRecord], int]:
        """All events since the last call, and how many were lost before them."""
        (fields, value, text), lost = self.pop()
        events = [
            EventRecord(
                int(f[0]), int(f[1]), int(f[2]), float(v), bytes(t[: f[3]]).decode("utf-8", "replace")
            )
            for f, v, t in zip(fields, value, text, strict=True)
        ]
        return events, lost


class BurstReader(_Cursor):
    """Reads the GNSS ring."""

    def read(self) -> tuple[list[BurstRecord], int]:
        """All bursts since the last call, and how many records were lost before them."""
        (fields, data), lost = self.pop()
        return [BurstRecord(int(f[0]), bytes(d[: f[1]])) for f, d in zip(fields, data, strict=True)], lost


class AppliedReader(_Cursor):
    """Reads the ring of commands given to the plant."""

    def read(self) -> tuple[list[AppliedCommand], int]:
        """All commands since the last call, and how many were lost before them."""
        (fields, arguments), lost = self.pop()
        applied = [
            AppliedCommand(int(f[0]), int(f[1]), float(a)) for f, a in zip(fields, arguments, strict=True)
        ]
        return applied, lost
