"""What all CAN links share: their counters and the way frames get in and out of a FrameBuffer."""

from __future__ import annotations

from emulator.ports import MAX_DATA, FrameBuffer, LinkCounts

EXTENDED = 1 << 31
"""Bit of ``FrameBuffer.can_id`` that marks a 29-bit identifier."""
STANDARD_MASK = 0x7FF
EXTENDED_MASK = 0x1FFFFFFF


class CountedLink:
    """Counters of one link and fast access to the rows of the frame buffers it is given.

    The memory of a buffer is looked up once and then kept: going through numpy for each frame costs
    several times more than the bytes themselves.
    """

    def __init__(self) -> None:
        self._alive = True
        self._sent = 0
        self._received = 0
        self._send_lost = 0
        self._receive_lost = 0
        self._bus_errors = 0
        self._into: FrameBuffer | None = None
        self._from: FrameBuffer | None = None

    def counts(self) -> LinkCounts:
        """Totals since the link was opened."""
        return LinkCounts(
            sent=self._sent,
            received=self._received,
            send_lost=self._send_lost,
            receive_lost=self._receive_lost,
            bus_errors=self._bus_errors,
            alive=self._alive,
        )

    def _append(self, into: FrameBuffer, now_ns: int, can_id: int, payload: bytes) -> None:
        """Put one received frame into the next row; without a free row the frame is lost and counted."""
        if into is not self._into:
            self._into = into
            self._into_bytes = into.data.data.cast("B")
            self._into_rows = into.can_id.shape[0]
        row = int(into.count[0])
        if row >= self._into_rows:
            self._receive_lost += 1
            return
        length = len(payload)
        into.count[0] = row + 1
        into.time_ns[row] = now_ns
        into.valid_ns[row] = 0
        into.can_id[row] = can_id
        into.length[row] = length
        self._into_bytes[row * MAX_DATA : row * MAX_DATA + length] = payload
        self._received += 1

    def _outgoing(self, frames: FrameBuffer) -> list[tuple[int, memoryview]]:
        """Identifier and payload of every frame to be sent, in order, without copying."""
        if frames is not self._from:
            self._from = frames
            self._from_bytes = frames.data.data.cast("B")
        count = int(frames.count[0])
        data = self._from_bytes
        if count == 1:
            return [(int(frames.can_id[0]), data[0 : int(frames.length[0])])]
        identifiers = frames.can_id[:count].tolist()
        lengths = frames.length[:count].tolist()
        return [
            (identifier, data[row * MAX_DATA : row * MAX_DATA + length])
            for row, (identifier, length) in enumerate(zip(identifiers, lengths, strict=True))
        ]
