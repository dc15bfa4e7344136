"""CAN through the Linux kernel (SocketCAN): ``can0``, ``vcan0`` and their like.

python-can opens and configures the socket; the cycle reads and writes it without waiting. python-can's
own ``recv`` costs a select, a system call and a message object a frame, and cannot be used together with
the kernel's count of dropped frames (SO_RXQ_OVFL), which a bench must see.

Source of the frame layouts, flags and options: Linux kernel documentation, networking/can (SocketCAN).
"""

from __future__ import annotations

import contextlib
import errno
import socket
import struct
from collections.abc import Callable

from emulator.core.frame_buffer import EXTENDED, EXTENDED_MASK, MAX_DATA, STANDARD_MASK, FrameBuffer
from emulator.core.link_protocols import LinkCounts
from emulator.wire.can_timing import FD_LENGTHS

_CLASSICAL = struct.Struct("=IB3x8s")  # struct can_frame
_FD = struct.Struct("=IBB2x64s")  # struct canfd_frame
_CLASSICAL_SIZE = 16
_FD_SIZE = 72
_REMOTE = 0x40000000
_ERROR = 0x20000000
# Error frames, <linux/can/error.h>: classes in the identifier, the controller's state in the second byte
_ERROR_CONTROLLER = 0x004
_ERROR_BUS_OFF = 0x040
_ERROR_RESTARTED = 0x100
_CONTROLLER_ACTIVE = 0x40
_BIT_RATE_SWITCH = 0x01
_FD_LENGTH = bytes(next(length for length in FD_LENGTHS if length >= n) for n in range(65))

_SO_RCVBUFFORCE = 33  # beyond the system's limit; needs CAP_NET_ADMIN. Neither is in Python's module
_SO_RXQ_OVFL = 40  # <asm-generic/socket.h>
_ANCILLARY = socket.CMSG_SPACE(16) + socket.CMSG_SPACE(4)  # python-can's time stamp, drop count
_MOST_FRAMES = 256
"""Frames taken in one call, at most. Bounds the time a flood can take from the tick; ten times what a bus of
1 Mbit/s carries in a tick, the rest waits in the kernel."""


class KernelLink:
    """A SocketCAN raw socket.

    sock            bound CAN_RAW socket; made non-blocking here
    close           called once by ``close``
    fd              whether CAN FD frames may be sent
    fd_ids          identifiers whose frames go out as CAN FD frames whatever their length
    switch_bitrate  whether CAN FD frames use the data bit rate
    receive_buffer  bytes asked of the kernel for waiting frames

    Other payloads up to 8 bytes go out as classical frames, longer ones as CAN FD frames padded with zeros to
    the next length that exists. An interface that is down only counts as lost frames (once it is up again
    the same socket goes on); one that was removed makes the link dead. While the controller is off the bus
    nothing is handed to the kernel, which would take it for sent; a word of the driver (restarted, error
    active) or a frame received says that it is back.
    """

    def __init__(
        self,
        sock: socket.socket,
        close: Callable[[], None],
        *,
        fd: bool,
        switch_bitrate: bool,
        receive_buffer: int,
        fd_ids: frozenset[int] = frozenset(),
    ) -> None:
        self._alive = True
        self._sent = 0
        self._received = 0
        self._send_lost = 0
        self._receive_lost = 0
        self._bus_errors = 0
        self._send_full = 0
        self._bus_offs = self._downs = 0
        self._bus_off = self._down = False
        self._into: FrameBuffer | None = None
        self._from: FrameBuffer | None = None
        self._socket = sock
        self._close: Callable[[], None] | None = close
        self._fd = fd
        self._fd_ids = fd_ids
        self._fd_flags = _BIT_RATE_SWITCH if switch_bitrate else 0
        self._dropped = 0
        sock.setblocking(False)
        try:
            sock.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, receive_buffer)
        except OSError:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer)
        with contextlib.suppress(OSError):  # older kernels: losses then show in the alive counters only
            sock.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)

    def counts(self) -> LinkCounts:
        """Totals since the link was opened."""
        return LinkCounts(
            sent=self._sent,
            received=self._received,
            send_lost=self._send_lost,
            receive_lost=self._receive_lost,
            bus_errors=self._bus_errors,
            alive=self._alive,
            send_full=self._send_full,
            bus_offs=self._bus_offs,
            bus_off=self._bus_off,
            downs=self._downs,
            down=self._down,
        )

    def receive(self, into: FrameBuffer, now_ns: int) -> int:
        """Append waiting data frames (stamped ``now_ns``), as far as there are rows; return how many."""
        if not self._alive:
            return 0
        if into is not self._into:
            self._into = into
            self._into_bytes = into.data.data.cast("B")
            self._into_count = into.count.data
            self._into_rows = into.can_id.shape[0]
        before = self._received
        for _ in range(min(_MOST_FRAMES, self._into_rows - self._into_count[0])):
            try:
                frame, ancillary, _, _ = self._socket.recvmsg(_FD_SIZE, _ANCILLARY)
            except BlockingIOError:
                break
            except OSError as error:
                self._failed(error)
                break
            for level, kind, value in ancillary:
                if level == socket.SOL_SOCKET and kind == _SO_RXQ_OVFL:
                    dropped = int.from_bytes(value[:4], "little")
                    self._receive_lost += (dropped - self._dropped) & 0xFFFFFFFF
                    self._dropped = dropped
            if len(frame) == _CLASSICAL_SIZE:
                can_id, length, data = _CLASSICAL.unpack(frame)
            elif len(frame) == _FD_SIZE:
                can_id, length, _, data = _FD.unpack(frame)
            else:
                self._receive_lost += 1
                continue
            if can_id & _ERROR:
                self._bus_errors += 1
                self._take_error(can_id, data)
            elif not can_id & _REMOTE:
                identifier = can_id & (EXTENDED | EXTENDED_MASK if can_id & EXTENDED else STANDARD_MASK)
                self._bus_off = self._down = False
                self._append(into, now_ns, identifier, data[:length])
        return self._received - before

    def send(self, frames: FrameBuffer) -> int:
        """Send ``frames.count`` frames in order; return how many the link took.

        A full queue (of the socket or of the interface) loses this and the following frames of the call; so
        does a controller that is off the bus.
        """
        count = int(frames.count[0])
        if count == 0:
            return 0
        taken = 0
        if self._alive and not self._bus_off:
            for can_id, payload in self._outgoing(frames):
                length = len(payload)
                identifier = can_id & (EXTENDED | EXTENDED_MASK if can_id & EXTENDED else STANDARD_MASK)
                if length <= 8 and identifier not in self._fd_ids:
                    frame = _CLASSICAL.pack(identifier, length, bytes(payload))
                elif self._fd:
                    frame = _FD.pack(identifier, _FD_LENGTH[length], self._fd_flags, bytes(payload))
                else:
                    continue
                try:
                    self._socket.send(frame)
                except BlockingIOError:
                    self._send_full += count - taken
                    break
                except OSError as error:
                    if error.errno == errno.ENOBUFS:
                        self._send_full += count - taken
                    self._failed(error)
                    break
                taken += 1
                self._down = False
        self._sent += taken
        self._send_lost += count - taken
        return taken

    def close(self) -> None:
        """Release the device. Safe to call twice."""
        close, self._close = self._close, None
        self._alive = False
        if close is not None:
            with contextlib.suppress(Exception):  # the interface may be gone already
                close()

    def _failed(self, error: OSError) -> None:
        """Decide whether the interface is gone for good or only down or full for now."""
        if error.errno == errno.ENETDOWN:
            self._downs += not self._down
            self._down, self._bus_off = True, False  # switching it on again starts the controller anew
        if error.errno not in (errno.ENOBUFS, errno.ENETDOWN, errno.EMSGSIZE, errno.EINVAL):
            self._alive = False

    def _take_error(self, can_id: int, data: bytes) -> None:
        """What an error frame says of the controller's place on the bus."""
        if can_id & _ERROR_BUS_OFF:
            self._bus_offs += not self._bus_off
            self._bus_off = True
        elif can_id & _ERROR_RESTARTED or (can_id & _ERROR_CONTROLLER and data[1] & _CONTROLLER_ACTIVE):
            self._bus_off = False

    def _append(self, into: FrameBuffer, now_ns: int, can_id: int, payload: bytes) -> None:
        """Put one received frame into the next row."""
        row = self._into_count[0]
        length = len(payload)
        self._into_count[0] = row + 1
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
