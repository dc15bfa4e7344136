"""Writes the record of a run: one folder, readable up to the last second after ``kill -9``.

    manifest.json   what was run: written whole before the first sample (JSON)
    signals.arrow   Arrow IPC stream: tick, time_ns, then every column of ``emulator.core.signals.SIGNALS``
    frames.arrow    Arrow IPC stream: every bus frame, received and sent
    inputs.arrow    Arrow IPC stream: all that reached the plant since the loop began, by the loop's own count
    events.jsonl    one JSON object a line
    gnss.nmea       the GNSS bytes as sent; only if there were any
    notes.arrow     Arrow IPC stream: what a robot's own software noted, if it did; a row a number
    files/          copies of the files it was made from; never of a secret

The *stream* form of Arrow IPC is used because each record batch stands alone: a file without its end
is still a record of everything before it. (The file form keeps its index at the end.)

Batches are cut at fixed tick numbers (every ``BLOCK_TICKS``, on the stepped clock every
``LONG_BLOCK_TICKS``), never at the caller's whim, so the bytes of ``signals.arrow`` depend on the samples
alone and not on how they were chopped into calls. A block goes to the kernel in one write as soon as its last
tick is in.

Bodies are compressed with Zstandard, its fastest ordinary level (decision 187). Older records are packed with
LZ4 and read as ever.

On the stepped clock a tick takes ten microseconds, and to pack it so took two of them. There signals are kept
in a form of their own within such a stream (``emulator.record.packed``), which is smaller and takes a third
of the time; part of what that saves on the disk is spent on LZ4 for frames and inputs.
"""

from __future__ import annotations

import dataclasses
import json
import math
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from itertools import pairwise
from pathlib import Path, PurePath
from types import TracebackType
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import ArrayLike, NDArray

from emulator.core.errors import InternalError, RunFailed, StartFailed
from emulator.core.frame_buffer import MAX_DATA
from emulator.core.signals import SIGNALS, TICK_NS
from emulator.record.frame_columns import frame_columns, payloads
from emulator.record.packed.packing import PackedBlock

MANIFEST_FILE = "manifest.json"
SIGNALS_FILE = "signals.arrow"
FRAMES_FILE = "frames.arrow"
INPUTS_FILE = "inputs.arrow"
EVENTS_FILE = "events.jsonl"
GNSS_FILE = "gnss.nmea"
NOTES_FILE = "notes.arrow"
CERTIFICATE_FILE = "certificate.json"
OUTCOME_FILE = "outcome.json"
VERDICT_FILE = "verdict.json"
COPIES_FOLDER = "files"

_ZSTANDARD, _LZ4 = pa.Codec("zstd", compression_level=1), pa.Codec("lz4")

BLOCK_TICKS = 500
"""Ticks a record batch spans; block k holds ticks from k * BLOCK_TICKS on, also below zero."""
LONG_BLOCK_TICKS = 4000
"""The same where ticks are computed faster than they pass. To pack a column costs the same beginning however
short it is, and that was more than the packing (decision 220)."""

_ROWS_AT_ONCE = 500
"""Rows laid out as columns in one go: as many as the processor's nearer memory holds both ways."""

INPUT_FRAME, INPUT_COMMAND, INPUT_MARK = range(3)
"""Kinds of rows of inputs: a frame received, a command given, a mark that all before it is there."""
_MOST_INPUTS = 2000
"""Rows of inputs kept between two writes."""

SIGNAL_SCHEMA = pa.schema(
    [
        pa.field("tick", pa.int64(), nullable=False),
        pa.field("time_ns", pa.int64(), nullable=False),
        *(
            pa.field(s.name, pa.float64(), nullable=False, metadata={"unit": s.unit, "meaning": s.meaning})
            for s in SIGNALS
        ),
    ]
)
SIGNAL_NAMES: tuple[str, ...] = tuple(signal.name for signal in SIGNALS)
"""Columns of a ride, in their order."""


def frame_schema(payload_bytes: int) -> pa.Schema:
    """Columns of frames whose payloads take so many bytes, 8 or 64. Earlier versions wrote no arrival_ns."""
    return pa.schema(
        [
            pa.field("tick", pa.int64(), nullable=False),
            pa.field("time_ns", pa.int64(), nullable=False),
            pa.field("valid_ns", pa.int64(), nullable=False),
            pa.field("direction", pa.uint8(), nullable=False),
            pa.field("can_id", pa.int64(), nullable=False),
            pa.field("length", pa.uint8(), nullable=False),
            pa.field("data", pa.binary(payload_bytes), nullable=False),
            pa.field("arrival_ns", pa.int64(), nullable=False),
        ]
    )


FRAME_SCHEMA = frame_schema(MAX_DATA)

NOT_SENT = -1
"""``sent`` of an input of which it is not known when it was handed to the bus."""


def input_schema(payload_bytes: int) -> pa.Schema:
    """Columns of inputs; payloads take so many bytes, 8 or 64.

    cycle counts ticks since the loop began; code is a frame's identifier or a command's number. sent is the
    tick in which a frame was handed to the virtual bus; earlier versions did not write it.
    """
    return pa.schema(
        [
            pa.field("cycle", pa.int64(), nullable=False),
            pa.field("kind", pa.uint8(), nullable=False),
            pa.field("code", pa.int64(), nullable=False),
            pa.field("argument", pa.float64(), nullable=False),
            pa.field("length", pa.uint8(), nullable=False),
            pa.field("data", pa.binary(payload_bytes), nullable=False),
            pa.field("sent", pa.int64(), nullable=False),
        ]
    )


INPUT_SCHEMA = input_schema(MAX_DATA)


MAX_NAME = 64
"""Longest name of a note in bytes."""
NOTE_SCHEMA = pa.schema(
    [
        pa.field("tick", pa.int64(), nullable=False),
        pa.field("name", pa.binary(MAX_NAME), nullable=False),
        pa.field("value", pa.float64(), nullable=False),
    ]
)
"""Names are UTF-8, filled up with zeros. Ticks do not fall; a name has one value a tick."""
_MOST_NOTES = 5000
"""Rows of notes kept between two writes."""


def jsonable(value: Any) -> Any:
    """The same value in strict JSON terms: arrays become lists, paths text, a non-finite number null.

    Raises InternalError for anything JSON has no place for.
    """
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, np.ndarray | np.generic):
        return jsonable(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): jsonable(item) for key, item in value.items()}
    if isinstance(value, PurePath):
        return str(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: jsonable(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Sequence | set | frozenset) and not isinstance(value, bytes | bytearray):
        return [jsonable(item) for item in (sorted(value) if isinstance(value, set | frozenset) else value)]
    raise InternalError(f"a {type(value).__name__} can't be written to a JSON file: {value!r}")


def write_json(path: Path, value: Any) -> None:
    """Write a JSON file whole or not at all: a reader sees the old file or the new one, never half.

    value   see ``jsonable``; non-finite numbers are written as null.
    Raises RunFailed if the disk refuses.
    """
    write_whole(path, json.dumps(jsonable(value), indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def write_whole(path: Path, text: str) -> None:
    """Write a text file whole or not at all. Raises RunFailed if the disk refuses."""
    with in_place_of(path) as partial:
        partial.write_text(text, encoding="utf-8")


def write_together(texts: Mapping[Path, str]) -> None:
    """Write text files that belong together, all of them or none. Raises RunFailed if the disk refuses."""
    with ExitStack() as files:
        for path, text in texts.items():
            files.enter_context(in_place_of(path)).write_text(text, encoding="utf-8")


@contextmanager
def in_place_of(path: Path) -> Iterator[Path]:
    """A file to write to beside ``path``, in whose place it comes at the end, or not at all.

    Raises RunFailed if the disk refuses.
    """
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield partial
        os.replace(partial, path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise RunFailed(
            f"{path} can't be written: {error.strerror or error}",
            advice="check that the folder is there, free space and permissions",
        ) from error
    except BaseException:  # Ctrl-C as well: nobody would find what begins with a dot
        partial.unlink(missing_ok=True)
        raise


class _Serialised:
    """Collects what pyarrow writes, so that a whole batch reaches the kernel in one write of ours.

    pyarrow does not look at short writes of a Python file object; on a full disk they would be silent loss.
    """

    closed = False

    def __init__(self) -> None:
        self.parts: list[bytes] = []

    def write(self, data: Any) -> int:
        self.parts.append(bytes(data))
        return len(self.parts[-1])

    def flush(self) -> None:
        pass

    def close(self) -> None:
        pass

    def pop(self) -> bytes:
        out = b"".join(self.parts)
        self.parts.clear()
        return out


class _AppendFile:
    """A file written straight to the kernel; after a refused write it ends where the last good one ended."""

    def __init__(self, path: Path, length: int | None = None) -> None:
        """A new file; with ``length`` one that is there, cut to so many bytes."""
        self.path = path
        new = os.O_CREAT | os.O_EXCL if length is None else 0
        self._descriptor = os.open(path, os.O_WRONLY | os.O_CLOEXEC | new, 0o644)
        self._length = length or 0
        os.ftruncate(self._descriptor, self._length)
        os.lseek(self._descriptor, 0, os.SEEK_END)

    def append(self, data: bytes) -> None:
        """Raises OSError when not everything could be written."""
        view = memoryview(data)
        done = 0
        try:
            while done < len(view):
                done += os.write(self._descriptor, view[done:])
        except OSError:
            os.ftruncate(self._descriptor, self._length)
            raise
        self._length += done

    def removed(self) -> bool:
        """True once no folder names this file: writes would succeed and still be lost."""
        return os.fstat(self._descriptor).st_nlink == 0

    def close(self) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def _column(values: NDArray[Any]) -> pa.Array:
    """A contiguous array as a column, as it lies there.

    ``pa.array`` looks whether it is a pandas one, and to know it imports pandas where that is installed.
    """
    return pa.Array.from_buffers(pa.from_numpy_dtype(values.dtype), len(values), [None, pa.py_buffer(values)])


def _payloads(data: NDArray[np.uint8]) -> pa.Array:
    """Payloads (n, 8 or 64) as a column."""
    return pa.Array.from_buffers(pa.binary(data.shape[1]), len(data), [None, pa.py_buffer(data)])


class _ArrowStream:
    """An Arrow IPC stream on an ``_AppendFile``."""

    def __init__(
        self, path: Path, schema: pa.Schema, length: int | None = None, by: pa.Codec | None = _ZSTANDARD
    ) -> None:
        """A new one; with ``length`` one that is there and whole so far. by: what packs it."""
        self.file = _AppendFile(path, length)
        self._schema = schema
        self._bytes = _Serialised()
        options = pa.ipc.IpcWriteOptions(compression=by, use_threads=False)
        self._writer = pa.ipc.new_stream(pa.PythonFile(self._bytes, "w"), schema, options=options)
        # A stream writer holds the schema back until it has a batch; an empty one brings it to the disk
        # now, so a run killed in its first instant still has a readable file.
        nothing = [pa.Array.from_buffers(field.type, 0, [None, pa.py_buffer(b"")]) for field in schema]
        self._writer.write_batch(pa.RecordBatch.from_arrays(nothing, schema=schema))
        head = self._bytes.pop()
        if not length:
            self.file.append(head)

    def write(self, columns: Sequence[pa.Array]) -> None:
        self._writer.write_batch(pa.RecordBatch.from_arrays(columns, schema=self._schema))
        self.file.append(self._bytes.pop())

    def end(self) -> None:
        """Write the end marker. Without it the reader calls the record cut short."""
        self._writer.close()
        self.file.append(self._bytes.pop())


class _PlainBlock:
    """Rows of a block laid out as the columns of a stream.

    schema  tick, time_ns and the signals; rows: most of a block
    """

    def __init__(self, schema: pa.Schema, rows: int) -> None:
        self.schema = schema
        self._columns = np.empty((len(schema) - 2, rows))
        self._ticks = np.empty(rows, np.int64)

    def put(self, at: int, ticks: NDArray[np.int64], rows: NDArray[np.float64]) -> None:
        """Rows (n, K) and their ticks from row ``at`` of the block on."""
        self._ticks[at : at + len(ticks)] = ticks
        for first in range(0, len(ticks), _ROWS_AT_ONCE):
            some = rows[first : first + _ROWS_AT_ONCE]
            self._columns[:, at + first : at + first + len(some)] = some.T

    def columns(self, n: int) -> list[NDArray[Any]]:
        """The columns of the first ``n`` rows."""
        ticks = self._ticks[:n]
        return [ticks, ticks * TICK_NS, *(column[:n] for column in self._columns)]


class RunWriter:
    """Writes one run folder. Plain and synchronous; one thread.

    folder     created with its parents; may exist if empty
    manifest   anything ``jsonable`` takes; on the disk before the constructor returns
    copies     contents of the files the run was made from, by their place below the folder
    ends       of a record whose writer was killed: where each file ends whole [bytes], see ``record.kept``.
               It is gone on with; its manifest and copies stay
    names      signals that are recorded, where not all of them are known: of a log of the track
    block_ticks  that a batch spans
    payload_bytes  that a frame's payload takes: 8 where the bus carries no longer ones, else 64
    packed  signals are kept in the form of ``emulator.record.packed``, the rest by LZ4: for what comes fast

    Call ``flush`` two to four times a second. After ``kill -9`` at most the last ``block_ticks`` ticks plus
    the time between two calls are missing. Power loss is another matter: nothing here waits for the disk.

    Errors: StartFailed from the constructor (nothing is left behind). RunFailed from any later call when the
    disk is full or the folder is gone; from then on the writer takes nothing more, every further append
    raises the same error, and ``close`` is silent. InternalError for arrays of the wrong shape or ticks that
    do not rise.
    """

    def __init__(
        self,
        folder: Path | str,
        manifest: Mapping[str, Any],
        copies: Mapping[str, bytes] | None = None,
        ends: Mapping[str, int] | None = None,
        names: Sequence[str] = SIGNAL_NAMES,
        block_ticks: int = BLOCK_TICKS,
        payload_bytes: int = MAX_DATA,
        packed: bool = False,
    ) -> None:
        self.folder = Path(folder)
        self._block_ticks, self._payload_bytes = block_ticks, payload_bytes
        schema = pa.schema([SIGNAL_SCHEMA.field(name) for name in ("tick", "time_ns", *names)])
        self._width = len(names)
        self._block = (PackedBlock if packed else _PlainBlock)(schema, block_ticks)
        self._failed: RunFailed | None = None
        self._closed = False
        self._notes: _ArrowStream | None = None
        self._note_rows: tuple[list[int], list[str], list[float]] = ([], [], [])
        self._files: list[_AppendFile] = []
        self._gnss: _AppendFile | None = None
        self._begin_blocks()
        if ends is not None:
            self._go_on(ends)
            return
        document = jsonable(manifest)
        created = not self.folder.exists()
        self._create_folder()
        try:
            self._signals = _ArrowStream(
                self.folder / SIGNALS_FILE, self._block.schema, by=None if packed else _ZSTANDARD
            )
            self._files.append(self._signals.file)
            by = _LZ4 if packed else _ZSTANDARD
            self._frames = _ArrowStream(self.folder / FRAMES_FILE, frame_schema(payload_bytes), by=by)
            self._files.append(self._frames.file)
            self._inputs = _ArrowStream(self.folder / INPUTS_FILE, input_schema(payload_bytes), by=by)
            self._files.append(self._inputs.file)
            self._events = _AppendFile(self.folder / EVENTS_FILE)
            self._files.append(self._events)
            for place, content in (copies or {}).items():
                path = self.folder / place
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(content)
            write_json(self.folder / MANIFEST_FILE, document)
        except (OSError, RunFailed) as error:
            for file in self._files:
                file.path.unlink(missing_ok=True)
            self._close_files()
            shutil.rmtree(self.folder / COPIES_FOLDER, ignore_errors=True)
            if created:
                self.folder.rmdir()
            raise StartFailed(
                f"the record can't be started in {self.folder}: {error}",
                advice="check free space and permissions of the run folder",
            ) from error

    def _begin_blocks(self) -> None:
        self._filled = self._block_number = 0
        self._last_tick: int | None = None
        self._frame_chunks: list[tuple[NDArray[Any], ...]] = []
        self._frame_block = 0
        self._input_chunks: list[tuple[NDArray[Any], ...]] = []
        self._input_rows = 0

    def _go_on(self, ends: Mapping[str, int]) -> None:
        try:
            self._signals = _ArrowStream(self.folder / SIGNALS_FILE, self._block.schema, ends[SIGNALS_FILE])
            self._files.append(self._signals.file)
            frames, inputs = frame_schema(self._payload_bytes), input_schema(self._payload_bytes)
            self._frames = _ArrowStream(self.folder / FRAMES_FILE, frames, ends[FRAMES_FILE])
            self._files.append(self._frames.file)
            self._inputs = _ArrowStream(self.folder / INPUTS_FILE, inputs, ends[INPUTS_FILE])
            self._files.append(self._inputs.file)
            self._events = _AppendFile(self.folder / EVENTS_FILE, ends[EVENTS_FILE])
            self._files.append(self._events)
            if ends.get(GNSS_FILE):
                self._gnss = _AppendFile(self.folder / GNSS_FILE, ends[GNSS_FILE])
                self._files.append(self._gnss)
        except OSError as error:
            self._close_files()
            raise StartFailed(
                f"the record in {self.folder} can't be gone on with: {error}",
                advice="what was written by then stays readable",
            ) from error

    def _create_folder(self) -> None:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            occupied = any(self.folder.iterdir())
        except OSError as error:
            raise StartFailed(
                f"run folder {self.folder} can't be created: {error.strerror or error}",
                advice="name another folder, or check permissions and free space",
            ) from error
        if occupied:
            raise StartFailed(
                f"run folder {self.folder} already holds files; a record is never written over another",
                advice="name a new folder, or move the old one away",
            )

    # -- appending ---------------------------------------------------------------------------------------

    def append_signals(self, ticks: ArrayLike, rows: ArrayLike) -> None:
        """Append samples.

        ticks   (n,)               int64 scenario ticks, strictly rising over all calls; gaps are kept as gaps
        rows    (n, len(names))    float64, units as in ``emulator.core.signals``
        """
        self._check_open()
        tick = np.asarray(ticks, dtype=np.int64)
        row = np.asarray(rows, dtype=np.float64)
        if tick.ndim != 1 or row.shape != (len(tick), self._width):
            raise InternalError(
                f"signals of shape {row.shape} for ticks {tick.shape}; expected (n, {self._width}) and (n,)"
            )
        if len(tick) == 0:
            return
        before = self._last_tick
        if (before is not None and tick[0] <= before) or np.any(np.diff(tick) <= 0):
            raise InternalError(f"ticks must rise: got {tick[:4].tolist()}... after {before}")
        # Cut where the block number changes.
        blocks = tick // self._block_ticks
        cuts = [0, *(np.flatnonzero(np.diff(blocks)) + 1).tolist(), len(tick)]
        for first, end in pairwise(cuts):
            if self._filled and self._block_number != blocks[first]:
                self._write_signals()
            self._block.put(self._filled, tick[first:end], row[first:end])
            self._filled, self._block_number = self._filled + end - first, int(blocks[first])
            if (tick[end - 1] + 1) % self._block_ticks == 0:
                self._write_signals()
        self._last_tick = int(tick[-1])

    def append_frames(
        self,
        tick: ArrayLike,
        time_ns: ArrayLike,
        valid_ns: ArrayLike,
        direction: ArrayLike,
        can_id: ArrayLike,
        length: ArrayLike,
        data: ArrayLike,
        arrival_ns: ArrayLike | None = None,
    ) -> None:
        """Append bus frames, in the order given.

        tick       (n,)    int64  scenario tick in which the frame was received or sent
        time_ns    (n,)    int64  when it was due, handed over or received [ns, scenario time]
        valid_ns   (n,)    int64  time of validity [ns, scenario time]; UNTIMED is recorded as 0, unknown
        direction  (n,)    0 received (``RX``), 1 sent (``TX``)
        can_id     (n,)    int64  bit 31 set for 29-bit identifiers
        length     (n,)    payload bytes, 0..64
        data       (n, m)  uint8, m <= 64; bytes past ``length`` are recorded as zero
        arrival_ns (n,)    int64  when its receiver had it [ns, scenario time] or NO_ARRIVAL; None: not known
        """
        self._check_open()
        everything = frame_columns(tick, time_ns, valid_ns, direction, can_id, length, data, arrival_ns)
        if everything.data.shape[1] != self._payload_bytes:
            kept = payloads(everything.data, everything.length, self._payload_bytes)
            everything = everything._replace(data=kept)
        ticks, n = everything.tick, len(everything.tick)
        # A block is over when a frame of a later block arrives; a straggler stays in the current one.
        newest = np.maximum.accumulate(np.maximum(ticks // self._block_ticks, self._frame_block_or(ticks)))
        cuts = [0, *(np.flatnonzero(np.diff(newest)) + 1).tolist(), n] if n else []
        for first, end in pairwise(cuts):
            if self._frame_chunks and newest[first] != self._frame_block:
                self._write_frames()
            self._frame_block = int(newest[first])
            self._frame_chunks.append(tuple(c[first:end] for c in everything))

    def _frame_block_or(self, ticks: NDArray[np.int64]) -> int:
        if self._frame_chunks or len(ticks) == 0:
            return self._frame_block
        return int(ticks[0]) // self._block_ticks

    def append_frame_inputs(
        self,
        cycle: ArrayLike,
        can_id: ArrayLike,
        length: ArrayLike,
        data: NDArray[np.uint8],
        sent: ArrayLike | None = None,
    ) -> None:
        """Append frames as the plant got them, in the order given; n of them.

        cycle   (n,)    int64  ticks the loop had computed before the one the frame was received in
        can_id  (n,)    int64  bit 31 set for 29-bit identifiers
        length  (n,)    payload bytes as received
        data    (n, m)  uint8, m <= 64: as many of them as were kept
        sent    (n,)    int64  the same of the tick it was handed to the virtual bus in; None: not known
        """
        cycles = np.array(cycle, np.int64, ndmin=1)
        n = len(cycles)
        kept = payloads(data, np.array(length, np.int64, ndmin=1), self._payload_bytes)
        sent = np.full(n, NOT_SENT) if sent is None else sent
        self._append_inputs(cycles, INPUT_FRAME, can_id, np.zeros(n), length, kept, sent)

    def append_command_input(self, cycle: int, code: int, argument: float) -> None:
        """Append a command (``status.Command``) given to the plant when ``cycle`` ticks were computed."""
        nothing = np.zeros((1, self._payload_bytes), np.uint8)
        self._append_inputs(np.array([cycle]), INPUT_COMMAND, code, argument, 0, nothing, NOT_SENT)

    def append_input_mark(self, cycle: int) -> None:
        """Say that ``cycle`` ticks were computed and all that reached the plant in them was appended."""
        nothing = np.zeros((1, self._payload_bytes), np.uint8)
        self._append_inputs(np.array([cycle]), INPUT_MARK, 0, 0.0, 0, nothing, NOT_SENT)

    def _append_inputs(
        self,
        cycle: NDArray[np.int64],
        kind: int,
        code: ArrayLike,
        argument: ArrayLike,
        length: ArrayLike,
        data: NDArray[np.uint8],
        sent: ArrayLike,
    ) -> None:
        self._check_open()
        n = len(cycle)
        self._input_chunks.append(
            (
                cycle,
                np.full(n, kind, np.uint8),
                np.array(code, np.int64, ndmin=1),
                np.array(argument, np.float64, ndmin=1),
                np.array(length, np.uint8, ndmin=1),
                data,
                np.array(sent, np.int64, ndmin=1),
            )
        )
        self._input_rows += n
        if self._input_rows >= _MOST_INPUTS:
            self._write_inputs()

    def append_event(self, tick: int, kind: str, name: str, text: str) -> None:
        """Append one line to the event log; it is with the kernel when this returns.

        tick    scenario tick
        kind    what sort of event, e.g. ``fault_on``, ``fault_off``, ``state``, ``trip``
        name    which one, e.g. the fault's name
        text    a sentence for people
        """
        self._check_open()
        event = {"tick": int(tick), "time_s": int(tick) / 1000, "kind": kind, "name": name, "text": text}
        self._write(self._events, (json.dumps(event, ensure_ascii=False) + "\n").encode())

    def append_gnss(self, tick: int, burst: bytes) -> None:
        """Append the bytes of GNSS epochs as they were sent, the last one in ``tick``."""
        self._check_open()
        if self._gnss is None:
            try:
                self._gnss = _AppendFile(self.folder / GNSS_FILE)
            except OSError as error:
                raise self._fail(self.folder / GNSS_FILE, error, f" (tick {tick})") from error
            self._files.append(self._gnss)
        self._write(self._gnss, burst)

    def append_notes(self, tick: int, notes: Mapping[str, float]) -> None:
        """Append numbers that the robot's own software noted in a period that began in ``tick``."""
        self._check_open()
        ticks, names, values = self._note_rows
        ticks.extend([tick] * len(notes))
        names.extend(notes)
        values.extend(notes.values())
        if len(self._note_rows[0]) >= _MOST_NOTES:
            self._write_notes()

    # -- to the kernel -----------------------------------------------------------------------------------

    def flush(self) -> None:
        """Bring every finished block to the kernel and check that the folder is still there.

        Signals are written as their block fills; frames of a block that signals left behind a whole block
        ago are written here, so a bus that fell silent keeps nothing in memory. Inputs are all written.
        """
        self._check_open()
        self._write_inputs()
        if (
            self._frame_chunks
            and self._last_tick is not None
            and self._last_tick // self._block_ticks > self._frame_block + 1
        ):
            self._write_frames()
        for file in self._files:
            if file.removed():
                raise self._fail(file.path, OSError(0, "the file or its folder was removed"))

    def flush_now(self) -> None:
        """As ``flush``, and unfinished blocks too.

        This cuts batches where the caller stands: same samples, other bytes. For a trip, or just before a
        risky moment; never on a schedule.
        """
        self._check_open()
        self._write_signals()
        self._write_frames()
        self._write_notes()
        self.flush()

    def close(self) -> None:
        """Write what is left and the end markers, and close. Safe to call twice."""
        if self._closed:
            return
        try:
            if self._failed is None:
                self.flush_now()
                self._guarded(self._signals.file, self._signals.end)
                self._guarded(self._frames.file, self._frames.end)
                self._guarded(self._inputs.file, self._inputs.end)
                if self._notes is not None:
                    self._guarded(self._notes.file, self._notes.end)
        finally:
            self._closed = True
            self._close_files()

    def __enter__(self) -> RunWriter:
        """The writer itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the record, whatever happened inside."""
        self.close()

    def _write_signals(self) -> None:
        n = self._filled
        if n == 0:
            return
        self._filled = 0
        columns = [*map(_column, self._block.columns(n))]
        self._guarded(self._signals.file, lambda: self._signals.write(columns))

    def _write_frames(self) -> None:
        if not self._frame_chunks:
            return
        tick, time_ns, valid_ns, direction, can_id, length, data, arrival_ns = (
            np.concatenate(c) for c in zip(*self._frame_chunks, strict=True)
        )
        self._frame_chunks.clear()
        columns = [
            _column(tick),
            _column(time_ns),
            _column(valid_ns),
            _column(direction.astype(np.uint8)),
            _column(can_id),
            _column(length.astype(np.uint8)),
            _payloads(data),
            _column(arrival_ns),
        ]
        self._guarded(self._frames.file, lambda: self._frames.write(columns))

    def _write_notes(self) -> None:
        if not self._note_rows[0]:
            return
        if self._notes is None:
            path = self.folder / NOTES_FILE
            try:
                self._notes = _ArrowStream(path, NOTE_SCHEMA)
            except OSError as error:
                raise self._fail(path, error) from error
            self._files.append(self._notes.file)
        tick, names, value = self._note_rows
        packed = {name: name.encode()[:MAX_NAME].ljust(MAX_NAME, b"\0") for name in set(names)}
        name = pa.array([packed[name] for name in names], pa.binary(MAX_NAME))
        columns = [_column(np.array(tick, np.int64)), name, _column(np.array(value, np.float64))]
        notes = self._notes
        self._guarded(notes.file, lambda: notes.write(columns))
        self._note_rows = ([], [], [])

    def _write_inputs(self) -> None:
        if not self._input_chunks:
            return
        *plain, data, sent = (np.concatenate(c) for c in zip(*self._input_chunks, strict=True))
        self._input_chunks.clear()
        self._input_rows = 0
        columns = [*map(_column, plain), _payloads(data), _column(sent)]
        self._guarded(self._inputs.file, lambda: self._inputs.write(columns))

    def _write(self, file: _AppendFile, data: bytes) -> None:
        self._guarded(file, lambda: file.append(data))

    def _guarded(self, file: _AppendFile, action: Callable[[], None]) -> None:
        try:
            action()
        except OSError as error:
            raise self._fail(file.path, error) from error

    def _fail(self, path: Path, error: OSError, where: str = "") -> RunFailed:
        last = "before the first sample" if self._last_tick is None else f"near tick {self._last_tick}"
        self._failed = RunFailed(
            f"the record stopped {last}: {path}{where}: {error.strerror or error}",
            advice="free the disk or restore the folder, then ride again; what was written stays readable",
        )
        return self._failed

    def _check_open(self) -> None:
        if self._failed is not None:
            raise self._failed
        if self._closed:
            raise InternalError(f"the record in {self.folder} is closed")

    def _close_files(self) -> None:
        for file in self._files:
            file.close()
