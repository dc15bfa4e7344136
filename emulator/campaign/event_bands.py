"""When the scenario's events were active, and how figures over time show it: bands with edge and name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from emulator.record.reader import Run

_BAND_FILL, _BAND_EDGE = "rgba(217,115,13,0.13)", "rgba(150,75,0,0.8)"

LASTING = ("fault", "grip", "gust", "gearbox", "gnss")
"""Kinds of events that last; the log tells them as ``<kind>_on`` and ``<kind>_off``."""


@dataclass(frozen=True)
class Band:
    """One stretch of time in which a scenario event was active; ``label`` is its short name in figures."""

    label: str
    name: str
    from_s: float
    to_s: float


def fault_bands(run: Run) -> list[Band]:
    """Bands of the scenario's events from the event log; from ``bench.fault_active`` where the log has none.

    An event that never ended lasts to the end of the record.
    """
    end_s = float(run.time_s[-1]) if len(run.tick) else 0.0
    spans: list[tuple[float, float, str]] = []
    running: dict[str, float] = {}
    for event in run.events:
        kind, _, edge = event.kind.rpartition("_")
        if kind not in LASTING:
            continue
        if edge == "on":
            running.setdefault(event.name, event.time_s)
        elif edge == "off" and event.name in running:
            spans.append((running.pop(event.name), event.time_s, event.name))
    spans += [(start, max(end_s, start), name) for name, start in running.items()]
    if not spans and "bench.fault_active" in run.signals:
        spans = _spans_of_mask(run)
    spans.sort()
    names = list(dict.fromkeys(name for _, _, name in spans))
    return [Band(f"F{names.index(name) + 1}", name, start, end) for start, end, name in spans]


def _spans_of_mask(run: Run) -> list[tuple[float, float, str]]:
    mask = np.nan_to_num(run.signals["bench.fault_active"], nan=0.0, posinf=0.0, neginf=0.0).astype(np.int64)
    spans = []
    ever = int(np.bitwise_or.reduce(mask, initial=0))
    for bit in range(ever.bit_length()):
        active = np.concatenate([[0], (mask >> bit) & 1, [0]])
        edges = np.diff(active)
        ends = np.flatnonzero(edges == -1) - 1
        for first, last in zip(np.flatnonzero(edges == 1), ends, strict=True):
            spans.append((float(run.time_s[first]), float(run.time_s[last]), f"scenario event {bit + 1}"))
    return spans


def band_marks(bands: Sequence[Band]) -> dict[str, list[dict[str, Any]]]:
    """Shapes and annotations of a figure over time [s]."""
    shapes: list[dict[str, Any]] = []
    labels: list[dict[str, Any]] = []
    for band in bands:
        shapes.append(
            {
                "type": "rect",
                "xref": "x",
                "yref": "paper",
                "x0": band.from_s,
                "x1": band.to_s,
                "y0": 0,
                "y1": 1,
                "fillcolor": _BAND_FILL,
                "line": {"color": _BAND_EDGE, "width": 1, "dash": "dash"},
                "layer": "below",
            }
        )
        labels.append(
            {
                "xref": "x",
                "yref": "paper",
                "x": band.from_s,
                "y": 1,
                "xanchor": "left",
                "yanchor": "top",
                "text": band.label,
                "showarrow": False,
                "font": {"size": 11, "color": "#7a3d00"},
            }
        )
    return {"shapes": shapes, "annotations": labels}
