"""CAN over a byte stream: the virtual bus on loopback and serial-line adapters.

python-can opens, configures and closes both. Its own receive and send are not used in the cycle: they
make one message object a call, wait in ``sendall`` or read single bytes, and a malformed text stays in
their buffer and fails every later call. The link here reads and writes the same descriptor without
waiting, in compiled code (``text_descriptor``); ``emulator.wire.can_text`` converts between text and frame
buffers.
"""

from __future__ import annotations

import contextlib
import os
import select
import time
from collections.abc import Callable

import numpy as np

from emulator.core.compiled import bound, entry
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.link_protocols import LinkCounts
from emulator.links.text_descriptor import (
    ASK_PYTHON,
    LONGEST_TEXT,
    descriptor_of,
    receive_text,
    send_text,
    take_text,
)
from emulator.wire.can_text import BUS_ERRORS, LONGEST_FRAME, RECEIVE_LOST, RECEIVED

_READ_SIZE = 16384
_SENT_AT_us = 2
"""Where ``Descriptor.kept`` has it."""


class TextLink:
    """A CAN link over a non-blocking descriptor.

    descriptor     open, non-blocking file descriptor, owned by ``close``
    close          called once by ``close``; releases descriptor and device
    serial         the far end is a serial adapter (SLCAN) instead of the virtual bus
    verbatim       the virtual bus hands on what is written as it stands: frames as the others get them
    unread         text read from the descriptor already

    An error answer of an adapter counts as a bus error; the protocol does not say which frame it belongs
    to. Remote frames are passed over.
    """

    def __init__(
        self,
        descriptor: int,
        close: Callable[[], None],
        *,
        serial: bool,
        verbatim: bool = False,
        unread: bytes = b"",
    ) -> None:
        self._descriptor = descriptor
        self._close: Callable[[], None] | None = close
        self._serial, self._verbatim = serial, verbatim
        self._alive = True
        self._sent = 0
        self._send_lost = 0
        self._send_full = 0
        self._unwritten = b""  # rest of a frame the descriptor took only a part of
        self._text = np.zeros(LONGEST_TEXT + _READ_SIZE, np.uint8)
        self._view = self._text.data
        self._text[: len(unread)] = np.frombuffer(unread, np.uint8)
        self._at = descriptor_of(descriptor, len(unread))
        self._kept = self._at.kept.data
        self._tally = np.zeros(4, np.int64)
        self._tally_view = self._tally.data
        self._make_room(0)
        frames = frame_buffer(1)
        self._receive_into(frames)
        self._take_text = entry(take_text, self._at, True, self._text, 0, 0, frames, self._tally)
        self._send_of(frames)

    def counts(self) -> LinkCounts:
        """Totals since the link was opened."""
        tally = self._tally_view
        # in their order: named arguments cost a cycle with cold caches as much as all else of this
        return LinkCounts(
            self._sent,
            tally[RECEIVED],
            self._send_lost,
            tally[RECEIVE_LOST],
            tally[BUS_ERRORS],
            self._alive,
            self._send_full,
        )

    def receive(self, into: FrameBuffer, now_ns: int) -> int:
        """Append waiting data frames (stamped ``now_ns``), as far as there are rows; return how many."""
        if not self._alive:
            return 0
        if into is not self._into:
            self._receive_into(into)
        tally = self._tally_view
        before: int = tally[RECEIVED]
        if self._receive(now_ns) == ASK_PYTHON:
            self._read(into, now_ns)
        received: int = tally[RECEIVED] - before
        return received

    def send(self, frames: FrameBuffer) -> int:
        """Send ``frames.count`` frames in order; return how many the link took.

        What does not fit into the descriptor's buffer is dropped and counted; a frame written in part is
        finished first by the next call, so that the peer never sees half a frame.
        """
        if frames is not self._from:
            self._send_of(frames)
        count: int = self._count[0]
        if count == 0:
            return 0
        if self._verbatim:
            self._kept[_SENT_AT_us] = time.time_ns() // 1000
        taken, full = 0, count
        if self._alive and (not self._unwritten or self._finish()):
            if count > self._rows:
                self._make_room(count)
                self._send_of(frames)
            written = self._send_all()
            texts = self._kept[1]
            taken = texts if texts and written == self._ends_view[texts - 1] else self._rest(texts, written)
            full = texts - taken
        if self._alive:
            self._send_full += full
        self._sent += taken
        self._send_lost += count - taken
        return taken

    def close(self) -> None:
        """Release the device. Safe to call twice."""
        close, self._close = self._close, None
        self._alive = False
        if close is not None:
            with contextlib.suppress(Exception):  # the device may be gone already
                close()

    def _receive_into(self, frames: FrameBuffer) -> None:
        """Have received frames appended to this buffer."""
        self._into: FrameBuffer = frames
        held = (self._at, self._serial, self._text, frames, self._tally)
        self._receive = bound(receive_text, held, 0)

    def _send_of(self, frames: FrameBuffer) -> None:
        """Have frames of this buffer sent."""
        self._from: FrameBuffer = frames
        self._count = frames.count.data
        self._send_all = bound(send_text, (self._at, self._serial, frames, self._out, self._ends))

    def _make_room(self, rows: int) -> None:
        """Buffers for so many outgoing frames."""
        self._rows = max(rows, 64)
        self._out = np.zeros(self._rows * LONGEST_FRAME, np.uint8)
        self._out_view = self._out.data
        self._ends = np.zeros(self._rows, np.int64)
        self._ends_view = self._ends.data

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

    def _read(self, into: FrameBuffer, now_ns: int) -> None:
        """Read once more what compiled code could not, to know why."""
        try:
            read = os.readv(self._descriptor, [self._view[self._kept[0] :]])
        except BlockingIOError:
            return
        except OSError:
            self._alive = False
            return
        if read:
            self._take_text(self._at, self._serial, self._text, read, now_ns, into, self._tally)
        else:
            self._alive = not self._hung_up()

    def _rest(self, texts: int, written: int) -> int:
        """Of so many encoded frames not all was written: how many were taken, the one begun included."""
        if not texts:
            return 0
        ends = self._ends_view
        if written < 0:  # once more, to know why
            try:
                written = os.write(self._descriptor, self._out_view[: ends[texts - 1]])
            except BlockingIOError:
                return 0
            except OSError:
                self._alive = False
                return 0
            if written == ends[texts - 1]:
                return texts
        taken = int(np.searchsorted(self._ends[:texts], written))
        begun = written > (ends[taken - 1] if taken else 0)
        if begun:
            self._unwritten = bytes(self._out_view[written : ends[taken]])
        return taken + begun

    def _hung_up(self) -> bool:
        """Whether an empty read means the end."""
        if not self._serial:
            return True
        # pyserial opens the port so that an empty read means "nothing there"; only poll tells the end
        poll = select.poll()
        poll.register(self._descriptor, 0)
        return bool(poll.poll(0))
