"""Bus frames on their way into a record: checked, of the columns' types, no byte behind a frame's length."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from emulator.core.errors import InternalError
from emulator.core.frame_buffer import MAX_DATA, NO_ARRIVAL, UNTIMED

RX, TX = 0, 1
"""Frame directions: received from the robot, sent to it."""


class FrameColumns(NamedTuple):
    """n frames as they are recorded, but for the narrower types of direction and length.

    tick, time_ns, valid_ns, direction, can_id, length, arrival_ns  (n,) int64
    data  (n, 64) uint8
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
    padded, width = np.zeros((n, MAX_DATA), np.uint8), payload.shape[1]
    np.copyto(padded[:, :width], payload, where=np.arange(width) < lengths[:, None])
    return FrameColumns(ticks, times, valid, directions, ids, lengths, padded, arrival)
