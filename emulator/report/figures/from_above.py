"""The ride from above: target, true and estimated path, patches, events, worst instants, what happened."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from emulator.core.outside.visible_text import visible
from emulator.criteria.base import CriterionResult
from emulator.record.reader import Run
from emulator.report.bands import Band
from emulator.report.figures.columns import column
from emulator.report.figures.drawing import (
    BLUE,
    GREY,
    INK,
    MAX_POINTS,
    ORANGE,
    PURPLE,
    RED,
    Figure,
    axis,
    curve,
    keep_extremes,
    path,
    places,
    plane,
)
from emulator.report.marks import criterion_label

Array = NDArray[np.float64]

_CLOSED_GAP = 3.0  # a line whose ends are within so many of its steps is a lap
_PATTERNS = ("/", "\\", "x", "-", "+", ".")
_MOST_FIXES = 600
_NEAR = 0.06  # of the plan's size: marks nearer than this share their words


def plan_view(run: Run, bands: Sequence[Band], criteria: Sequence[CriterionResult]) -> Figure:
    """The ride from above [m], both axes to the same scale.

    The target path is ``manifest['line']`` (lists x_m, y_m), a lap or open; patches are
    ``manifest['patches']`` (name, from_m, to_m, left_m, right_m, grip), areas by station and offset along it.
    """
    data: list[Figure] = []
    line = _target(run)
    if line is not None:
        data += _patches(run, line)
        data.append(path(line[:, 0], line[:, 1], "target path", GREY, "dash", 1.5))
    x, y = (run.signals.get(name, np.empty(0)) for name in ("truth.x_m", "truth.y_m"))
    if len(x) and len(y):
        nowhere = np.broadcast_to(np.nan, len(x))
        ex, ey = (run.signals.get(f"robot.estimate_{a}_m", nowhere) for a in "xy")
        data += _sent(run)  # below the path: what lies on it is no news
        rows = _thin_path(x, y, x)
        data.append(path(x[rows], y[rows], "true path", INK, "solid", 2.2))
        rows = _thin_path(ex, ey, np.hypot(ex - x, ey - y))
        label = "estimate" if np.isfinite(ex).any() else "estimate: not recorded"
        data.append(path(ex[rows], ey[rows], label, ORANGE, "dash", 1.6))
        data += _places(run, x, y, bands, criteria)
    return plane(
        axis("east / m"),
        axis("north / m"),
        data,
        equal=True,
        aspect=_aspect(line, x, y),
        height=560,
        zoom=True,
    )


def _aspect(line: Array | None, x: Array, y: Array) -> float:
    """Height over width of what is drawn."""
    xs, ys = [x], [y]
    if line is not None:
        xs, ys = [*xs, line[:, 0]], [*ys, line[:, 1]]
    east, north = (np.concatenate(v) for v in (xs, ys))
    east, north = east[np.isfinite(east)], north[np.isfinite(north)]
    if not len(east) or not len(north) or np.ptp(east) <= 0.0:
        return 1.0
    return round(float(np.clip(np.ptp(north) / np.ptp(east), 0.2, 1.6)), 3)


def _target(run: Run) -> Array | None:
    """East, north and station (n, 3) of the target path; of a lap its first point once more at the end."""
    line = run.manifest.get("line")
    if not isinstance(line, Mapping) or len(line.get("x_m") or []) < 2:
        return None
    try:
        xy = np.column_stack([np.asarray(line["x_m"], float), np.asarray(line["y_m"], float)])
    except (KeyError, TypeError, ValueError):
        return None
    steps = np.hypot(*np.diff(xy, axis=0).T)
    gap = float(np.hypot(*(xy[0] - xy[-1])))
    closed = line.get("closed")
    if closed if isinstance(closed, bool) else gap <= _CLOSED_GAP * float(np.median(steps)):
        xy, steps = np.vstack([xy, xy[:1]]), np.append(steps, gap)
    # Rounded, a lap may end on its first point: a place that is there twice has no direction between the two.
    on = np.concatenate([[True], steps > 0.0])
    target: Array = np.column_stack([xy, np.concatenate([[0.0], np.cumsum(steps)])])[on]
    return target


def _thin_path(x: Array, y: Array, extra: Array) -> NDArray[np.int64]:
    """Evenly spread samples and the extremes of ``extra``, so a jump of the estimate is not thinned away."""
    n = len(x)
    if n <= MAX_POINTS:
        return np.arange(n)
    even = np.linspace(0, n - 1, MAX_POINTS // 2).astype(np.int64)
    third = MAX_POINTS // 6
    return np.unique(np.concatenate([even, *(keep_extremes(v, third) for v in (x, y, extra))]))


def _patches(run: Run, line: Array) -> list[Figure]:
    out = []
    for number, patch in enumerate(run.manifest.get("patches") or []):
        try:
            name, grip = str(patch["name"]), float(patch["grip"])
            first, last = (patch.get(key) for key in ("from_m", "to_m"))
            first = 0.0 if first is None else float(first)
            last = float(line[-1, 2]) if last is None else float(last)
            left, right = float(patch.get("left_m", 3.0)), float(patch.get("right_m", -3.0))
        except (AttributeError, KeyError, TypeError, ValueError):
            continue
        if not all(map(math.isfinite, (first, last, left, right))):
            continue
        x, y = _area(line, first, last, left, right)
        out.append(
            curve(
                f"{name}, grip {grip:g}",
                column(x, 0.01),
                column(y, 0.01),
                BLUE,
                width=4,  # broad enough to be seen in the whole plan, where a road is a few pixels wide
                fill="self",
                hatch=_PATTERNS[number % len(_PATTERNS)],
                tip=visible(f"{name}: grip {grip:g}, station {first:g} to {last:g} m"),
                quiet=True,
            )
        )
    return out


def _area(line: Array, first: float, last: float, left: float, right: float) -> tuple[Array, Array]:
    """Outline of a stretch of road, ``first`` after ``last`` across the lap's end: out on one side, back on
    the other, with a gap between the pieces."""
    station, end = line[:, 2], float(line[-1, 2])
    along = np.gradient(line[:, :2], station, axis=0)
    along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    xs: list[Array] = []
    ys: list[Array] = []
    for a, b in ((first, last),) if first <= last else ((first, end), (0.0, last)):
        at = np.concatenate([[a], station[(station > a) & (station < b)], [b]])
        x, y, tx, ty = (np.interp(at, station, v) for v in (line[:, 0], line[:, 1], *along.T))
        outline_x = np.concatenate([x - left * ty, (x - right * ty)[::-1]])
        outline_y = np.concatenate([y + left * tx, (y + right * tx)[::-1]])
        xs += [outline_x, outline_x[:1], np.array([np.nan])]
        ys += [outline_y, outline_y[:1], np.array([np.nan])]
    return np.concatenate(xs)[:-1], np.concatenate(ys)[:-1]


def _sent(run: Run) -> list[Figure]:
    """Fixes as they were sent, of many some; the receiver's antenna is not the bike's reference point."""
    east, north = (run.signals.get(f"output.gnss_{a}_m", np.empty(0)) for a in "xy")
    if not len(east) or not len(north):
        return []
    with np.errstate(invalid="ignore"):
        fresh = np.flatnonzero((np.diff(east) != 0.0) | (np.diff(north) != 0.0)) + 1
    fresh = fresh[np.isfinite(east[fresh]) & np.isfinite(north[fresh])]
    fresh = fresh[:: max(math.ceil(len(fresh) / _MOST_FIXES), 1)]
    if not len(fresh):
        return []
    at = (column(east[fresh], 0.01), column(north[fresh], 0.01))
    return [curve("sent, GNSS", *at, BLUE, symbol="circle", size=3)]


def _places(
    run: Run, x: Array, y: Array, bands: Sequence[Band], criteria: Sequence[CriterionResult]
) -> list[Figure]:
    time_s = run.time_s
    out = [places(x[:1], y[:1], ["start"], "start", "square", INK)]
    for band in bands:
        rows = np.flatnonzero((time_s >= band.from_s) & (time_s <= band.to_s))
        if len(rows) and band.to_s > band.from_s:
            rows = rows[:: max(len(rows) // 200, 1)]
            stretch = path(x[rows], y[rows], f"{band.label} {band.name}", ORANGE, "solid", 7.0)
            out.append(stretch | {"legend": False, "opacity": 0.45})

    def marked(times: Sequence[float], words: Sequence[str], name: str, symbol: str, colour: str) -> Figure:
        rows = np.searchsorted(time_s, times).clip(0, len(x) - 1)
        return places(x[rows], y[rows], _shared(x, y, rows, words), name, symbol, colour)

    for fault, name, symbol, colour in (
        (True, "fault begins", "cross", ORANGE),
        (False, "event begins", "triangle-open", BLUE),
    ):
        of = [b for b in bands if b.fault is fault]
        if of:
            out.append(marked([b.from_s for b in of], [b.label for b in of], name, symbol, colour))
    judged = [(i, c) for i, c in enumerate(criteria) if c.worst_time_s is not None and c.kind != "no_fall"]
    if judged:
        words = [criterion_label(i) for i, _ in judged]
        times = [c.worst_time_s or 0.0 for _, c in judged]
        out.append(marked(times, words, "criterion, worst", "diamond-open", PURPLE))
    down_s = min((e.time_s for e in run.events if e.kind == "fall"), default=math.inf)
    slides = [e for e in run.events if e.kind == "slide" and e.time_s <= down_s]
    if slides:
        words = [e.tyre for e in slides]
        out.append(marked([e.time_s for e in slides], words, "tyre slid", "circle-open", RED))
    if len(fallen := np.flatnonzero(run.signals.get("truth.fallen", np.zeros(1)) > 0)):
        out.append(places(x[fallen[:1]], y[fallen[:1]], ["fell"], "fell", "star", RED))
    return out


def _shared(x: Array, y: Array, rows: NDArray[np.int64], words: Sequence[str]) -> list[str]:
    """Words of marks, those of marks that would lie on each other at the first of them."""
    near = _NEAR * max(float(np.ptp(x)), float(np.ptp(y)), 1.0)
    leaders: list[int] = []
    texts = ["" for _ in words]
    for i, row in enumerate(rows):
        at = next((j for j in leaders if math.hypot(x[rows[j]] - x[row], y[rows[j]] - y[row]) < near), None)
        if at is None:
            leaders.append(i)
            texts[i] = words[i]
        elif words[i] not in texts[at].split():
            texts[at] += f" {words[i]}"
    return texts
