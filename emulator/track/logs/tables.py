"""Tables as logs: CSV with any delimiter and decimal sign, and Parquet; in pieces, wanted columns only."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pyarrow import csv, parquet

from emulator.config.track.map_file import TextForm, TimeChannel
from emulator.track.logs.log import Log, LogError, Series, Wanted, too_large
from emulator.track.on_disk import Shelf

_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
_HEAD_BYTES = 1 << 18
_BLOCK_BYTES = 4 << 20
_NO_NUMBER = ["", "NaN", "nan", "NAN", "NA", "N/A", "n/a", "null", "NULL", "-", "#N/A", "inf", "-inf", "Inf"]
_MOST_ODD = 0.01  # of all lines: more is no damage but another form


def read_csv(
    path: Path, wanted: Sequence[Wanted], time: TimeChannel | None, form: TextForm, shelf: Shelf
) -> Log:
    """Wanted columns of a CSV, in any encoding that has ASCII in it. Raises LogError, StartFailed."""
    time = _asked_time(path, time)
    names = [time.channel, *(w.channel for w in wanted)]
    layout = _layout(path, names, form)
    found = [w for w in wanted if w.channel in layout.columns]
    if time.channel not in layout.columns:
        raise _no_time(path, time, layout.columns)
    remarks: list[str] = []
    odd: list[int] = []

    def skip(row: Any) -> str:
        odd.append(row.number or 0)
        return "skip"

    columns = [time.channel, *dict.fromkeys(w.channel for w in found)]
    options = {
        "read_options": csv.ReadOptions(
            column_names=layout.columns,
            skip_rows=layout.first_row,
            encoding=layout.encoding,
            block_size=_BLOCK_BYTES,
            use_threads=False,
        ),
        "parse_options": csv.ParseOptions(delimiter=layout.delimiter, invalid_row_handler=skip),
        "convert_options": csv.ConvertOptions(
            include_columns=columns,
            column_types=dict.fromkeys(columns, pa.float64()),
            decimal_point=layout.decimal,
            null_values=_NO_NUMBER,
            strings_can_be_null=True,
        ),
    }
    try:
        with csv.open_csv(path, **options) as reader:
            values = _gathered(reader, columns, shelf)
    except pa.ArrowInvalid as error:
        raise LogError(
            f"{path} is no table of numbers: {_one_line(error)}",
            advice="see that each line has the columns of the first, decimal sign and delimiter are as in "
            "the map (csv), and what is no number is empty or nan",
        ) from error
    rows = len(values[time.channel])
    if odd:
        if len(odd) > _MOST_ODD * (rows + len(odd)):
            raise LogError(
                f"{path}: {len(odd):,} of {rows + len(odd):,} lines have another number of columns than the "
                f"{len(layout.columns)} named",
                advice=f"delimiter {layout.delimiter!r}: put another one under csv if that is not it",
            )
        remarks.append(f"{len(odd)} lines with another number of columns were left out")
    if rows and not layout.ends_whole:
        remarks.append("the file ends in the middle of a line; its last one was left out")
        if not odd:
            values = {name: column[:-1] for name, column in values.items()}
    time_s = shelf.kept(values.pop(time.channel) * _SECONDS[time.unit])
    units = dict(zip(layout.columns, layout.units, strict=False))
    series = {w: Series(time_s, values[w.channel], units.get(w.channel, "")) for w in found}
    return Log(path, "CSV", series, layout.columns, remarks)


def read_parquet(path: Path, wanted: Sequence[Wanted], time: TimeChannel | None, shelf: Shelf) -> Log:
    """Wanted columns of a Parquet file. Raises LogError, StartFailed."""
    time = _asked_time(path, time)
    try:
        with parquet.ParquetFile(path) as file:
            names = file.schema_arrow.names
            if time.channel not in names:
                raise _no_time(path, time, names)
            found = [w for w in wanted if w.channel in names]
            columns = [time.channel, *dict.fromkeys(w.channel for w in found)]
            if (refused := too_large(path, file.metadata.num_rows, len(columns))) is not None:
                raise refused
            units = {
                field.name: (field.metadata or {}).get(b"unit", b"").decode("utf-8", "replace")
                for field in file.schema_arrow
            }
            values: dict[str, NDArray[np.float64]] = {}
            for name in columns:  # one by one: Arrow keeps what it needs for a piece of all of them
                batches = file.iter_batches(batch_size=1 << 17, columns=[name])
                values |= _gathered(batches, [name], shelf)
    except (pa.ArrowException, OSError) as error:
        raise LogError(
            f"{path} can't be read as Parquet: {_one_line(error)}",
            advice="a file cut off has lost its index; export the log again",
        ) from error
    time_s = shelf.kept(values.pop(time.channel) * _SECONDS[time.unit])
    series = {w: Series(time_s, values[w.channel], units[w.channel]) for w in found}
    return Log(path, "Parquet", series, names)


def _asked_time(path: Path, time: TimeChannel | None) -> TimeChannel:
    if time is None:
        raise LogError(f"{path} is a table, and the map names no time", advice="add time: {channel: NAME}")
    return time


def _no_time(path: Path, time: TimeChannel, names: Sequence[str]) -> LogError:
    listed = ", ".join(names[:20])
    return LogError(f"{path} has no column {time.channel!r} for the time", advice=f"it has {listed}")


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:300]


def _gathered(batches: Iterable[Any], columns: Sequence[str], shelf: Shelf) -> dict[str, NDArray[np.float64]]:
    """Columns (n,) of all batches, each as numbers; a batch is let go of once it is copied."""
    found = {name: shelf.growing() for name in columns}
    for batch in batches:
        for name, column in found.items():
            column.append(_numbers(batch.column(batch.schema.get_field_index(name))))
    pa.default_memory_pool().release_unused()
    return {name: column.whole() for name, column in found.items()}


def _numbers(column: pa.Array) -> NDArray[np.float64]:
    kind = column.type
    if pa.types.is_timestamp(kind) or pa.types.is_duration(kind):
        per_s = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}[kind.unit]
        return _float64(pc.cast(column.cast(pa.int64()), pa.float64(), safe=False)) / per_s
    return _float64(pc.cast(column, pa.float64(), safe=False))


def _float64(column: pa.Array) -> NDArray[np.float64]:
    """A copy of an array of float64, NaN for null; Arrow's own way imports pandas."""
    if column.null_count:
        column = column.fill_null(math.nan)
    data = column.buffers()[1]
    if data is None or not len(column):
        return np.empty(0)
    return np.frombuffer(data, np.float64)[column.offset : column.offset + len(column)].copy()


class _Layout(NamedTuple):
    """How a CSV is laid out; first_row counts lines before the first one of numbers."""

    columns: list[str]
    units: list[str]
    delimiter: str
    decimal: str
    encoding: str
    first_row: int
    ends_whole: bool


def _layout(path: Path, names: Sequence[str], form: TextForm) -> _Layout:
    """Found from the first lines, but for what the map says. Raises LogError."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
            file.seek(0, 2)
            file.seek(max(file.tell() - 1, 0))
            last = file.read(1)
    except OSError as error:
        raise LogError(f"{path} can't be read: {error.strerror or error}") from error
    encoding = "utf-8"
    try:
        text = head.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        cut = error.start > len(head) - 4  # in the middle of a character
        encoding = "utf-8" if cut else "latin-1"
        text = head.decode(encoding, "ignore")
    lines = text.splitlines()
    if len(head) == _HEAD_BYTES:
        lines = lines[:-1]
    at, delimiter = _header(path, lines, names, form)
    cells = _cells(lines[at], delimiter)
    following = [_cells(line, delimiter) for line in lines[at + 1 : at + 30] if line.strip()]
    decimal = form.decimal or _decimal(following, delimiter)
    units: list[str] = []
    skipped = at + 1
    if following and not any(_is_number(cell, decimal) for cell in following[0]) and any(following[0]):
        units = [cell.strip("[]() ") for cell in following[0]]  # a second line of the head: units
        skipped += 1
    double = sorted({name for name in cells if name and cells.count(name) > 1} & set(names))
    if double:
        raise LogError(f"{path} has several columns {double[0]!r}", advice="give each a name of its own")
    unnamed = [name or f"column {k + 1}" for k, name in enumerate(cells)]
    return _Layout(unnamed, units, delimiter, decimal, encoding, skipped, last in (b"\n", b"\r"))


def _header(path: Path, lines: list[str], names: Sequence[str], form: TextForm) -> tuple[int, str]:
    """Index of the line that names the columns, and the delimiter there. Raises LogError."""
    candidates = [form.header_line - 1] if form.header_line else range(min(len(lines), 200))
    tried = [form.delimiter] if form.delimiter else [";", "\t", ",", "|", " "]
    best, score = (-1, ""), 0
    for at in candidates:
        for delimiter in tried if at < len(lines) else []:
            known = len(set(_cells(lines[at], delimiter)) & set(names))
            if known > score:
                best, score = (at, delimiter), known
    if score == 0:
        first = lines[0][:120] if lines else ""
        raise LogError(
            f"{path}: no line names the columns that the map has ({', '.join(names[:8])})",
            advice=f"the first line is {first!r}" if first else "the file is empty",
        )
    return best


def _cells(line: str, delimiter: str) -> list[str]:
    return [cell.strip().strip('"').strip() for cell in line.split(delimiter)]


def _decimal(rows: list[list[str]], delimiter: str) -> str:
    cells = [cell for row in rows for cell in row]
    comma = sum(bool(re.fullmatch(r"[-+]?\d+,\d+(?:[eE][-+]?\d+)?", cell)) for cell in cells)
    point = sum(bool(re.fullmatch(r"[-+]?\d*\.\d+(?:[eE][-+]?\d+)?", cell)) for cell in cells)
    return "," if delimiter != "," and comma > point else "."


def _is_number(cell: str, decimal: str) -> bool:
    try:
        float(cell.replace(decimal, "."))
    except ValueError:
        return False
    return True
