"""Where everything stands in the block: its parts, their sizes and offsets."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

MAGIC = 0x52_49_47_53_4E_41_50_31
"""First eight bytes of the block."""
VERSION = 2
"""Raised with every change of the layout or of the meaning of a field."""
TEXT_BYTES = 160
"""Room for an event's text in UTF-8; longer text is cut at a character."""
BURST_BYTES = 512
"""Room for GNSS bytes in one record; a longer burst takes several records."""
LATENESS_BINS = 322
"""Bins of the lateness histogram in the block; their edges stand beside them."""

LINE = 64  # bytes; parts with different writers never share a cache line
MAILBOX_ROWS = 64
APPLIED_ROWS = 1024
HEADER_WORDS = 16


STATUS_WORDS = 48


class Sizes(NamedTuple):
    """How many records each ring keeps, and how many payload bytes a frame record holds (8 or 64)."""

    signal_rows: int = 8192
    frame_rows: int = 32768
    event_rows: int = 1024
    gnss_rows: int = 256
    data_bytes: int = 8


class Part(NamedTuple):
    """One array of the block."""

    name: str
    dtype: type
    shape: tuple[int, ...]


def block_parts(sizes: Sizes, columns: int) -> list[Part]:
    """Every array of the block, in order of address."""
    return [
        Part("header", np.int64, (HEADER_WORDS,)),
        Part("status", np.int64, (STATUS_WORDS,)),
        Part("lateness_edges_us", np.float64, (LATENESS_BINS + 1,)),
        Part("lateness_counts", np.int64, (LATENESS_BINS,)),
        Part("mailbox.counter", np.int64, (2,)),
        Part("mailbox.code", np.int64, (MAILBOX_ROWS,)),
        Part("mailbox.argument", np.float64, (MAILBOX_ROWS,)),
        Part("signal.counter", np.int64, (2,)),
        Part("signal.tick", np.int64, (sizes.signal_rows,)),
        Part("signal.row", np.float64, (sizes.signal_rows, columns)),
        Part("frame.counter", np.int64, (2,)),
        Part("frame.fields", np.int64, (sizes.frame_rows, 7)),
        Part("frame.data", np.uint8, (sizes.frame_rows, sizes.data_bytes)),
        Part("event.counter", np.int64, (2,)),
        Part("event.fields", np.int64, (sizes.event_rows, 4)),
        Part("event.value", np.float64, (sizes.event_rows,)),
        Part("event.text", np.uint8, (sizes.event_rows, TEXT_BYTES)),
        Part("gnss.counter", np.int64, (2,)),
        Part("gnss.fields", np.int64, (sizes.gnss_rows, 2)),
        Part("gnss.data", np.uint8, (sizes.gnss_rows, BURST_BYTES)),
        Part("applied.counter", np.int64, (2,)),
        Part("applied.fields", np.int64, (APPLIED_ROWS, 2)),
        Part("applied.argument", np.float64, (APPLIED_ROWS,)),
    ]


def part_offsets(parts: list[Part]) -> tuple[list[int], int]:
    """Byte offset of each part, and the size of the block."""
    offsets, end = [], 0
    for part in parts:
        offsets.append(end)
        size = int(np.prod(part.shape)) * np.dtype(part.dtype).itemsize
        end += -(-size // LINE) * LINE
    return offsets, end
