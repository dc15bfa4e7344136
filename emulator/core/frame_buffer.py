"""Bus frames as compiled code and links share them: a fixed block of rows."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

MAX_DATA = 64
"""Longest CAN FD payload in bytes; classical frames use the first eight."""
EXTENDED = 1 << 31
"""Bit of ``FrameBuffer.can_id`` that marks a 29-bit identifier."""
UNTIMED = -(2**63)
"""``FrameBuffer.valid_ns`` of a frame that is not part of the timing's promise (inserted, repeated or delayed
by a fault): it is counted as sent and otherwise left out of the certificate."""
NO_ARRIVAL = -(2**63)
"""Time of arrival of a frame of which it is not known, or that had not arrived by the end of the record."""
STANDARD_MASK = 0x7FF
EXTENDED_MASK = 0x1FFFFFFF


def identifier_digits(can_id: int) -> str:
    """An identifier as the trade writes it in hexadecimal: three digits, or eight of a 29-bit one."""
    return f"{can_id & EXTENDED_MASK:08X}" if can_id & EXTENDED else f"{can_id:03X}"


class FrameBuffer(NamedTuple):
    """A fixed block of bus frames that compiled code and links share; allocated once, then reused.

    count      (1,)       int64   how many of the rows below are filled
    time_ns    (N,)       int64   when the frame was received, or is due to be sent or there [ns, loop clock]
    valid_ns   (N,)       int64   time of validity of what is in it [ns]; 0 where unknown (received)
    can_id     (N,)       int64   identifier, bit 31 set for 29-bit identifiers
    length     (N,)       int64   payload bytes
    data       (N, 64)    uint8   payload
    """

    count: NDArray[np.int64]  # type: ignore[assignment]  # hides tuple.count, which nobody wants here
    time_ns: NDArray[np.int64]
    valid_ns: NDArray[np.int64]
    can_id: NDArray[np.int64]
    length: NDArray[np.int64]
    data: NDArray[np.uint8]


def frame_buffer(rows: int) -> FrameBuffer:
    """An empty buffer for ``rows`` frames."""
    return FrameBuffer(
        count=np.zeros(1, np.int64),
        time_ns=np.zeros(rows, np.int64),
        valid_ns=np.zeros(rows, np.int64),
        can_id=np.zeros(rows, np.int64),
        length=np.zeros(rows, np.int64),
        data=np.zeros((rows, MAX_DATA), np.uint8),
    )
