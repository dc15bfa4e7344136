"""CAN over a byte stream: the virtual bus on loopback and serial-line adapters.

python-can opens, configures and closes both. Its own receive and send are not used in the cycle: they
make one message object a call, wait in ``sendall`` or read single bytes, and a malformed text stays in
their buffer and fails every later call. The links here read and write the same descriptor without
waiting and convert between text and frame buffers themselves.
"""

from __future__ import annotations

import contextlib
import os
import select
from binascii import unhexlify
from collections.abc import Callable

from emulator.links.can_link import EXTENDED, EXTENDED_MASK, STANDARD_MASK, CountedLink
from emulator.ports import FrameBuffer

_READ_SIZE = 65536
_READ_AGAIN_FROM = 2048
"""A read that brought less than this emptied the descriptor (a tty gives at most 4 KiB a read)."""
_MOST_READS = 16
"""Reads in one call; bounds the time a flood can take from the tick."""
_LONGEST_TEXT = 256
"""Bytes without an end mark after which the text cannot be a frame any more."""


class TextLink(CountedLink):
    """A CAN link over a non-blocking descriptor. Subclasses say how a frame is written as text.

    descriptor     open, non-blocking file descriptor, owned by ``close``
    close          called once by ``close``; releases descriptor and device
    unread         text read from the descriptor already
    """

    _END = b""

    def __init__(self, descriptor: int, close: Callable[[], None], unread: bytes = b"") -> None:
        super().__init__()
        self._descriptor = descriptor
        self._close: Callable[[], None] | None = close
        self._partial = unread  # received, end mark still to come
        self._unwritten = b""  # rest of a frame the descriptor took only a part of

    def receive(self, into: FrameBuffer, now_ns: int) -> int:
        """Append all waiting data frames (stamped ``now_ns``) and return how many were appended."""
        if not self._alive:
            return 0
        before = self._received
        for _ in range(_MOST_READS):
            try:
                text = os.read(self._descriptor, _READ_SIZE)
            except BlockingIOError:
                break
            except OSError:
                self._alive = False
                break
            if not text:
                self._alive = not self._hung_up()
                break
            pieces = (self._partial + text).split(self._END)
            self._partial = pieces.pop()
            for piece in pieces:
                try:
                    self._take(piece, into, now_ns)
                except ValueError:
                    self._receive_lost += 1
            if len(self._partial) > _LONGEST_TEXT:
                self._partial = b""
                self._receive_lost += 1
            if len(text) < _READ_AGAIN_FROM:
                break
        return self._received - before

    def send(self, frames: FrameBuffer) -> int:
        """Send ``frames.count`` frames in order; return how many the link took.

        What does not fit into the descriptor's buffer is dropped and counted; a frame written in part is
        finished first by the next call, so that the peer never sees half a frame.
        """
        count = int(frames.count[0])
        if count == 0:
            return 0
        if not self._alive or (self._unwritten and not self._finish()):
            self._send_lost += count
            return 0
        texts = []
        for can_id, payload in self._outgoing(frames):
            if len(payload) <= 8:
                texts.append(self._text(can_id, payload))
            else:
                self._send_lost += 1
        taken = self._write(texts)
        self._sent += taken
        self._send_lost += len(texts) - taken
        return taken

    def close(self) -> None:
        """Release the device. Safe to call twice."""
        close, self._close = self._close, None
        self._alive = False
        if close is not None:
            with contextlib.suppress(Exception):  # the device may be gone already
                close()

    def _finish(self) -> bool:
        """Write the rest of a half-written frame; True if nothing is left of it."""
        try:
            written = os.write(self._descriptor, self._unwritten)
        except BlockingIOError:
            return False
        except OSError:
            self._alive = False
            return False
        self._unwritten = self._unwritten[written:]
        return not self._unwritten

    def _write(self, texts: list[bytes]) -> int:
        """Write whole frames; return how many were taken, the one begun included."""
        if not texts:
            return 0
        text = texts[0] if len(texts) == 1 else b"".join(texts)
        try:
            written = os.write(self._descriptor, text)
        except BlockingIOError:
            return 0
        except OSError:
            self._alive = False
            return 0
        if written == len(text):
            return len(texts)
        taken, end = 0, 0
        while end < written:
            end += len(texts[taken])
            taken += 1
        self._unwritten = text[written:end]
        return taken

    def _hung_up(self) -> bool:
        """Whether an empty read means the end."""
        return True

    def _take(self, piece: bytes, into: FrameBuffer, now_ns: int) -> None:
        """Use one received text without its end mark; ValueError if it is not one."""
        raise NotImplementedError

    def _text(self, can_id: int, payload: memoryview) -> bytes:
        """One frame of at most 8 bytes as text."""
        raise NotImplementedError


class LoopbackLink(TextLink):
    """A participant of the virtual bus (socketcand text protocol in raw mode)."""

    _END = b">"

    def _take(self, piece: bytes, into: FrameBuffer, now_ns: int) -> None:
        fields = piece.split()
        if len(fields) < 2 or fields[0] != b"<":
            raise ValueError(piece)
        kind = fields[1]
        if kind == b"frame":
            if len(fields) < 4:
                raise ValueError(piece)
            payload = unhexlify(b"".join(fields[4:]))
            can_id = int(fields[2], 16)
            if len(fields[2]) != 3:
                if not 0 <= can_id <= EXTENDED_MASK:
                    raise ValueError(piece)
                can_id |= EXTENDED
            elif not 0 <= can_id <= STANDARD_MASK:
                raise ValueError(piece)
            if len(payload) > 8:
                raise ValueError(piece)
            self._append(into, now_ns, can_id, payload)
        elif kind == b"error":
            self._bus_errors += 1
        elif kind not in (b"rtr", b"ok", b"hi", b"echo"):
            raise ValueError(piece)

    def _text(self, can_id: int, payload: memoryview) -> bytes:
        if can_id & EXTENDED:
            head = b"< send %08X %d " % (can_id & EXTENDED_MASK, len(payload))
        else:
            head = b"< send %03X %d " % (can_id & STANDARD_MASK, len(payload))
        return head + payload.hex(" ").encode() + b" >"


class SerialLineLink(TextLink):
    """A CAN adapter on a serial line that speaks the SLCAN text protocol.

    An error answer of the adapter (BEL) counts as a bus error; the protocol does not say which frame it
    belongs to. Remote frames are ignored.
    """

    _END = b"\r"

    def _hung_up(self) -> bool:
        # pyserial opens the port so that an empty read means "nothing there"; only poll tells the end
        poll = select.poll()
        poll.register(self._descriptor, 0)
        return bool(poll.poll(0))

    def _take(self, piece: bytes, into: FrameBuffer, now_ns: int) -> None:
        errors = piece.count(b"\a")
        if errors:
            self._bus_errors += errors
            piece = piece.rpartition(b"\a")[2]
        kind = piece[:1]
        if kind == b"t":
            digits, can_id, limit = 3, int(piece[1:4], 16), STANDARD_MASK
        elif kind == b"T":
            digits, can_id, limit = 8, int(piece[1:9], 16), EXTENDED_MASK
        elif kind in (b"", b"z", b"Z", b"r", b"R"):  # acknowledgements and remote frames
            return
        else:
            raise ValueError(piece)
        length = int(piece[1 + digits : 2 + digits])
        start = 2 + digits
        # an adapter with time stamps switched on appends four more digits
        if not 0 <= can_id <= limit or length > 8 or len(piece) - start - 2 * length not in (0, 4):
            raise ValueError(piece)
        payload = unhexlify(piece[start : start + 2 * length])
        self._append(into, now_ns, can_id | (EXTENDED if digits == 8 else 0), payload)

    def _text(self, can_id: int, payload: memoryview) -> bytes:
        if can_id & EXTENDED:
            head = b"T%08X%d" % (can_id & EXTENDED_MASK, len(payload))
        else:
            head = b"t%03X%d" % (can_id & STANDARD_MASK, len(payload))
        return head + payload.hex().upper().encode() + b"\r"
