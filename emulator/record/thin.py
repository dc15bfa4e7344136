"""A thin record: a tenth of a whole one, and of what it keeps the same values.

A run is judged and its report written from every tick, then its record is thinned. Kept are all inputs,
packed closer, the event log, the GNSS sentences and the documents as they are, and of the signals every row
in EVERY_TICKS, the first and the last, and those of events. The frames of the bus go: with the inputs a
replay makes them again, and every row.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal, TypeAlias

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from emulator.record.documents import read_manifest
from emulator.record.reader import Event, read_run, read_stream
from emulator.record.writer import (
    FRAMES_FILE,
    INPUTS_FILE,
    MANIFEST_FILE,
    SIGNALS_FILE,
    in_place_of,
    write_json,
)

Extent: TypeAlias = Literal["whole", "thin"]
"""How much of a record is kept."""

EVERY_TICKS = 20
"""Of so many rows of signals one is kept."""
_PACKED_BY = pa.Codec("zstd", compression_level=9)
"""Slower than a ride may be held up by, and there is little of it."""


def make_thin(folder: Path) -> None:
    """Thin the record in a run folder, in its place; one that is thin stays as it is.

    Its manifest says so first: interrupted in between, a record says less than it holds. Raises RecordError
    for a record that can't be read, RunFailed if the disk refuses.
    """
    run = read_run(folder)
    if run.left_out:
        return
    write_json(folder / MANIFEST_FILE, {**read_manifest(folder), "thin": {"every_ticks": EVERY_TICKS}})
    signals = read_stream(folder / SIGNALS_FILE, [])
    frames = read_stream(folder / FRAMES_FILE, [])
    if signals is not None:
        kept = signals.take(pa.array(kept_rows(run.tick, run.events)))
        _replace(folder / SIGNALS_FILE, kept, run.losses)
    if frames is not None:
        _replace(folder / FRAMES_FILE, frames.slice(0, 0), run.losses)
    if (folder / INPUTS_FILE).exists():  # records of before had none
        losses: list[str] = []
        inputs = read_stream(folder / INPUTS_FILE, losses)
        if inputs is not None:
            _replace(folder / INPUTS_FILE, inputs, losses)


def kept_rows(tick: NDArray[np.int64], events: list[Event]) -> NDArray[np.int64]:
    """Rows of signals, at these ticks, that a thin record keeps."""
    keep = tick % EVERY_TICKS == 0
    keep[:1] = keep[-1:] = True
    keep |= np.isin(tick, [event.tick for event in events])
    return np.flatnonzero(keep)


def _replace(path: Path, table: pa.Table, losses: list[str]) -> None:
    """A stream in one batch in the place of another. What the first lacked at its end stays told."""
    options = pa.ipc.IpcWriteOptions(compression=_PACKED_BY, use_threads=False)
    with in_place_of(path) as partial, open(partial, "wb") as file:
        stream = pa.ipc.new_stream(file, table.schema, options=options)
        stream.write_table(table.combine_chunks())
        if not any(loss.startswith(path.name) for loss in losses):
            stream.close()
