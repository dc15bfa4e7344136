"""Frames of a database of SQLite, as python-can writes it, in columns: some hundred rows at a time.

Where a value is of another kind than it is written with, or the database is damaged, all rows are taken one
by one, each as python-can understands it.
"""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import numpy as np

from emulator.track.logs.gathered import EXTENDED, MOST_IDENTIFIER, Gathered

_AT_ONCE = 300
"""Rows; of thousands at once, Python looks for circles among them, for as long as reading them takes."""
_ODD = f"""SELECT 1 FROM messages WHERE NOT (
    typeof(ts) = 'real' AND typeof(arbitration_id) = 'integer' AND typeof(extended) = 'integer'
    AND typeof(remote) = 'integer' AND typeof(error) = 'integer' AND typeof(data) = 'blob'
    AND arbitration_id BETWEEN 0 AND {MOST_IDENTIFIER}) LIMIT 1"""
_DATA_FRAMES = f"""SELECT ts, arbitration_id | CASE WHEN extended THEN {EXTENDED} ELSE 0 END, data
    FROM messages WHERE NOT remote AND NOT error"""
_ALL = "SELECT * FROM messages"


def gather_sqlite(path: Path, gathered: Gathered) -> None:
    """Gather the frames of a database, which is not written to.

    Raises sqlite3.Error, and what python-can does for a row that makes no sense; what was gathered before
    stays. What ``gathered`` raises.
    """
    with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as database:
        if _is_plain(database):
            _gather_columns(database, gathered)
        else:
            _gather_rows(database, gathered)


def _is_plain(database: sqlite3.Connection) -> bool:
    """Whether all values are as they are written."""
    try:
        return database.execute(_ODD).fetchone() is None
    except sqlite3.Error:  # damage, or columns of other names: whoever reads the rows says so
        return False


def _gather_columns(database: sqlite3.Connection, gathered: Gathered) -> None:
    rows = database.execute(_DATA_FRAMES)
    while piece := rows.fetchmany(_AT_ONCE):
        times, keys, payloads = zip(*piece, strict=True)
        length = np.fromiter(map(len, payloads), np.int64, len(piece))
        data = np.frombuffer(b"".join(payloads), np.uint8)
        gathered.add_many(np.array(times), np.array(keys), data, np.cumsum(length) - length, length)


def _gather_rows(database: sqlite3.Connection, gathered: Gathered) -> None:
    import can

    for time_s, identifier, extended, remote, error, length, data in database.execute(_ALL):
        gathered.add_message(
            can.Message(
                timestamp=time_s,
                arbitration_id=identifier,
                is_extended_id=bool(extended),
                is_remote_frame=bool(remote),
                is_error_frame=bool(error),
                dlc=length,
                data=data,
            )
        )
