"""Arrow IPC streams of a record, read without believing what they say about themselves.

A stream cut short is not an error: every complete batch is read, the rest is told. Anything else that is
wrong is a RecordError naming file and byte.

pyarrow takes memory for what a batch says it holds before it looks at what is there: an empty column of
``null`` may have 10^9 rows, and a buffer names the size it unpacks to. So each message's head is read here
first. Only columns of fixed width are taken; the rows of a batch times their width must be what its buffers
unpack to, which is at most what LZ4 or Zstandard can pack into the bytes that are there, and all batches
together at most what a record of ours could.

Source of the layout: Arrow columnar format, "Serialization and Interprocess Communication", with its
Message.fbs and Schema.fbs; FlatBuffers internals, "Tables" and "Vectors". LZ4 frame format: a match grows by
at most 255 bytes with each byte of its length. RFC 8878 (Zstandard), section 3.1.1.2: a block has a head of
3 bytes and unpacks to 128 KiB at most; one that repeats a byte takes 4 bytes in all.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa

from emulator.core.errors import RecordError
from emulator.core.frame_buffer import MAX_DATA
from emulator.wire.can_timing import CLASSICAL_BYTES

MOST_COLUMNS = 1000
"""A record has 89 columns of signals."""
ALWAYS_UNPACKED = 64 << 20
"""[bytes] that a stream may unpack to, however small it is."""
SIGNALS_GROWTH, FRAMES_GROWTH = 180, 300
"""Bytes that a byte of a larger stream may unpack to. All signals standing still give 37, in
long blocks 119; of a bus full of one and the same frame the frames give 100 and the inputs 242."""

_LZ4_FRAME, _ZSTD = 0, 1
_GROWTH = {_LZ4_FRAME: 255, _ZSTD: (128 << 10) // 4}
"""Bytes that a byte may unpack to, by the packing; with _ALWAYS for the rest of a short one."""
_ALWAYS = 64
_TYPES = (pa.int64(), pa.float64(), pa.uint8(), pa.binary(MAX_DATA), pa.binary(CLASSICAL_BYTES))
_SCHEMA, _RECORD_BATCH = 1, 3
_CONTINUATION = b"\xff\xff\xff\xff"
_END = _CONTINUATION + b"\0\0\0\0"

# Batches are small; handing their columns to a thread pool costs far more than it gains. Measured for 120 s
# of signals on two cores: 0.61 s with threads, 0.12 s without.
_READ_OPTIONS = pa.ipc.IpcReadOptions(use_threads=False)


class _Message(NamedTuple):
    """One message of a stream: where it begins, its head's metadata, and where its body lies."""

    at: int
    metadata: bytes
    body: int
    end: int


def read_table(path: Path, content: bytes, growth: int) -> tuple[pa.Table | None, int, bool]:
    """Every complete batch of a stream as it was read from ``path``.

    growth  bytes that a byte of it may unpack to

    Returns the table (None if the stream was cut before its columns were complete), how many bytes it is
    made of, and whether the stream was closed. Columns are int64, float64, uint8 or binary of 64 or 8 bytes,
    none twice, no value missing.
    """
    messages, complete, ended = _messages(path, content)
    if not messages:
        return None, complete, ended
    source = pa.py_buffer(content)
    try:
        schema = _schema(path, messages[0], content)
        _check_batches(path, schema, messages[1:], content, growth)
        with pa.ipc.open_stream(source.slice(0, complete), options=_READ_OPTIONS) as stream:
            # Each batch is checked: a damaged one must raise here, not later where it is used.
            batches = []
            for batch in stream:
                batch.validate(full=True)
                batches.append(batch)
            return pa.Table.from_batches(batches, schema), complete, ended
    except (pa.ArrowException, OSError, ValueError, MemoryError, struct.error) as error:
        raise _damaged(path, f"damaged: {error}") from error


def _damaged(path: Path, what: str) -> RecordError:
    return RecordError(f"{path}: {what}", advice="restore it from a copy")


def _messages(path: Path, content: bytes) -> tuple[list[_Message], int, bool]:
    """The complete messages of a stream, the bytes they take, and whether its end is marked.

    Raises RecordError where a message is not one, rather than cut off.
    """
    view = memoryview(content)
    messages: list[_Message] = []
    at = 0
    while True:
        head = bytes(view[at : at + 8])
        if head == _END:
            return messages, at, True
        if len(head) < 8:
            if not _CONTINUATION.startswith(head[:4]):
                raise RecordError(f"{path}: byte {at}: no Arrow stream message here")
            return messages, at, False
        if head[:4] != _CONTINUATION:
            # What a file system may leave after power loss: the length grown, the content not there.
            if messages and not any(view[at:]):
                return messages, at, False
            raise RecordError(
                f"{path}: byte {at}: no Arrow stream message here",
                advice="the file is damaged, or is no record; restore it from a copy",
            )
        (metadata_length,) = struct.unpack("<i", head[4:])
        body = at + 8 + metadata_length
        if metadata_length < 0:
            raise RecordError(f"{path}: byte {at}: no Arrow stream message here")
        if body > len(content):
            return messages, at, False
        metadata = bytes(view[at + 8 : body])
        try:
            length = _root(metadata).integer(3, "<q")
            if length < 0:
                raise ValueError("negative length")
        except (ValueError, struct.error) as error:
            raise RecordError(f"{path}: byte {at}: a damaged Arrow message ({error})") from error
        if body + length > len(content):
            return messages, at, False
        messages.append(_Message(at, metadata, body, body + length))
        at = body + length


def _schema(path: Path, first: _Message, content: bytes) -> pa.Schema:
    """The columns, which have to be such as have a fixed width. Raises RecordError, pa.ArrowException."""
    if _root(first.metadata).integer(1, "<B") != _SCHEMA:
        raise _damaged(path, f"byte {first.at}: expected the columns first")
    schema = pa.ipc.read_schema(pa.py_buffer(content).slice(first.at, first.end - first.at))
    if not 0 < len(schema) <= MOST_COLUMNS:
        raise _damaged(path, f"expected 1 to {MOST_COLUMNS} columns, found {len(schema)}")
    for field in schema:
        if field.type not in _TYPES:
            raise _damaged(path, f"expected numbers in column {field.name[:60]!r}, found {field.type!s:.60}")
    if len(set(schema.names)) < len(schema):
        raise _damaged(path, "a column stands there twice")
    return schema


def _check_batches(
    path: Path, schema: pa.Schema, batches: list[_Message], content: bytes, growth: int
) -> None:
    """Raises RecordError for batches that are none of this schema or would unpack to more than they can."""
    widths = [field.type.bit_width // 8 for field in schema]
    left = ALWAYS_UNPACKED + growth * len(content)
    for message in batches:
        rows = 0
        try:
            rows = _rows(message, widths, content)
        except (ValueError, struct.error) as error:
            raise _damaged(path, f"byte {message.at}: a damaged batch ({error})") from error
        left -= rows * sum(widths)
        if left < 0:
            raise _damaged(path, f"byte {message.at}: more rows than the file can hold")


def _rows(message: _Message, widths: list[int], content: bytes) -> int:
    """Rows of a batch whose head agrees with the columns and its body. Raises ValueError, struct.error."""
    root = _root(message.metadata)
    if root.integer(1, "<B") != _RECORD_BATCH:
        raise ValueError("no batch of rows")
    batch = root.table(2)
    rows = batch.integer(0, "<q")
    compression = batch.table(3) if batch.has(3) else None
    growth = _GROWTH.get(_LZ4_FRAME if compression is None else compression.integer(0, "<b"))
    if growth is None:
        raise ValueError("packed by other means than LZ4 and Zstandard")
    columns = list(batch.pairs(1))
    if columns != [(rows, 0)] * len(widths):
        raise ValueError("columns of different lengths, or values missing")
    buffers = list(batch.pairs(2))
    if len(buffers) != 2 * len(widths):
        raise ValueError("other buffers than its columns have")
    size = message.end - message.body
    for k, (offset, length) in enumerate(buffers):
        if not (0 <= offset <= size and 0 <= length <= size - offset):
            raise ValueError("a buffer beyond its batch")
        if k % 2 == 0:
            if length:  # marks of what is missing, of which there is nothing
                raise ValueError("values missing")
            continue
        unpacked = length
        if compression is not None and length:
            (unpacked,) = struct.unpack_from("<q", content, message.body + offset)
            if unpacked == -1:  # left as it is
                unpacked = length - 8
            elif not 0 <= unpacked <= growth * length + _ALWAYS:
                raise ValueError("a buffer that would unpack to more than it can hold")
        if not 0 <= rows * widths[k // 2] <= unpacked:
            raise ValueError("fewer values than rows")
        if unpacked > rows * widths[k // 2] + 64:  # more than it is padded with
            raise ValueError("more values than rows")
    return rows


class _Table(NamedTuple):
    """A FlatBuffers table in ``data`` at ``at``. Everything raises ValueError or struct.error on nonsense."""

    data: bytes
    at: int

    def _place(self, field: int) -> int:
        """Where a field lies; 0 if it is left out."""
        (back,) = struct.unpack_from("<i", self.data, self.at)
        vtable = self.at - back
        if vtable < 0:
            raise ValueError("no table")
        (size,) = struct.unpack_from("<H", self.data, vtable)
        slot = 4 + 2 * field
        if size < slot + 2:
            return 0
        (offset,) = struct.unpack_from("<H", self.data, vtable + slot)
        return self.at + int(offset) if offset else 0

    def has(self, field: int) -> bool:
        return self._place(field) != 0

    def integer(self, field: int, form: str) -> int:
        """A number of ``struct`` form; 0 if it is left out."""
        place = self._place(field)
        return int(struct.unpack_from(form, self.data, place)[0]) if place else 0

    def table(self, field: int) -> _Table:
        place = self._place(field)
        if not place:
            raise ValueError("a part is missing")
        return _Table(self.data, place + struct.unpack_from("<I", self.data, place)[0])

    def pairs(self, field: int) -> Iterator[tuple[int, int]]:
        """Elements of a vector of two 64-bit numbers each."""
        place = self._place(field)
        if not place:
            return
        at = place + struct.unpack_from("<I", self.data, place)[0]
        (count,) = struct.unpack_from("<I", self.data, at)
        if at + 4 + 16 * count > len(self.data):
            raise ValueError("a list beyond its message")
        yield from struct.iter_unpack("<qq", self.data[at + 4 : at + 4 + 16 * count])


def _root(metadata: bytes) -> _Table:
    return _Table(metadata, struct.unpack_from("<I", metadata, 0)[0])
