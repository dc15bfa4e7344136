"""Blocks of packed signals read again, without believing what they say about themselves.

By numpy alone: who reads a record needs no compiler. ``packing`` tells how a block is laid out.
"""

from __future__ import annotations

import json
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from emulator.core.signals import TICK_NS
from emulator.record.packed.packing import GROUP, HEADER, MASKED, SIGNALS

BLOCK_GROWTH = GROUP * 8 + 8
"""Bytes that a byte of blocks may unpack to: a head, of 64 numbers."""


class Told(NamedTuple):
    """What a stream of blocks says of its columns: those it stands for, and which of them go straight on."""

    schema: pa.Schema
    straight: NDArray[np.bool_]


def told_by(packed: pa.Schema) -> Told | None:
    """What a stream holds as blocks; None of another stream. Raises ValueError where it can't be told."""
    if SIGNALS not in (packed.metadata or {}):
        return None
    fields = [pa.field(name, pa.int64(), nullable=False) for name in ("tick", "time_ns")]
    straight = [True]
    try:
        for name, unit, meaning, on in json.loads(packed.metadata[SIGNALS]):
            about = {"unit": unit, "meaning": meaning}
            fields.append(pa.field(name, pa.float64(), nullable=False, metadata=about))
            straight.append(bool(on))
    except (TypeError, ValueError, RecursionError) as error:
        raise ValueError(f"signals that can't be told: {error}") from error
    schema = pa.schema(fields)
    if len(set(schema.names)) < len(schema) or packed.types != [pa.int64()]:
        raise ValueError("not one column of blocks, or a signal that stands there twice")
    return Told(schema, np.array(straight))


def plain_table(packed: pa.Table, told: Told, most: int) -> pa.Table:
    """The signals of a table of blocks, each a chunk of its one column. Raises ValueError where one is none.

    most  bytes that they may take
    """
    schema, straight = told
    blocks = []
    for chunk in packed.column(0).chunks:
        if len(chunk) == 0:  # a stream's first batch
            continue
        words = np.frombuffer(chunk.buffers()[1], np.uint64, len(chunk), 8 * chunk.offset)
        most -= 8 * len(straight) * min(int(words[0]), most)
        if most < 0:
            raise ValueError("more rows than the file can hold")
        blocks.append(unpack(words, straight))
    rows = np.concatenate(blocks, axis=1) if blocks else np.zeros((len(straight), 0), np.uint64)
    tick = rows[0].view(np.int64)
    arrays = [tick, tick * TICK_NS, *rows[1:].view(np.float64)]
    columns = [
        pa.Array.from_buffers(field.type, len(tick), [None, pa.py_buffer(array)])
        for field, array in zip(schema, arrays, strict=True)
    ]
    return pa.Table.from_arrays(columns, schema=schema)


def unpack(words: NDArray[np.uint64], straight: NDArray[np.bool_]) -> NDArray[np.uint64]:
    """Bit patterns (K, n) of a block. Raises ValueError where it is none.

    straight  (K,)  whether a column goes straight on; else it stays
    """
    if len(words) < HEADER:
        raise ValueError("a block without its beginning")
    n, n_masks, n_words = (int(number) for number in words[:HEADER])
    columns, groups = len(straight), -(-n // GROUP)
    ends = [HEADER]
    for length in (columns, -(-groups * columns // 8), n_masks, n_words):
        ends.append(ends[-1] + length)
    if n < 1 or ends[-1] != len(words):
        raise ValueError("a block of another length than it says")
    first, packed_heads, masks, numbers = (words[a:b] for a, b in pairwise(ends))
    heads = packed_heads.view(np.uint8)[: groups * columns]
    width, masked = (heads & (MASKED - 1)).astype(np.int64), heads >= MASKED
    if width.max() > GROUP or (masked & (width == 0)).any() or masked.sum() != n_masks:
        raise ValueError("heads that say what there is not")

    differ = np.where(width > 0, ~np.uint64(0), np.uint64(0))
    differ[masked] = masks
    counts = np.bitwise_count(differ).astype(np.int64)
    lengths = -(-counts * width // GROUP)
    if lengths.sum() != n_words:
        raise ValueError("differences of another length than it says")
    off = np.zeros((len(width), GROUP), np.uint64)
    there = np.unpackbits(differ.view(np.uint8), bitorder="little").astype(bool).reshape(off.shape)
    if there[-columns:, n - GROUP * (groups - 1) :].any():
        raise ValueError("more rows than it says")
    off[there] = _differences(numbers, lengths, counts, width)
    off = off.reshape(groups, columns, GROUP).transpose(1, 0, 2).reshape(columns, -1)
    off[straight] = np.cumsum(off[straight], axis=1)
    off[:, 0] += first
    return np.cumsum(off, axis=1)[:, :n]


def _differences(
    words: NDArray[np.uint64], lengths: NDArray[np.int64], counts: NDArray[np.int64], width: NDArray[np.int64]
) -> NDArray[np.uint64]:
    """All differences in their order.

    lengths, counts, width  of each head: words, differences in them, bits of one
    """
    one, wide = np.uint64(1), np.repeat(width, counts)
    nth = np.arange(len(wide)) - np.repeat(np.cumsum(counts) - counts, counts)
    bit = np.repeat(GROUP * (np.cumsum(lengths) - lengths), counts) + nth * wide
    word, shift = bit // GROUP, (bit % GROUP).astype(np.uint64)
    words = np.append(words, np.uint64(0))
    folded = (words[word] >> shift) | ((words[word + 1] << one) << (np.uint64(GROUP - 1) - shift))
    folded &= ~np.uint64(0) >> (GROUP - wide).astype(np.uint64)
    unfolded: NDArray[np.uint64] = (folded >> one) ^ (np.uint64(0) - (folded & one))
    return unfolded
