"""What a run recorded as one number: equal for equal values, wherever they lie, however packed."""

from __future__ import annotations

import hashlib

import numpy as np

from emulator.core.signals import SIGNALS
from emulator.record.in_memory import RowColumns
from emulator.record.reader import Run


def signals_hash(run: Run) -> str:
    """SHA-256 of ticks and signals: the columns' names, then (n,) ticks, then (n, len(SIGNALS)) values.

    Numbers as they lie in memory on a machine of little ends: int64, float64, row after row. A record without
    one of the columns, as earlier versions wrote, has NaN there.
    """
    signals = run.signals
    if isinstance(signals, RowColumns):
        rows = np.ascontiguousarray(signals.rows)
    else:
        nothing = np.full(len(run.tick), np.nan)
        rows = np.column_stack([signals.get(signal.name, nothing) for signal in SIGNALS])
    digest = hashlib.sha256("\n".join(signal.name for signal in SIGNALS).encode())
    digest.update(run.tick.astype("<i8", copy=False).data)
    digest.update(rows.astype("<f8", copy=False).data)
    return digest.hexdigest()


def frames_hash(run: Run) -> str:
    """SHA-256 of all bus frames, column after column in the order of ``Frames``; payloads 64 bytes each."""
    digest = hashlib.sha256("\n".join(run.frames._fields).encode())
    for column in run.frames:
        digest.update(np.ascontiguousarray(column).data)
    return digest.hexdigest()
