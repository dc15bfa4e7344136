"""Reading and writing text of CAN frames at a descriptor, compiled: one call a tick each way.

From Python a read that finds nothing raises, which costs more than all else of it in a cycle whose caches
others have used meanwhile. Here the kernel is asked first whether there is anything (``poll``), and the bytes
go from its buffer to frames without a Python object. What goes wrong is left to Python to tell: it does the
same once more and has the error.

Functions of the C library come as addresses, for these differ from process to process and compiled code is
kept.
"""

from __future__ import annotations

import ctypes
import select
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba.core import types
from numba.extending import intrinsic
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.frame_buffer import FrameBuffer
from emulator.wire.can_text import RECEIVE_LOST, WAITING, decode, encode

READ_AGAIN_FROM = 2048
"""A read that brought less than this emptied the descriptor (a tty gives at most 4 KiB a read)."""
MOST_BYTES = 16384
"""Read in one call, or a little more: some 350 frames. Bounds the time a flood can take from the tick; more
than a bus of 1 Mbit/s carries in ten ticks, the rest waits in the descriptor."""
LONGEST_TEXT = 256
"""Bytes without an end mark after which the text cannot be a frame any more."""

EMPTY, ASK_PYTHON = 0, 1
"""What ``receive_text`` left: nothing to read now; a read that failed or brought nothing, to do again."""


class Descriptor(NamedTuple):
    """A descriptor, and what is done with it.

    calls   (3,)  addresses of poll, read and write of the C library
    asked   (1,)  for poll: descriptor, what is asked, what is answered (struct pollfd)
    kept    (3,)  bytes of text received whose end mark is still to come; texts last encoded; when they are
                  said to be sent, see ``can_text.encode``
    """

    calls: NDArray[np.int64]
    asked: NDArray[np.int32]
    kept: NDArray[np.int64]


def descriptor_of(number: int, kept: int) -> Descriptor:
    """For a non-blocking descriptor of which ``kept`` bytes have been read already."""
    library = ctypes.CDLL(None)
    calls = [ctypes.cast(getattr(library, name), ctypes.c_void_p).value for name in ("poll", "read", "write")]
    asked = np.array([number, select.POLLIN], np.int32)  # the answer is the upper half of the second
    return Descriptor(np.array(calls, np.int64), asked, np.array([kept, 0, 0], np.int64))


def _emit_call(_context: Any, address: Any, first: Any, second: Any, third: Any) -> Any:
    """Call what stands at an address with three whole numbers or pointers; its result, 64 bits of it."""

    def emit(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        whole = context.get_value_type(types.int64)
        kind = ir.FunctionType(whole, [whole, whole, whole])
        function = builder.inttoptr(arguments[0], kind.as_pointer())
        return builder.call(function, arguments[1:])

    return types.int64(*[types.int64] * 4), emit


_call: Callable[..., int] = intrinsic(_emit_call)


@jit
def _readable(d: Descriptor) -> bool:
    """Whether a read would not find nothing; also where it would fail."""
    answer = _call(d.calls[0], d.asked.ctypes.data, 1, 0)
    return bool(np.int32(answer) != 0)


@jit
def receive_text(
    d: Descriptor,
    serial: bool,
    text: NDArray[np.uint8],
    into: FrameBuffer,
    tally: NDArray[np.int64],
    now_ns: int,
) -> int:
    """Append waiting data frames, as far as there are rows; EMPTY or ASK_PYTHON. See ``can_text.decode``."""
    if tally[WAITING] != 0:
        d.kept[0] = decode(serial, text, d.kept[0], now_ns, into, tally)
    total = 0
    while total < MOST_BYTES and tally[WAITING] == 0:
        if not _readable(d):
            break
        place = np.int64(text.ctypes.data) + d.kept[0]
        got = _call(d.calls[1], d.asked[0], place, text.shape[0] - d.kept[0])
        if got <= 0:
            return ASK_PYTHON
        total += got
        take_text(d, serial, text, got, now_ns, into, tally)
        if got < READ_AGAIN_FROM:
            break
    return EMPTY


@jit
def take_text(
    d: Descriptor,
    serial: bool,
    text: NDArray[np.uint8],
    got: int,
    now_ns: int,
    into: FrameBuffer,
    tally: NDArray[np.int64],
) -> None:
    """So many bytes have come behind those kept."""
    d.kept[0] = decode(serial, text, d.kept[0] + got, now_ns, into, tally)
    if d.kept[0] > LONGEST_TEXT and tally[WAITING] == 0:
        d.kept[0] = 0
        tally[RECEIVE_LOST] += 1


@jit
def send_text(
    d: Descriptor, serial: bool, frames: FrameBuffer, text: NDArray[np.uint8], ends: NDArray[np.int64]
) -> int:
    """Write all frames as text; how many bytes were taken, less than none if the write failed.

    ``kept[1]``: how many texts those are. See ``can_text.encode``.
    """
    texts = encode(serial, frames, text, ends, d.kept[2])
    d.kept[1] = texts
    if texts == 0:
        return 0
    return _call(d.calls[2], d.asked[0], text.ctypes.data, ends[texts - 1])
