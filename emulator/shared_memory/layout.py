"""Where everything stands in the block: its parts, their sizes and offsets."""

from __future__ import annotations

import math
import mmap
from typing import NamedTuple

from emulator.core.log_bins import BINS

MAGIC = 0x52_49_47_53_4E_41_50_31
"""First eight bytes of the block."""
VERSION = 3
"""Raised with every change of the layout or of the meaning of a field."""
TEXT_BYTES = 160
"""Room for an event's text in UTF-8; longer text is cut at a character."""
BURST_BYTES = 512
"""Room for GNSS bytes in one record; a longer burst takes several records."""
LATENESS_BINS = BINS
"""Bins of the lateness histogram in the block; their edges stand beside them."""
BUS_WORDS = 16

ROLES = 5
"""Processes of a ride that tell of their own stalls, see ``stalls.Role``."""
STALL_ROWS = 16384
"""Stalls kept of each: a minute of one every 5 ms is 12,000."""
STALL_WORDS = 8

LINE = 64  # bytes; parts with different writers never share a cache line
MAILBOX_ROWS = 64
APPLIED_ROWS = 1024
HEADER_WORDS = 16


STATUS_WORDS = 48


class Sizes(NamedTuple):
    """How many records each ring keeps, and how many payload bytes a frame record holds (8 or 64).

    Rows and frames of 16 s: a recorder that was killed is replaced, which takes up to 7 s on a busy host.
    """

    signal_rows: int = 16384
    frame_rows: int = 65536
    event_rows: int = 1024
    gnss_rows: int = 256
    data_bytes: int = 8


class Part(NamedTuple):
    """One array of the block; ``dtype`` as numpy writes it: i8, f8 or u1 with its size in bytes."""

    name: str
    dtype: str
    shape: tuple[int, ...]

    @property
    def nbytes(self) -> int:
        """What it takes, without what is left empty behind it."""
        return math.prod(self.shape) * int(self.dtype[1:])


def block_parts(sizes: Sizes, columns: int) -> list[Part]:
    """Every array of the block, in order of address."""
    return [
        Part("header", "i8", (HEADER_WORDS,)),
        Part("status", "i8", (STATUS_WORDS,)),
        Part("lateness_edges_us", "f8", (LATENESS_BINS + 1,)),
        Part("lateness_counts", "i8", (LATENESS_BINS,)),
        Part("mailbox.counter", "i8", (2,)),
        Part("mailbox.code", "i8", (MAILBOX_ROWS,)),
        Part("mailbox.argument", "f8", (MAILBOX_ROWS,)),
        Part("signal.counter", "i8", (2,)),
        Part("signal.tick", "i8", (sizes.signal_rows,)),
        Part("signal.row", "f8", (sizes.signal_rows, columns)),
        Part("frame.counter", "i8", (2,)),
        Part("frame.fields", "i8", (sizes.frame_rows, 7)),
        Part("frame.data", "u1", (sizes.frame_rows, sizes.data_bytes)),
        Part("event.counter", "i8", (2,)),
        Part("event.fields", "i8", (sizes.event_rows, 4)),
        Part("event.value", "f8", (sizes.event_rows,)),
        Part("event.text", "u1", (sizes.event_rows, TEXT_BYTES)),
        Part("gnss.counter", "i8", (2,)),
        Part("gnss.fields", "i8", (sizes.gnss_rows, 2)),
        Part("gnss.data", "u1", (sizes.gnss_rows, BURST_BYTES)),
        Part("applied.counter", "i8", (2,)),
        Part("applied.fields", "i8", (APPLIED_ROWS, 2)),
        Part("applied.argument", "f8", (APPLIED_ROWS,)),
        Part("bus.words", "i8", (BUS_WORDS,)),
        Part("bus.delays", "i8", (BINS,)),
        *(
            part
            for role in range(ROLES)
            for part in (
                Part(f"stall.{role}.words", "i8", (STALL_WORDS,)),
                Part(f"stall.{role}.rows", "i8", (STALL_ROWS, 3)),
            )
        ),
    ]


def part_offsets(parts: list[Part]) -> tuple[list[int], int]:
    """Byte offset of each part, and the size of the block."""
    offsets, end = [], 0
    for part in parts:
        offsets.append(end)
        end += -(-part.nbytes // LINE) * LINE
    return offsets, end


def integer_parts(memory: mmap.mmap) -> dict[str, memoryview]:
    """Every array of int64 of the block by name, flat, for a process that loads no numpy.

    The sizes are those in the block's own header, which must be one of this layout.
    """
    header = memoryview(memory)[: 8 * HEADER_WORDS].cast("q")
    parts = block_parts(Sizes(*header[4:9]), header[3])
    offsets, _ = part_offsets(parts)
    return {
        part.name: memoryview(memory)[offset : offset + part.nbytes].cast("q")
        for part, offset in zip(parts, offsets, strict=True)
        if part.dtype == "i8"
    }
