"""How figures show criteria: a short name, the limit in the panel of what it bounds, the worst instant."""

from __future__ import annotations

import math

import numpy as np

from emulator.criteria.base import CriterionResult
from emulator.criteria.kinds import kind_of
from emulator.record.reader import Run
from emulator.report.drawing import PURPLE, Figure, keep_extremes, plain, point_trace, typed


def criterion_label(number: int) -> str:
    """Short name of the criterion of that number, from 0, in figures and tables."""
    return f"C{number + 1}"


def subject(c: CriterionResult) -> tuple[str, str]:
    """(signal whose panel it is shown in, what its limit bounds there); empty where there is none."""
    if c.signal:
        return c.signal, c.bounds
    kind = kind_of(c.kind)
    return ("", "") if kind is None else (kind.panel, kind.panel_bounds)


def worst_mark(
    run: Run, signal: str, number: int, c: CriterionResult, *, scale: float, axis: str
) -> list[Figure]:
    """Mark of a criterion's worst instant; nothing if it has none, or there was nothing recorded then."""
    values = run.signals.get(signal)
    if c.worst_time_s is None or values is None or not len(values):
        return []
    row = int(np.searchsorted(run.time_s, c.worst_time_s).clip(0, len(values) - 1))
    if not math.isfinite(values[row]):
        return []
    return [
        point_trace(
            run.time_s[row : row + 1],
            values[row : row + 1] * scale,
            [criterion_label(number)],
            f"worst {criterion_label(number)}",
            "diamond-open",
            PURPLE,
        )
        | {
            "showlegend": False,
            "yaxis": axis,
            "hoverinfo": "skip",
            "hovertemplate": None,
        }
    ]


def limit_around(run: Run, signal: str, limit: float, words: str, *, scale: float) -> list[Figure]:
    """Lines at a distance from a signal, either side; one entry of the legend."""
    values = run.signals.get(signal)
    if values is None:
        return []
    rows = keep_extremes(values)
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "name": plain(words),
            "showlegend": side > 0,
            "x": typed(run.time_s[rows]),
            "y": typed(values[rows] * scale + side * limit),
            "line": {"color": PURPLE, "width": 1, "dash": "longdash"},
            "yaxis": "y",
            "hoverinfo": "skip",
        }
        for side in (1.0, -1.0)
    ]


def limit_lines(
    run: Run,
    limit: float,
    words: str,
    bounds: str = "both",
    *,
    c: CriterionResult | None = None,
    axis: str = "y",
) -> list[Figure]:
    """A line at the limit, over the time it counts in, and with ``both`` one at its negative."""
    if not len(run.time_s):
        return []
    from_s, to_s = (None, None) if c is None else (c.from_s, c.to_s)
    first = float(run.time_s[0]) if from_s is None else float(from_s)
    last = float(run.time_s[-1]) if to_s is None else float(to_s)
    x: list[float | None] = [first, last]
    y: list[float | None] = [limit, limit]
    if bounds == "both":
        x, y = [*x, None, first, last], [*y, None, -limit, -limit]
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "name": plain(words),
            "x": x,
            "y": y,
            "line": {"color": PURPLE, "width": 1.4, "dash": "longdash"},
            "yaxis": axis,
            "hoverinfo": "skip",
        }
    ]
