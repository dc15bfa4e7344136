"""The ride from above: target, true and estimated path, patches, events, worst instants."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.campaign.drawing import (
    GREY,
    INK,
    MAX_POINTS,
    ORANGE,
    PURPLE,
    Figure,
    keep_extremes,
    path_trace,
    plain,
    plain_layout,
    point_trace,
)
from emulator.campaign.event_bands import Band
from emulator.campaign.verdict import CriterionResult
from emulator.record.reader import Run


def plan_view(run: Run, bands: Sequence[Band], criteria: Sequence[CriterionResult]) -> Figure:
    """The ride from above [m]: target, true and estimated path, patches, faults, worst instants.

    The target path is ``manifest['line']`` (lists x_m, y_m); patches are ``manifest['patches']`` (name,
    from_m, to_m, grip), by station along it.
    """
    data: list[dict[str, Any]] = []
    line = _target(run)
    if line is not None:
        data += _patches(run, line)
        data.append(path_trace(line[:, 0], line[:, 1], "target path", GREY, "dash", 1.5))
    x, y = (run.signals.get(name, np.empty(0)) for name in ("truth.x_m", "truth.y_m"))
    if len(x):
        ex, ey = (run.signals.get(f"robot.estimate_{a}_m", np.full(len(x), np.nan)) for a in "xy")
        rows = _thin_path(x, y, x)
        data.append(path_trace(x[rows], y[rows], "true path", INK, "solid", 2.2))
        rows = _thin_path(ex, ey, np.hypot(ex - x, ey - y))
        label = "estimate" if np.isfinite(ex).any() else "estimate: not recorded"
        data.append(path_trace(ex[rows], ey[rows], label, ORANGE, "dash", 1.6))
        data += _places(run, x, y, bands, criteria)
    layout = plain_layout("east / m", "north / m", 520)
    layout["xaxis"] |= {"constrain": "domain"}
    layout["yaxis"] |= {"scaleanchor": "x", "scaleratio": 1, "constrain": "domain"}
    return {"data": data, "layout": layout}


def _target(run: Run) -> NDArray[np.float64] | None:
    line = run.manifest.get("line")
    if not isinstance(line, dict) or len(line.get("x_m") or []) < 2:
        return None
    try:
        return np.column_stack([np.asarray(line["x_m"], float), np.asarray(line["y_m"], float)])
    except (KeyError, TypeError, ValueError):
        return None


def _thin_path(
    x: NDArray[np.float64], y: NDArray[np.float64], extra: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Evenly spread samples and the extremes of ``extra``, so a jump of the estimate is not thinned away."""
    n = len(x)
    if n <= MAX_POINTS:
        return np.arange(n)
    even = np.linspace(0, n - 1, MAX_POINTS // 2).astype(np.int64)
    third = MAX_POINTS // 6
    return np.unique(np.concatenate([even, *(keep_extremes(v, third) for v in (x, y, extra))]))


def _patches(run: Run, line: NDArray[np.float64]) -> list[Figure]:
    station = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    out = []
    for patch in run.manifest.get("patches") or []:
        try:
            first, last, grip = float(patch["from_m"]), float(patch["to_m"]), float(patch["grip"])
            name = str(patch["name"])
        except (KeyError, TypeError, ValueError):
            continue
        inside = station[(station > first) & (station < last)]
        at = np.concatenate([[first], inside, [last]])
        x, y = np.interp(at, station, line[:, 0]), np.interp(at, station, line[:, 1])
        out.append(path_trace(x, y, f"{name}, grip {grip:g}", "rgba(27,95,168,0.35)", "solid", 15.0))
        out[-1]["hovertemplate"] = f"{plain(name)}: grip {grip:g}, station {first:g} to {last:g} m"
    return out


def _places(
    run: Run,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    bands: Sequence[Band],
    criteria: Sequence[CriterionResult],
) -> list[Figure]:
    time_s = run.time_s
    out = [point_trace(x[:1], y[:1], ["start"], "start", "square", INK)]
    for band in bands:
        rows = np.flatnonzero((time_s >= band.from_s) & (time_s <= band.to_s))
        if len(rows):
            rows = rows[:: max(len(rows) // 200, 1)]
            stretch = path_trace(x[rows], y[rows], "fault active", "rgba(217,115,13,0.55)", "dash", 6.0)
            out.append(stretch | {"showlegend": False, "hovertemplate": plain(f"{band.label} {band.name}")})
    rows = np.searchsorted(time_s, [b.from_s for b in bands]).clip(0, len(x) - 1)
    if len(rows):
        out.append(point_trace(x[rows], y[rows], [b.label for b in bands], "event begins", "x", "#7a3d00"))
    judged = [c for c in criteria if c.worst_time_s is not None and c.kind != "no_fall"]
    rows = np.searchsorted(time_s, [c.worst_time_s or 0.0 for c in judged]).clip(0, len(x) - 1)
    if len(rows):
        names = [f"worst {c.name}" for c in judged]
        worst = point_trace(x[rows], y[rows], names, "worst instants", "diamond-open", PURPLE)
        out.append(worst | {"textposition": "bottom center"})  # clear of the faults' labels
    if len(fallen := np.flatnonzero(run.signals.get("truth.fallen", np.zeros(1)) > 0)):
        out.append(point_trace(x[fallen[:1]], y[fallen[:1]], ["fell"], "fell", "star", "#a01818"))
    return out
