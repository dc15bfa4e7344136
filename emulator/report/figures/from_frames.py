"""What a fault hit that is not recorded as a signal: decoded from the frames that went out, or said in words.

Every frame is in the record, so a signal of its own for each of its values would be written twice.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.provenance import session_of_record
from emulator.core.errors import EmulatorError
from emulator.core.signals import INDEX, OUTPUT, OUTPUTS
from emulator.record.occurrence import scenario_events
from emulator.record.reader import Run
from emulator.record.writer import FRAMES_FILE, GNSS_FILE
from emulator.report.figures.panels import signals_hit
from emulator.wire.can_frames import unpack

_SENT = 1


class Sent(NamedTuple):
    """A value as its frames carried it.

    frame   its name
    time_s  (n,) when each was handed over
    values  (n,) NaN: not available
    """

    frame: str
    time_s: NDArray[np.float64]
    values: NDArray[np.float64]


def unrecorded_hits(run: Run) -> dict[str, list[str]]:
    """Outputs that no recorded signal shows, each with the labels of the faults that hit it."""
    out: dict[str, list[str]] = {}
    for number, event in enumerate(scenario_events(run)):
        signal = str(event.get("signal"))
        if event.get("kind") == "fault" and signal in OUTPUT and f"output.{signal}" not in INDEX:
            out.setdefault(signal, []).append(f"F{number + 1}")
    return out


def sent_in_frames(run: Run, wanted: Collection[str]) -> dict[str, Sent]:
    """Those of the outputs ``wanted`` that a frame of this record carries, by name.

    None of a record whose own copies of rig and DBC can't be read any more: they say where a value lies.
    """
    if not wanted:
        return {}
    try:
        codec = session_of_record(run.folder, run.manifest).codec
    except EmulatorError:
        return {}
    found: dict[str, Sent] = {}
    table, frames = codec.table, run.frames
    row = np.full(codec.most_signals, math.nan)
    for f, name in enumerate(codec.frames):
        here = [(k, signal) for k, signal in enumerate(codec.signals[f]) if signal in wanted]
        if not here:
            continue
        rows = np.flatnonzero((frames.direction == _SENT) & (frames.can_id == int(table.can_id[f])))
        time_s: NDArray[np.float64] = frames.time_ns[rows] / 1e9
        values = np.empty((len(rows), len(here)))
        for i, data in enumerate(frames.data[rows]):
            unpack(table, f, data, row)
            values[i] = [row[k] for k, _ in here]
        for column, (_, signal) in enumerate(here):
            found.setdefault(signal, Sent(name, time_s, values[:, column]))
    return found


def where_to_look(run: Run, drawn: Collection[str]) -> list[str]:
    """Sentences on what the scenario's faults hit and no panel shows; ``drawn``: outputs that one does."""
    told = []
    for signal, labels in unrecorded_hits(run).items():
        if signal not in drawn:
            source = OUTPUTS[OUTPUT[signal]].source
            file = GNSS_FILE if source == "gnss" else FRAMES_FILE
            told.append(f"{', '.join(labels)} acts on {signal}, which is in {file} alone.")
    for number, event in enumerate(scenario_events(run)):
        if event.get("kind") == "frame" and not signals_hit(event):
            told.append(f"F{number + 1} acts on frame {event.get('frame')}, which is in {FRAMES_FILE} alone.")
    return told
