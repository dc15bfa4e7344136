"""When an event of the scenario began and ended in a record.

The bit mask ``bench.events_active`` tells it tick by tick: bit i is event i of the manifest's scenario.
Events beyond its bits, and records without it, have the lines of the event log: they begin with the name.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.signals import EVENT_BITS, RUNNING

if TYPE_CHECKING:  # who only names criteria needs no reader of records
    from emulator.record.reader import Event, Run


class Occurrence(NamedTuple):
    """Rows of the record an event first began at, and was over at; None: it lasted as long as the ride."""

    start: int
    end: int | None


def scenario_events(run: Run) -> list[Mapping[str, Any]]:
    """The scenario's events as the manifest has them, in their order; empty mappings for what is none."""
    scenario = run.manifest.get("scenario")
    events = scenario.get("events") if isinstance(scenario, Mapping) else None
    return [e if isinstance(e, Mapping) else {} for e in events] if isinstance(events, list) else []


def active_bits(run: Run) -> NDArray[np.int64]:
    """(n,) the mask of active events of each row; 0 where it is no number a mask can be, and without one."""
    mask = run.signals.get("bench.events_active", np.zeros(len(run.tick)))
    valid = (mask >= 0.0) & (mask < 2.0**EVENT_BITS)
    return np.where(valid, mask, 0.0).astype(np.int64)


def lines_of(run: Run, name: str) -> list[Event]:
    """Lines of the event log about the event of that name."""
    return [e for e in run.events if e.name == name or e.name.startswith(f"{name}: ")]


def occurrence(run: Run, name: str) -> Occurrence | None:
    """The first time an event of that name happened; None if it never did."""
    names = [event.get("name") for event in scenario_events(run)][:EVENT_BITS]
    mask, state = active_bits(run), run.signals.get("bench.state")
    if name in names and state is not None:
        active = ((mask >> names.index(name)) & 1).astype(bool) & (state == RUNNING)
        if active.any():
            start = int(np.argmax(active))
            over = (state == RUNNING) & ~active
            over[:start] = False
            return Occurrence(start, int(np.argmax(over)) if over.any() else None)
    return _logged(run, name)


def _logged(run: Run, name: str) -> Occurrence | None:
    lines = lines_of(run, name)
    starts = [e.tick for e in lines if not e.kind.endswith("_off")]
    if not starts or not len(run.tick) or not run.tick[0] <= starts[0] <= run.tick[-1]:
        return None
    ends = [e.tick for e in lines if e.kind.endswith("_off") and e.tick >= starts[0]]
    end = int(np.searchsorted(run.tick, ends[0])) if ends else None
    return Occurrence(
        int(np.searchsorted(run.tick, starts[0])), end if end is None or end < len(run.tick) else None
    )
