"""When the scenario's events were active, and how figures over time show it: bands with edge and name.

The bit mask ``bench.events_active`` tells it tick by tick (emulator.record.occurrence). What no bit tells of
is taken from the event log by its name. Nothing here knows kinds of events; they are words.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from emulator.record.occurrence import active_bits, lines_of, scenario_events
from emulator.record.reader import Run

LANES = 5
"""Bands at one time that can be told apart in a figure; a sixth lies on the first."""

_FILL, _EDGE, _WORD = "rgba(217,115,13,0.11)", "rgba(150,75,0,0.8)", "#7a3d00"
_DASHES = ("dash", "dot", "dashdot", "longdash", "longdashdot")
_STEP = 0.115  # of a panel's height from lane to lane: a line of text
_WORD_WIDTH = 0.035  # of the ride: what a label takes


@dataclass(frozen=True)
class Band:
    """One stretch of time [s] in which a scenario event was active; a mark takes none.

    label  its short name in figures: F and the event's number in the scenario
    kind   what it is, in the scenario's words
    lane   from 0; bands that overlap, or whose labels would, are in different lanes
    """

    label: str
    name: str
    from_s: float
    to_s: float
    kind: str = ""
    lane: int = 0


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
    width = _WORD_WIDTH * (float(run.time_s[-1] - run.time_s[0]) if len(run.tick) else 0.0)
    free: list[float] = []
    bands = []
    for start, end, number, name, kind in spans:
        lane = next((i for i, until in enumerate(free) if until < start), len(free))
        free[lane : lane + 1] = [max(end, start + width)]
        bands.append(Band(f"F{number + 1}", name, start, end, kind, lane % LANES))
    return bands


def _words(event: Mapping[str, Any]) -> str:
    told = [event.get(key) for key in ("kind", "effect", "signal")]
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


def band_marks(bands: Sequence[Band]) -> dict[str, list[dict[str, Any]]]:
    """Shapes and annotations of a figure over time [s]: a lane lower, a step lower and another dash."""
    shapes: list[dict[str, Any]] = []
    labels: list[dict[str, Any]] = []
    for band in bands:
        top = 1.0 - _STEP * band.lane
        dash = _DASHES[band.lane % len(_DASHES)]
        place = {"xref": "x", "yref": "paper", "x0": band.from_s, "x1": band.to_s, "y0": 0, "y1": top}
        edge = {"color": _EDGE, "width": 1, "dash": dash}
        if band.to_s > band.from_s:
            shapes.append({"type": "rect", "fillcolor": _FILL, "line": edge, "layer": "below", **place})
        else:
            shapes.append({"type": "line", "line": edge, "layer": "below", **place})
        labels.append(
            {
                "xref": "x",
                "yref": "paper",
                "x": band.from_s,
                "y": top,
                "xanchor": "left",
                "yanchor": "top",
                "text": band.label,
                "showarrow": False,
                "font": {"size": 11, "color": _WORD},
                "bgcolor": "rgba(255,255,255,0.75)",
                "borderpad": 0,
            }
        )
    return {"shapes": shapes, "annotations": labels}
