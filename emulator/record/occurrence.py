"""When an event of the scenario began and ended in a record.

The bit mask ``bench.fault_active`` tells it tick by tick: bit i is event i of the manifest's scenario.
Events beyond its 52 bits, and records without it, have the lines of the event log: they begin with the name.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from emulator.record.reader import Run
from emulator.signals import RUNNING

MASK_BITS = 52
"""Events that have a bit: a float64 holds so many flags exactly."""


class Occurrence(NamedTuple):
    """Rows of the record an event first began at, and was over at; None: it lasted as long as the ride."""

    start: int
    end: int | None


def occurrence(run: Run, name: str) -> Occurrence | None:
    """The first time an event of that name happened; None if it never did."""
    bit = _bit(run, name)
    mask, state = run.signals.get("bench.fault_active"), run.signals.get("bench.state")
    if bit is not None and mask is not None and state is not None and len(mask):
        sound = (mask >= 0.0) & (mask < 2.0**MASK_BITS)  # what is no number is neither
        whole = np.where(sound, mask, 0.0).astype(np.int64)
        active = ((whole >> bit) & 1).astype(bool) & (state == RUNNING)
        if active.any():
            start = int(np.argmax(active))
            over = (state == RUNNING) & ~active
            over[:start] = False
            return Occurrence(start, int(np.argmax(over)) if over.any() else None)
    return _logged(run, name)


def _bit(run: Run, name: str) -> int | None:
    """Number of the event's bit, if it has one."""
    scenario = run.manifest.get("scenario")
    events = scenario.get("events") if isinstance(scenario, dict) else None
    names = [e.get("name") if isinstance(e, dict) else None for e in events or ()]
    return names.index(name) if name in names[:MASK_BITS] else None


def _logged(run: Run, name: str) -> Occurrence | None:
    lines = [e for e in run.events if e.name == name or e.name.startswith(f"{name}: ")]
    starts = [e.tick for e in lines if not e.kind.endswith("_off")]
    if not starts or not len(run.tick) or not run.tick[0] <= starts[0] <= run.tick[-1]:
        return None
    ends = [e.tick for e in lines if e.kind.endswith("_off") and e.tick >= starts[0]]
    end = int(np.searchsorted(run.tick, ends[0])) if ends else None
    return Occurrence(
        int(np.searchsorted(run.tick, starts[0])), end if end is None or end < len(run.tick) else None
    )
