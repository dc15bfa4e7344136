"""How figures show criteria: a short name, the limit where and when it counts, the worst instant."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from emulator.criteria.base import CriterionResult
from emulator.criteria.kinds import kind_of
from emulator.record.reader import Run
from emulator.report.figures.columns import Column
from emulator.report.figures.drawing import PURPLE, Figure, curve
from emulator.report.figures.panels import NEVER_NEGATIVE


def criterion_label(number: int) -> str:
    """Short name of the criterion of that number, from 0, in figures and tables."""
    return f"C{number + 1}"


def subject(c: CriterionResult) -> tuple[str, str]:
    """(signal whose panel it is shown in, what its limit bounds there); empty where there is none."""
    if c.signal:
        return c.signal, c.bounds
    kind = kind_of(c.kind)
    return ("", "") if kind is None else (kind.panel, kind.panel_bounds)


def looked_at(run: Run, c: CriterionResult) -> tuple[float, float]:
    """First and last instant [s] that a criterion looked at."""
    ends = (float(run.time_s[0]), float(run.time_s[-1])) if len(run.time_s) else (0.0, 0.0)
    return (ends[0] if c.from_s is None else float(c.from_s), ends[1] if c.to_s is None else float(c.to_s))


def worst_mark(run: Run, signal: str, number: int, c: CriterionResult, factor: float) -> list[dict[str, Any]]:
    """Mark of a criterion's worst instant; nothing if it has none, or there was nothing recorded then."""
    values = run.signals.get(signal)
    if c.worst_time_s is None or values is None or not len(values):
        return []
    row = int(np.searchsorted(run.time_s, c.worst_time_s).clip(0, len(values) - 1))
    if not math.isfinite(values[row]):
        return []
    return [{"x": float(run.time_s[row]), "y": float(values[row]) * factor, "text": criterion_label(number)}]


def corridor(
    run: Run, signal: str, limit: float, words: str, c: CriterionResult, factor: float
) -> list[Figure]:
    """Lines at a distance from a signal, either side, while it counts."""
    values = run.signals.get(signal)
    if values is None:
        return []
    first, last = looked_at(run, c)
    rows = np.flatnonzero((run.time_s >= first) & (run.time_s <= last))
    rows = rows[:: max(len(rows) // 2000, 1)]
    return [
        curve(
            words if side > 0 else "",
            Column(run.time_s[rows], 1e-3),
            values[rows] * factor + side * limit,
            PURPLE,
            dash="longdash",
            width=1.0,
        )
        for side in (1.0, -1.0)
    ]


def limit_lines(
    run: Run, signal: str, limit: float, words: str, bounds: str, c: CriterionResult
) -> dict[str, Any]:
    """The limit over the time it counts in; with ``both`` its negative as well, if the signal has one."""
    other = bounds == "both" and signal not in NEVER_NEGATIVE
    return {"name": words, "x": list(looked_at(run, c)), "y": [limit, -limit] if other else [limit]}
