"""When the scenario's events were active: bands, which figures over time show with their names.

The bit mask ``bench.events_active`` tells it tick by tick (emulator.record.occurrence). What no bit tells of
is taken from the event log by its name. Of kinds of events nothing is known here but which are no faults.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from emulator.core.outside.visible_text import visible
from emulator.record.occurrence import active_bits, lines_of, scenario_events
from emulator.record.reader import Run

_NO_FAULT = frozenset(("mark", "grip", "gust"))  # kinds that no device is to blame for


@dataclass(frozen=True)
class Band:
    """One stretch of time [s] in which a scenario event was active; a mark takes none.

    label  its short name in figures: F for a fault, E for another event, and its number in the scenario
    kind   what it is, in the scenario's words
    fault  whether something is made to fail; gusts, patches and marks are events of a ride
    """

    label: str
    name: str
    from_s: float
    to_s: float
    kind: str = ""
    fault: bool = True


def event_bands(run: Run) -> list[Band]:
    """Bands of the scenario's events in order of time. One that never ended lasts to the record's end."""
    told = scenario_events(run)
    spans = []
    masked = _spans_of_mask(run)
    seen = {number for number, _, _ in masked}
    for number, start, end in [*masked, *_spans_of_log(run, told, seen)]:
        known = number < len(told)
        name = str(told[number].get("name")) if known else f"scenario event {number + 1}"
        spans.append((start, end, number, name, _words(told[number]) if known else ""))
    spans.sort()
    bands = []
    for start, end, number, name, kind in spans:
        fault = number >= len(told) or told[number].get("kind") not in _NO_FAULT
        bands.append(Band(f"{'F' if fault else 'E'}{number + 1}", name, start, end, kind, fault))
    return bands


def shown_bands(bands: Sequence[Band]) -> list[dict[str, Any]]:
    """The same as figures over time read them."""
    return [
        {"label": b.label, "from": b.from_s, "to": b.to_s, "fault": b.fault, "name": visible(b.name)}
        for b in bands
    ]


def _words(event: Mapping[str, Any]) -> str:
    told = [event.get(key) for key in ("kind", "effect", "signal", "frame", "channel", "sensor")]
    return ", ".join(w.replace("_", " ") if i < 2 else w for i, w in enumerate(told) if isinstance(w, str))


def _spans_of_mask(run: Run) -> list[tuple[int, float, float]]:
    """(number of the event, from, to [s]) of every stretch of ones."""
    mask = active_bits(run)
    spans = []
    ever = int(np.bitwise_or.reduce(mask, initial=0))
    for bit in range(ever.bit_length()):
        active = np.concatenate([[0], (mask >> bit) & 1, [0]])
        edges = np.diff(active)
        ends = np.flatnonzero(edges == -1) - 1
        for first, last in zip(np.flatnonzero(edges == 1), ends, strict=True):
            spans.append((bit, float(run.time_s[first]), float(run.time_s[last])))
    return spans


def _spans_of_log(
    run: Run, told: Sequence[Mapping[str, Any]], seen: Collection[int]
) -> list[tuple[int, float, float]]:
    """The same of events that no bit told of: ``.._on`` lasts until ``.._off``, other lines are instants."""
    last_s = float(run.time_s[-1]) if len(run.tick) else 0.0
    spans = []
    for number, event in enumerate(told):
        if number in seen:
            continue
        begun: float | None = None
        for line in lines_of(run, str(event.get("name"))):
            if line.kind.endswith("_off"):
                if begun is not None:
                    spans.append((number, begun, line.time_s))
                begun = None
            elif line.kind.endswith("_on"):
                begun = line.time_s if begun is None else begun
            else:
                spans.append((number, line.time_s, line.time_s))
        if begun is not None:
            spans.append((number, begun, max(last_s, begun)))
    return spans
