"""Groups as ASAM MDF 4: a file a group, its channels with unit and comment, the event log as markers.

Written by asammdf, which is an extra. An event is a point in time (EVBLOCK of type marker), its name the kind
and its comment the sentence.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from emulator.core.errors import StartFailed
from emulator.record.reader import Event
from emulator.track.out.groups import Group

NEEDS_ASAMMDF = "MDF 4 needs asammdf"
INSTALL_IT = "pip install 'emulator[mdf]'"


def asammdf_module() -> Any:
    """The library. Raises StartFailed where it is not installed."""
    try:
        import asammdf
    except ImportError as error:
        raise StartFailed(NEEDS_ASAMMDF, advice=INSTALL_IT) from error
    return asammdf


def write_mdf(group: Group, events: Sequence[Event], path: Path) -> None:
    """Raises StartFailed without asammdf, OSError."""
    asammdf = asammdf_module()
    from asammdf.blocks import v4_constants
    from asammdf.blocks.v4_blocks import EventBlock

    time_s = group.time_ns / 1e9
    # the library tells its speed on the screen, which belongs to us
    with contextlib.redirect_stdout(io.StringIO()), asammdf.MDF(version="4.10") as file:
        file.append(
            [
                asammdf.Signal(
                    np.ascontiguousarray(c.values), time_s, unit=c.unit, name=c.name, comment=c.meaning
                )
                for c in group.columns
            ],
            acq_name=group.name,
            comment=group.words,
            common_timebase=True,
        )
        for event in events:
            marker = EventBlock(
                event_type=v4_constants.EVENT_TYPE_MARKER,
                cause=v4_constants.EVENT_CAUSE_TOOL,
                sync_type=v4_constants.EVENT_SYNC_TYPE_S,
                sync_base=event.tick,
                sync_factor=1e-3,
            )
            marker.name, marker.comment = event.kind, f"{event.name}: {event.text}"
            file.events.append(marker)
        file.save(path, overwrite=True, compression=0)  # not every reader unpacks
