"""Bus frames on their way into a record: checked, of the columns' types, no byte behind a frame's length."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from emulator.core.errors import InternalError
from emulator.core.frame_buffer import MAX_DATA, NO_ARRIVAL, UNTIMED
from emulator.wire.can_timing import CLASSICAL_BYTES

RX, TX = 0, 1
"""Frame directions: received from the robot, sent to it."""


class FrameColumns(NamedTuple):
    """n frames as they are recorded, but for the narrower types of direction and length.

    tick, time_ns, valid_ns, direction, can_id, length, arrival_ns  (n,) int64
    data  (n, 8 or 64) uint8
    """

    tick: NDArray[np.int64]
    time_ns: NDArray[np.int64]
    valid_ns: NDArray[np.int64]
    direction: NDArray[np.int64]
    can_id: NDArray[np.int64]
    length: NDArray[np.int64]
    data: NDArray[np.uint8]
    arrival_ns: NDArray[np.int64]


def frame_columns(
    tick: ArrayLike,
    time_ns: ArrayLike,
    valid_ns: ArrayLike,
    direction: ArrayLike,
    can_id: ArrayLike,
    length: ArrayLike,
    data: ArrayLike,
    arrival_ns: ArrayLike | None = None,
) -> FrameColumns:
    """Copies of what ``RunWriter.append_frames`` is given. Raises InternalError for what is no frames."""
    ticks = np.array(tick, dtype=np.int64, ndmin=1)
    n = len(ticks)
    lengths = np.array(length, dtype=np.int64, ndmin=1)
    payload = np.asarray(data, dtype=np.uint8)
    times, valid, directions, ids = (
        np.array(c, dtype=np.int64, ndmin=1) for c in (time_ns, valid_ns, direction, can_id)
    )
    valid[valid == UNTIMED] = 0
    arrival = np.full(n, NO_ARRIVAL) if arrival_ns is None else np.array(arrival_ns, np.int64, ndmin=1)
    plain = (ticks, times, valid, directions, ids, lengths, arrival)
    if any(c.shape != (n,) for c in plain) or payload.ndim != 2 or len(payload) != n:
        raise InternalError("frame arrays differ in length, or data is not (n, m)")
    if payload.shape[1] > MAX_DATA or (n and not 0 <= lengths.min() <= lengths.max() <= MAX_DATA):
        raise InternalError(f"a frame longer than {MAX_DATA} bytes, or of negative length")
    if n and not RX <= directions.min() <= directions.max() <= TX:
        raise InternalError("frame direction must be 0 (received) or 1 (sent)")
    kept = payloads(payload, lengths, MAX_DATA if payload.shape[1] > CLASSICAL_BYTES else CLASSICAL_BYTES)
    return FrameColumns(ticks, times, valid, directions, ids, lengths, kept, arrival)


def payloads(data: NDArray[np.uint8], length: NDArray[np.int64], width: int) -> NDArray[np.uint8]:
    """Payloads (n, width) of frames, zero behind their lengths; a copy.

    data    (n, m)  m <= 64
    length  (n,)    0 to 64
    width   8 or 64
    Raises InternalError if a payload is longer than that.
    """
    if data.shape[1] > width and len(data) and length.max() > width:
        raise InternalError(f"a frame of {length.max()} bytes in a record of at most {width}")
    kept = np.zeros((len(data), width), np.uint8)
    kept[:, : data.shape[1]] = data[:, :width]
    clear_behind(kept, length)
    return kept


def clear_behind(data: NDArray[np.uint8], length: NDArray[np.int64]) -> None:
    """Clear what lies behind the lengths (n,) of payloads (n, 8 or 64), contiguous, eight bytes at a time."""
    words = data.view(_EIGHT_BYTES)
    words &= _KEPT[length, : words.shape[1]]


_EIGHT_BYTES = np.dtype("<u8")
_KEPT = np.where(np.arange(MAX_DATA) < np.arange(MAX_DATA + 1)[:, None], np.uint8(0xFF), np.uint8(0)).view(
    _EIGHT_BYTES
)
"""(65, 8) by length of a frame, ones where its bytes are."""
