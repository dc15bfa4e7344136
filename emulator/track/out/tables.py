"""Groups as Parquet and CSV: a column ``time_s``, then the group's own, by their names.

Parquet keeps unit and meaning beside each column. CSV has a point in its numbers and a comma between them,
each number with as many digits as it takes to be read back the same; those of the first row have a decimal
point even when they are whole. Units and meanings are in ``columns.csv``.
"""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv, parquet

from emulator.record.reader import Event
from emulator.track.out.groups import Group

TIME = "time_s"
_TIME_META = {"unit": "s", "meaning": "scenario time: 0 is where the ride starts"}
_NANOSECOND_DIGITS = 9
_WHOLE = re.compile(rb"(?<![^,])(-?[0-9]+)(?![^,])")
"""A number of a line that has neither point nor exponent."""


def write_parquet(group: Group, path: Path) -> None:
    """Raises OSError."""
    fields = [pa.field(TIME, pa.float64(), nullable=False, metadata=_TIME_META)]
    fields += [
        pa.field(c.name, pa.float64(), nullable=False, metadata={"unit": c.unit, "meaning": c.meaning})
        for c in group.columns
    ]
    about = {"group": group.name, "rows": group.words}
    arrays = [group.time_ns / 1e9, *(c.values for c in group.columns)]
    parquet.write_table(pa.table(arrays, schema=pa.schema(fields, metadata=about)), path, compression="zstd")


def write_csv(group: Group, path: Path) -> None:
    """Raises OSError.

    Readers tell a column's kind by its first rows, and some refuse a fraction in what began with ``0``.
    """
    columns = {TIME: _decimal_seconds(group.time_ns)}
    columns |= {c.name: pa.array(c.values) for c in group.columns}
    table, begun = pa.table(columns), io.BytesIO()
    csv.write_csv(table.slice(0, 1), begun)
    header, first = begun.getvalue().splitlines()
    with path.open("wb") as file:
        file.write(header + b"\n" + re.sub(_WHOLE, rb"\1.0", first) + b"\n")
        csv.write_csv(table.slice(1), file, csv.WriteOptions(include_header=False))


def _decimal_seconds(time_ns: NDArray[np.int64]) -> pa.Array:
    """Seconds to the nanosecond, as decimal numbers: an instant has all its digits, and no more."""
    words = np.empty((len(time_ns), 2), np.int64)
    words[:, 0], words[:, 1] = time_ns, time_ns >> 63  # 128 bits, low word first, with its sign
    kind = pa.decimal128(19, _NANOSECOND_DIGITS)
    return pa.Array.from_buffers(kind, len(time_ns), [None, pa.py_buffer(np.ascontiguousarray(words))])


def events_table(events: list[Event]) -> pa.Table:
    """The event log, a row an event."""
    return pa.table(
        {
            TIME: pa.array([e.time_s for e in events], pa.float64()),
            "kind": pa.array([e.kind for e in events], pa.string()),
            "name": pa.array([e.name for e in events], pa.string()),
            "text": pa.array([e.text for e in events], pa.string()),
        }
    )


def columns_table(files: list[tuple[str, Group]]) -> pa.Table:
    """Every column of every file, with unit and meaning."""
    rows = [
        {"file": name, "column": c.name, "unit": c.unit, "meaning": c.meaning}
        for name, group in files
        for c in group.columns
    ]
    schema = pa.schema([(key, pa.string()) for key in ("file", "column", "unit", "meaning")])
    return pa.Table.from_pylist(rows, schema=schema)
