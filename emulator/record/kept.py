"""What a writer that was killed left whole in a run folder, so that another one can go on with it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa

from emulator.record.writer import (
    EVENTS_FILE,
    FRAMES_FILE,
    GNSS_FILE,
    INPUT_MARK,
    INPUTS_FILE,
    SIGNALS_FILE,
)

LOST_KIND = "record_lost"
"""Kind of the events that the recorder itself writes."""
_TAIL_BYTES = 4096


class Kept(NamedTuple):
    """Where each file of a record ends whole, and what stands there last.

    *_end        bytes
    tick         last scenario tick of the signals; None without one
    frame_tick   last scenario tick of the frames; None without one
    cycles       ticks of the loop up to which all inputs are there
    events       events of the loop and the plant in the log
    gnss_tail    the last bytes of the GNSS sentences
    """

    signals_end: int
    tick: int | None
    frames_end: int
    frame_tick: int | None
    inputs_end: int
    cycles: int
    events_end: int
    events: int
    gnss_end: int
    gnss_tail: bytes

    @property
    def ends(self) -> dict[str, int]:
        """By file, as ``RunWriter`` takes them."""
        return {
            SIGNALS_FILE: self.signals_end,
            FRAMES_FILE: self.frames_end,
            INPUTS_FILE: self.inputs_end,
            EVENTS_FILE: self.events_end,
            GNSS_FILE: self.gnss_end,
        }


def kept_in(folder: Path) -> Kept:
    """Look through the folder of a record that was cut short. Raises OSError if it can't be read."""
    signals_end, tick = 0, None
    for end, batch in _batches(folder / SIGNALS_FILE):
        signals_end = end
        tick = batch.column("tick")[-1].as_py() if batch.num_rows else tick
    frames_end, frame_tick = 0, None
    for end, batch in _batches(folder / FRAMES_FILE):
        frames_end = end
        frame_tick = batch.column("tick")[-1].as_py() if batch.num_rows else frame_tick
    inputs_end, cycles = 0, 0
    for end, batch in _batches(folder / INPUTS_FILE):
        # only a mark says that nothing of the ticks before it is missing
        if not batch.num_rows:
            inputs_end = end
        elif batch.column("kind")[-1].as_py() == INPUT_MARK:
            inputs_end, cycles = end, batch.column("cycle")[-1].as_py()
    log = (folder / EVENTS_FILE).read_bytes()
    log = log[: log.rfind(b"\n") + 1]
    events = sum(json.loads(line)["kind"] != LOST_KIND for line in log.splitlines())
    gnss_end, tail = 0, b""
    if (folder / GNSS_FILE).exists():
        sentences = (folder / GNSS_FILE).read_bytes()
        gnss_end, tail = len(sentences), sentences[-_TAIL_BYTES:]
    return Kept(
        signals_end, tick, frames_end, frame_tick, inputs_end, cycles, len(log), events, gnss_end, tail
    )


def _batches(path: Path) -> Iterator[tuple[int, pa.RecordBatch]]:
    """Every whole batch of an Arrow stream with the byte it ends at."""
    data = pa.BufferReader(path.read_bytes())
    stream = pa.ipc.open_stream(data)
    while True:
        try:
            batch = stream.read_next_batch()
        except (StopIteration, pa.ArrowInvalid, OSError):
            return
        yield data.tell(), batch
