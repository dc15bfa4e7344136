"""Reads the record of a run, also one whose writer was killed in the middle of a write.

A stream cut short is not an error: every complete batch is read and ``Run.losses`` says in words what is
missing. Anything else that is wrong (not an Arrow stream, damage in the middle, a manifest that is no JSON)
is a RecordError naming the file and the place.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from emulator.core.errors import RecordError
from emulator.core.frame_buffer import MAX_DATA, NO_ARRIVAL
from emulator.core.outside.reading import EVENTS, GNSS, RECORD
from emulator.core.signals import FORMER_SIGNALS
from emulator.record.arrow_stream import ALWAYS_UNPACKED, FRAMES_GROWTH, SIGNALS_GROWTH, read_table
from emulator.record.documents import bytes_of, parsed, read_certificate, read_manifest, read_verdict_document
from emulator.record.packed.unpacking import BLOCK_GROWTH, plain_table, told_by
from emulator.record.writer import (
    CERTIFICATE_FILE,
    EVENTS_FILE,
    FRAME_SCHEMA,
    FRAMES_FILE,
    GNSS_FILE,
    NOTE_SCHEMA,
    NOTES_FILE,
    SIGNALS_FILE,
    VERDICT_FILE,
)
from emulator.wire.can_timing import CLASSICAL_BYTES

_ARRIVAL = "arrival_ns"


class Event(NamedTuple):
    """One line of the event log."""

    tick: int
    time_s: float
    kind: str
    name: str
    text: str

    @property
    def tyre(self) -> str:
        """Of a slide: "front" or "rear", which its line begins with."""
        return self.text.partition(" ")[0]


class Frames(NamedTuple):
    """All bus frames of a run in the order recorded; n rows.

    tick       (n,)     int64
    time_ns    (n,)     int64  scenario time [ns], received or handed over; of ours on the stepped clock: due
    valid_ns   (n,)     int64  time of validity [ns]; 0 where unknown
    direction  (n,)     uint8  0 received from the robot, 1 sent to it
    can_id     (n,)     int64  bit 31 set for 29-bit identifiers
    length     (n,)     uint8  payload bytes
    data       (n, 64)  uint8  zero past ``length``
    arrival_ns (n,)     int64  when its receiver had it [ns]; NO_ARRIVAL where that is not known, or never was
    """

    tick: NDArray[np.int64]
    time_ns: NDArray[np.int64]
    valid_ns: NDArray[np.int64]
    direction: NDArray[np.uint8]
    can_id: NDArray[np.int64]
    length: NDArray[np.uint8]
    data: NDArray[np.uint8]
    arrival_ns: NDArray[np.int64]


@dataclass(frozen=True)
class Run:
    """One run as recorded.

    tick       (n,) int64      scenario ticks, strictly rising; 0 is where running starts
    time_ns    (n,) int64      scenario time [ns]
    signals    name -> (n,) float64, names and units as in ``emulator.core.signals``
    losses     what is missing, in words; empty for a whole record
    left_out   what a thin record leaves out on purpose, in words (emulator.record.thin); empty for others
    notes      name -> (tick (k,) int64, value (k,) float64): what the robot's own software noted
    """

    folder: Path
    manifest: dict[str, Any]
    tick: NDArray[np.int64]
    time_ns: NDArray[np.int64]
    signals: Mapping[str, NDArray[np.float64]]
    frames: Frames
    events: list[Event]
    gnss: bytes = b""
    certificate: dict[str, Any] | None = None
    verdict: dict[str, Any] | None = None
    losses: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    notes: dict[str, tuple[NDArray[np.int64], NDArray[np.float64]]] = field(default_factory=dict)

    @property
    def truncated(self) -> bool:
        """True if the record ends before its writer closed it."""
        return bool(self.losses)

    @property
    def time_s(self) -> NDArray[np.float64]:
        """(n,) scenario time [s]."""
        return self.time_ns / 1e9

    def signal(self, name: str) -> NDArray[np.float64]:
        """One column, (n,). Raises RecordError if this record has none of that name."""
        try:
            return self.signals[name]
        except KeyError:
            raise RecordError(
                f"{self.folder / SIGNALS_FILE} has no column {name!r}",
                advice="the record may come from another version; names are in emulator.core.signals",
            ) from None


def read_run(folder: Path | str) -> Run:
    """Read a run folder whole into memory (about 0.6 MB a second of riding).

    Raises RecordError for a missing folder or file and for anything damaged other than by a cut end.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RecordError(f"{folder} is not a run folder", advice="name a folder that holds manifest.json")
    manifest = read_manifest(folder)
    losses: list[str] = []
    table = read_stream(folder / SIGNALS_FILE, losses, SIGNALS_GROWTH)
    for name in ("tick", "time_ns"):
        if table is not None and name not in table.column_names:
            raise RecordError(f"{folder / SIGNALS_FILE} has no column {name!r}; it is no record of signals")
    columns: dict[str, NDArray[Any]] = {}
    if table is not None:
        for column in table.schema:
            if column.type != (pa.int64() if column.name in ("tick", "time_ns") else pa.float64()):
                raise RecordError(f"{folder / SIGNALS_FILE}: {column.name!r} is no column of signals")
        columns = {FORMER_SIGNALS.get(name, name): column_of(table, name) for name in table.column_names}
    tick = columns.pop("tick", np.empty(0, np.int64))
    time_ns = columns.pop("time_ns", np.empty(0, np.int64))
    if np.any(np.diff(tick) <= 0):
        where = int(tick[int(np.argmax(np.diff(tick) <= 0))])
        raise RecordError(f"{folder / SIGNALS_FILE}: ticks do not rise after tick {where}")
    gnss = folder / GNSS_FILE
    return Run(
        folder=folder,
        manifest=manifest,
        tick=tick,
        time_ns=time_ns,
        signals=columns,
        frames=_frames(read_stream(folder / FRAMES_FILE, losses), folder / FRAMES_FILE),
        events=_read_events(folder / EVENTS_FILE, losses),
        gnss=bytes_of(gnss, GNSS) if os.path.lexists(gnss) else b"",
        certificate=_optional(folder / CERTIFICATE_FILE, read_certificate),
        verdict=_optional(folder / VERDICT_FILE, read_verdict_document),
        losses=losses,
        left_out=_left_out(manifest),
        notes=_notes(folder / NOTES_FILE, losses),
    )


def with_documents(run: Run) -> Run:
    """The run with certificate and verdict as its folder has them now. Raises RecordError as ``read_run``."""
    return replace(
        run,
        certificate=_optional(run.folder / CERTIFICATE_FILE, read_certificate),
        verdict=_optional(run.folder / VERDICT_FILE, read_verdict_document),
    )


def _left_out(manifest: Mapping[str, Any]) -> list[str]:
    """What every user of a thin record is told."""
    if not manifest.get("thin"):
        return []
    return [
        "the record is thin: of many rows of signals one is there (how many: thin in manifest.json), beside "
        "the first, the last and those of events, and no frame of the bus; "
        "emulator replay with --out makes it whole again"
    ]


def _notes(path: Path, losses: list[str]) -> dict[str, tuple[NDArray[np.int64], NDArray[np.float64]]]:
    table = read_stream(path, losses) if os.path.lexists(path) else None
    if table is None:
        return {}
    if not table.schema.equals(NOTE_SCHEMA):
        raise RecordError(f"{path} holds no notes: expected columns tick, name and value")
    tick, value = column_of(table, "tick"), column_of(table, "value")
    names = [raw.rstrip(b"\0").decode("utf-8", "replace") for raw in table.column("name").to_pylist()]
    # compared as text: numpy takes the padding off a name in bytes, and finds it nowhere
    column = np.array(names, object)
    return {name: (tick[column == name], value[column == name]) for name in sorted(set(names))}


def _optional(path: Path, read: Callable[[Path], dict[str, Any]]) -> dict[str, Any] | None:
    return read(path.parent) if os.path.lexists(path) else None


def read_stream(path: Path, losses: list[str], growth: int = FRAMES_GROWTH) -> pa.Table | None:
    """Every complete batch of a stream; None if it was cut before its column names were complete.

    growth  bytes that a byte of it may unpack to (emulator.record.arrow_stream)
    """
    content = bytes_of(path, RECORD)
    table, complete, ended = read_table(path, content, growth)
    if table is not None:
        table = _unpacked(path, table, len(content))
    if not ended:
        cut = len(content) - complete
        last = "nothing"
        if table is not None and table.num_rows and "tick" in table.column_names:
            last = f"everything up to tick {table.column('tick')[-1].as_py()}"
        torn = f", {cut} bytes of an unfinished batch were dropped" if cut else ""
        losses.append(f"{path.name} was not closed: {last} is there{torn}")
    return table


def _unpacked(path: Path, table: pa.Table, size: int) -> pa.Table:
    """The signals of a stream that holds them in blocks (``emulator.record.packed``); any other as it is."""
    try:
        told = told_by(table.schema)
        return table if told is None else plain_table(table, told, ALWAYS_UNPACKED + BLOCK_GROWTH * size)
    except ValueError as error:
        raise RecordError(f"{path}: damaged: {error}", advice="restore it from a copy") from error


def _frames(table: pa.Table | None, path: Path) -> Frames:
    if table is None:
        table = FRAME_SCHEMA.empty_table()
    for wanted in FRAME_SCHEMA:
        index = table.schema.get_field_index(wanted.name)
        if index < 0 and wanted.name == _ARRIVAL:  # earlier versions did not know it
            continue
        found = None if index < 0 else table.schema.field(index).type
        if found != wanted.type and not (wanted.name == "data" and found == pa.binary(CLASSICAL_BYTES)):
            raise RecordError(f"{path} has no column {wanted.name!r} of type {wanted.type}")
    numbers = [name for name in Frames._fields if name in table.column_names and name != "data"]
    columns = {name: column_of(table, name) for name in numbers}
    return Frames(**{_ARRIVAL: np.full(table.num_rows, NO_ARRIVAL), **columns, "data": payload_of(table)})


def column_of(table: pa.Table, name: str) -> NDArray[Any]:
    """A column of numbers as an array of its own.

    pyarrow's own way to numpy imports pandas where that is installed.
    """
    column = table.column(name)
    kind = np.dtype(column.type.to_pandas_dtype())
    parts = [
        np.frombuffer(chunk.buffers()[1], kind, len(chunk), chunk.offset * kind.itemsize)
        for chunk in column.chunks
        if len(chunk)
    ]
    return np.concatenate(parts) if parts else np.empty(0, kind)


def payload_of(table: pa.Table) -> NDArray[np.uint8]:
    """(n, 64) the column ``data`` of a table of frames."""
    data = table.column("data").combine_chunks()
    if isinstance(data, pa.ChunkedArray):
        data = pa.concat_arrays(data.chunks) if data.num_chunks else pa.array([], pa.binary(MAX_DATA))
    raw = data.buffers()[1]
    bytes_ = np.frombuffer(raw, np.uint8) if raw is not None and len(data) else np.empty(0, np.uint8)
    width = data.type.byte_width
    start = data.offset * width
    found = bytes_[start : start + len(data) * width].reshape(-1, width)
    if width == MAX_DATA:
        return found
    wide = np.zeros((len(found), MAX_DATA), np.uint8)
    wide[:, :width] = found
    return wide


def _read_events(path: Path, losses: list[str]) -> list[Event]:
    lines = bytes_of(path, EVENTS).split(b"\n")
    torn = lines.pop()
    if torn:
        losses.append(f"{path.name} ends in the middle of a line; its {len(torn)} bytes were dropped")
    events = []
    for number, line in enumerate(lines, start=1):
        try:
            item = parsed(line)
            event = Event(
                int(item["tick"]),
                float(item["time_s"]),
                str(item["kind"]),
                str(item["name"]),
                str(item["text"]),
            )
        except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
            raise RecordError(
                f"{path}:{number}: no event; expected an object with tick, time_s, kind, name, text: {error}"
            ) from error
        events.append(event)
    return events
