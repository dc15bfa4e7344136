"""Reads what reached the plant in a run: every frame it received and every command it was given.

Ticks are counted since the loop began (cycles): unlike those of the scenario they never jump.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.errors import RecordError
from emulator.record.reader import column_of, payload_of, read_stream
from emulator.record.writer import (
    INPUT_COMMAND,
    INPUT_FRAME,
    INPUT_MARK,
    INPUT_SCHEMA,
    INPUTS_FILE,
    NOT_SENT,
    input_schema,
)
from emulator.wire.can_timing import CLASSICAL_BYTES

_FORMER_SCHEMA = INPUT_SCHEMA.remove(INPUT_SCHEMA.get_field_index("sent"))
"""What earlier versions wrote."""
_SCHEMAS = (INPUT_SCHEMA, input_schema(CLASSICAL_BYTES), _FORMER_SCHEMA)


class GivenCommand(NamedTuple):
    """A command and the cycle it acted in; code and argument as in ``status.Command``."""

    cycle: int
    code: int
    argument: float


class SentFrames(NamedTuple):
    """What the robot handed to the virtual bus; n frames in the order of their arrival.

    sent, can_id, length, data  (n,), (n,), (n,), (n, 64)  sent: tick of the loop
    """

    sent: NDArray[np.int64]
    can_id: NDArray[np.int64]
    length: NDArray[np.int64]
    data: NDArray[np.uint8]


class Inputs(NamedTuple):
    """All that reached the plant in the first ``cycles`` ticks of the loop; n frames in their order.

    cycle     (n,)     int64  tick each was received in, not falling
    can_id    (n,)     int64  bit 31 set for 29-bit identifiers
    length    (n,)     int64  payload bytes
    data      (n, 64)  uint8
    commands  in their order, cycles not falling
    on_bus    the same frames as they were handed to the virtual bus, and behind them those that were still
              under way; None where there was no such bus or its record does not tell
    """

    cycles: int
    cycle: NDArray[np.int64]
    can_id: NDArray[np.int64]
    length: NDArray[np.int64]
    data: NDArray[np.uint8]
    commands: list[GivenCommand]
    on_bus: SentFrames | None = None


def read_inputs(folder: Path) -> Inputs:
    """Read a run's inputs as far as they are whole. Raises RecordError if there are none, or damage."""
    path = folder / INPUTS_FILE
    if not path.exists():
        raise RecordError(
            f"{folder} holds no {INPUTS_FILE}: what reached the plant was not recorded",
            advice="it was recorded before runs kept it; ride again",
        )
    table = read_stream(path, [])
    if table is None:
        table = INPUT_SCHEMA.empty_table()
    if not any(map(table.schema.equals, _SCHEMAS)):
        raise RecordError(f"{path} has other columns than this version writes", advice="replay it with that")
    cycle, kind, code = (column_of(table, name) for name in ("cycle", "kind", "code"))
    marks = cycle[kind == INPUT_MARK]
    cycles = int(marks[-1]) if len(marks) else 0
    frame = (kind == INPUT_FRAME) & (cycle < cycles)
    command = (kind == INPUT_COMMAND) & (cycle < cycles)
    for chosen in (frame, command):
        if np.any(np.diff(cycle[chosen]) < 0):
            raise RecordError(f"{path}: cycles fall", advice="the file is damaged; restore it from a copy")
    arguments = column_of(table, "argument")
    length, data = column_of(table, "length").astype(np.int64), payload_of(table)
    on_bus = None
    if "sent" in table.column_names:
        sent = column_of(table, "sent")
        theirs = (kind == INPUT_FRAME) & (sent != NOT_SENT)
        if np.any(sent[theirs] < 0) or np.any(sent[theirs] > cycle[theirs]):
            raise RecordError(f"{path}: a frame sent behind its tick", advice="restore the file from a copy")
        if theirs.any() and theirs[kind == INPUT_FRAME].all():
            theirs &= sent < cycles
            on_bus = SentFrames(sent[theirs], code[theirs], length[theirs], data[theirs])
    return Inputs(
        cycles=cycles,
        cycle=cycle[frame],
        can_id=code[frame],
        length=length[frame],
        data=data[frame],
        commands=[
            GivenCommand(int(c), int(k), float(a))
            for c, k, a in zip(cycle[command], code[command], arguments[command], strict=True)
        ],
        on_bus=on_bus,
    )
