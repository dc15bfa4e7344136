"""The figures of a run report, as plain plotly figure dictionaries.

Built as dictionaries rather than through plotly's graph objects: those validate every property in Python,
which takes longer than everything else in a report together, and the browser does it again anyway.
Numbers travel as base64 of little-endian float32, the form plotly.js calls a typed-array specification.

Every trace differs from its neighbours in dash or marker and not by colour alone; the four colours were
chosen to differ in lightness too. Fault bands carry a dashed edge and a number.
"""

from __future__ import annotations

import base64
import html
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.campaign.place import KNOWN_TO_M, place_errors
from emulator.campaign.verdict import CriterionResult
from emulator.record.reader import Run

Figure: TypeAlias = dict[str, Any]

MAX_POINTS = 3000
"""Most points of one trace."""

INK, BLUE, ORANGE, PURPLE, GREY = "#1c2430", "#1b5fa8", "#d9730d", "#8c3a80", "#7b8592"
_BAND_FILL, _BAND_EDGE = "rgba(217,115,13,0.13)", "rgba(150,75,0,0.8)"
_FONT = {
    "family": "system-ui, -apple-system, 'Segoe UI', 'DejaVu Sans', sans-serif",
    "size": 12,
    "color": INK,
}


# -- fewer points, same extremes -------------------------------------------------------------------------


def keep_extremes(values: NDArray[np.float64], limit: int = MAX_POINTS) -> NDArray[np.int64]:
    """Which samples to draw: at most ``limit`` rising indices that lose no peak and no gap.

    values   (n,); non-finite means a gap
    Of each of limit/3 equal stretches: the smallest, the largest, and the first missing sample, if any. The
    first and the last sample are always kept.
    """
    n = len(values)
    if n <= limit:
        return np.arange(n)
    bins = max((limit - 2) // 3, 1)
    size = math.ceil(n / bins)
    padded = np.full(bins * size, np.nan)
    padded[:n] = values
    table = padded.reshape(bins, size)
    missing = ~np.isfinite(table)
    starts = np.arange(bins) * size
    lowest = np.where(missing, np.inf, table).argmin(axis=1) + starts
    highest = np.where(missing, -np.inf, table).argmax(axis=1) + starts
    gap = missing.argmax(axis=1) + starts
    gap = gap[missing.any(axis=1)]
    kept = np.unique(np.concatenate([lowest, highest, gap, [0, n - 1]]))
    return kept[kept < n].astype(np.int64)


def _typed(values: NDArray[Any]) -> dict[str, str]:
    return {"dtype": "f4", "bdata": base64.b64encode(np.asarray(values, dtype="<f4").tobytes()).decode()}


def _text(words: str) -> str:
    return html.escape(words, quote=False)


# -- when faults were active -----------------------------------------------------------------------------


LASTING = ("fault", "frame", "actuator", "bus", "restart", "grip", "gust", "gearbox", "gnss")
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


def _band_marks(bands: Sequence[Band]) -> dict[str, list[dict[str, Any]]]:
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


# -- time series -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Trace:
    """How one signal is drawn: name in the record, legend text, scale to the shown unit."""

    signal: str
    label: str
    scale: float
    colour: str
    dash: str = "solid"
    steps: bool = False
    right: bool = False
    marker: str = ""


@dataclass(frozen=True)
class _Panel:
    title: str
    unit: str
    traces: tuple[_Trace, ...]
    right_unit: str = ""
    from_zero: bool = False
    limits: bool = False


_KMH, _DEG, _BAR, _PERCENT, _RPM = 3.6, 180 / math.pi, 1e-5, 100.0, 30 / math.pi

_PANELS: tuple[_Panel, ...] = (
    _Panel(
        "Speed",
        "km/h",
        (
            _Trace("line.target_speed_m_s", "target", _KMH, GREY, "dash"),
            _Trace("truth.speed_m_s", "true", _KMH, INK),
            _Trace("robot.estimate_speed_m_s", "estimate", _KMH, ORANGE, "dot"),
        ),
    ),
    _Panel(
        "Roll, positive to the right",
        "°",
        (
            _Trace("output.lean_rad", "lean sensor", _DEG, BLUE, "dash"),
            _Trace("truth.roll_rad", "true", _DEG, INK),
            _Trace("robot.estimate_roll_rad", "estimate", _DEG, ORANGE, "dot"),
        ),
    ),
    _Panel(
        "Wheel speeds as sent",
        "km/h",
        (
            _Trace("truth.speed_m_s", "true speed", _KMH, INK),
            _Trace("output.wheel_front_m_s", "front wheel", _KMH, BLUE, "dash"),
            _Trace("output.wheel_rear_m_s", "rear wheel", _KMH, ORANGE, "dot"),
        ),
    ),
    _Panel(
        "Offset from the line, positive to its left",
        "m",
        (_Trace("line.offset_m", "offset", 1.0, INK),),
        limits=True,
    ),
    _Panel(
        "Steering torque",
        "N m",
        (
            _Trace("actuator.steering_torque_Nm", "acting on the bike", 1.0, INK),
            _Trace("robot.steering_torque_Nm", "from the robot", 1.0, ORANGE, "dot"),
        ),
    ),
    _Panel(
        "Steering angle, positive to the left",
        "°",
        (
            _Trace("truth.steer_rad", "true", _DEG, INK),
            _Trace("output.steering_angle_rad", "sensor", _DEG, BLUE, "dash"),
        ),
    ),
    _Panel(
        "Throttle (left axis) and brakes (right)",
        "%",
        (
            _Trace("actuator.throttle", "throttle", _PERCENT, INK),
            _Trace("actuator.front_brake_Pa", "front brake", _BAR, BLUE, "dash", right=True),
            _Trace("actuator.rear_brake_Pa", "rear brake", _BAR, ORANGE, "dot", right=True),
        ),
        "bar",
        True,
    ),
    _Panel(
        "Engine speed (left axis) and gear (right)",
        "1/min",
        (
            _Trace("truth.engine_rad_s", "engine", _RPM, INK),
            _Trace("truth.gear", "gear", 1.0, ORANGE, "dash", steps=True, right=True),
        ),
        "gear",
        True,
    ),
    _Panel(
        "Friction use, 1 when sliding",
        "",
        (
            _Trace("truth.friction_use_front", "front", 1.0, BLUE),
            _Trace("truth.friction_use_rear", "rear", 1.0, ORANGE, "dot"),
        ),
        from_zero=True,
    ),
)


def time_series(
    run: Run, bands: Sequence[Band], criteria: Sequence[CriterionResult]
) -> list[tuple[str, Figure]]:
    """(heading, figure) of each panel of signals over time [s]; speeds in km/h, angles in degrees.

    A signal that the record lacks, or that is nowhere finite, is said so in the legend rather than left out.
    """
    limits = [c.limit for c in criteria if c.kind == "distance_from_line" and c.limit is not None]
    return [(panel.title, _panel(run, panel, bands, limits if panel.limits else [])) for panel in _PANELS]


def _panel(run: Run, panel: _Panel, bands: Sequence[Band], limits: Sequence[float]) -> Figure:
    marks = _band_marks(bands)
    time_s = run.time_s
    data = []
    for trace in panel.traces:
        values = run.signals.get(trace.signal)
        label = trace.label
        if values is None or not np.isfinite(values).any():
            values, label = np.full(len(time_s), np.nan), f"{trace.label}: not recorded"
        # Steps are thinned like the rest: an edge is an extreme of its stretch.
        rows = keep_extremes(values)
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": _text(label),
                "x": _typed(time_s[rows]),
                "y": _typed(values[rows] * trace.scale),
                "line": {
                    "color": trace.colour,
                    "width": 1.6,
                    "dash": trace.dash,
                    "shape": "hv" if trace.steps else "linear",
                },
                "yaxis": "y2" if trace.right else "y",
                "hovertemplate": "%{y:.4~g}",
                "connectgaps": False,
            }
        )
    for limit in limits:
        _mark_limit(marks, limit, f"limit {limit:g} m")
    layout = _over_time(run, panel.unit)
    if panel.from_zero:
        layout["yaxis"] |= {"rangemode": "tozero"}
    if panel.right_unit:
        layout["yaxis2"] = {
            "overlaying": "y",
            "side": "right",
            "title": {"text": panel.right_unit, "standoff": 6},
            "rangemode": "tozero",
            "showgrid": False,
            "automargin": True,
            "zeroline": False,
        }
        if panel.right_unit == "gear":
            layout["yaxis2"] |= {"dtick": 1}
    layout |= marks
    return {"data": data, "layout": layout}


def _mark_limit(marks: dict[str, list[dict[str, Any]]], limit: float, words: str) -> None:
    """A line at the limit and one at its negative; the words stand at the upper one."""
    for value, text in ((limit, words), (-limit, "")):
        marks["shapes"].append(
            {
                "type": "line",
                "xref": "paper",
                "yref": "y",
                "x0": 0,
                "x1": 1,
                "y0": value,
                "y1": value,
                "line": {"color": PURPLE, "width": 1.4, "dash": "longdash"},
            }
        )
        marks["annotations"].append(
            {
                "xref": "paper",
                "yref": "y",
                "x": 1,
                "y": value,
                "xanchor": "right",
                "yanchor": "bottom",
                "text": text,
                "showarrow": False,
                "font": {"size": 11, "color": PURPLE},
            }
        )


def _over_time(run: Run, unit: str) -> dict[str, Any]:
    """Layout of a panel over the ride's time."""
    layout = _layout(230)
    layout["hovermode"] = "x unified"
    layout["xaxis"] |= {"title": {"text": "time into the ride / s", "standoff": 4}}
    if len(run.time_s):
        layout["xaxis"] |= {"range": [float(run.time_s[0]), float(run.time_s[-1])]}
    layout["yaxis"] |= {"title": {"text": unit, "standoff": 6}}
    return layout


def place_figure(run: Run, bands: Sequence[Band]) -> Figure | None:
    """Error of the robot's own place [cm] over time, along and across, with what the trade knows it to."""
    errors = place_errors(run)
    if errors is None:
        return None
    marks = _band_marks(bands)
    _mark_limit(marks, KNOWN_TO_M * 100, f"{KNOWN_TO_M * 100:g} cm")
    time_s = run.time_s[errors.rows]
    data = []
    for values, name, colour, dash in (
        (errors.along_m, "along the heading", INK, "solid"),
        (errors.across_m, "across, positive to the left", BLUE, "dot"),
    ):
        rows = keep_extremes(values)
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": name,
                "x": _typed(time_s[rows]),
                "y": _typed(values[rows] * 100),
                "line": {"color": colour, "width": 1.4, "dash": dash},
                "hovertemplate": "%{y:.1f} cm",
            }
        )
    return {"data": data, "layout": _over_time(run, "cm") | marks}


def _axis() -> dict[str, Any]:
    return {
        "gridcolor": "#e3e7ec",
        "linecolor": "#9aa4b0",
        "zerolinecolor": "#b8c0ca",
        "automargin": True,
        "ticks": "outside",
        "ticklen": 4,
    }


def _layout(height: int) -> dict[str, Any]:
    return {
        "height": height,
        "autosize": True,
        "margin": {"l": 52, "r": 14, "t": 6, "b": 40},
        "paper_bgcolor": "#ffffff",
        "plot_bgcolor": "#ffffff",
        "font": _FONT,
        "showlegend": True,
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "xanchor": "left", "yanchor": "bottom"},
        "xaxis": _axis(),
        "yaxis": _axis(),
    }


# -- seen from above -------------------------------------------------------------------------------------


def plan_view(run: Run, bands: Sequence[Band], criteria: Sequence[CriterionResult]) -> Figure:
    """The ride from above [m]: target, true and estimated path, patches, faults, worst instants.

    The target path is ``manifest['line']`` (lists x_m, y_m); patches are ``manifest['patches']`` (name,
    from_m, to_m, grip), by station along it.
    """
    data: list[dict[str, Any]] = []
    line = _target(run)
    if line is not None:
        data += _patches(run, line)
        data.append(_path(line[:, 0], line[:, 1], "target path", GREY, "dash", 1.5))
    x, y = (run.signals.get(name, np.empty(0)) for name in ("truth.x_m", "truth.y_m"))
    if len(x):
        ex, ey = (run.signals.get(f"robot.estimate_{a}_m", np.full(len(x), np.nan)) for a in "xy")
        rows = _thin_path(x, y, x)
        data.append(_path(x[rows], y[rows], "true path", INK, "solid", 2.2))
        rows = _thin_path(ex, ey, np.hypot(ex - x, ey - y))
        label = "estimate" if np.isfinite(ex).any() else "estimate: not recorded"
        data.append(_path(ex[rows], ey[rows], label, ORANGE, "dash", 1.6))
        data += _places(run, x, y, bands, criteria)
    layout = _layout(520)
    layout["hovermode"] = "closest"
    layout["xaxis"] |= {"title": {"text": "east / m", "standoff": 4}, "constrain": "domain"}
    layout["yaxis"] |= {
        "title": {"text": "north / m", "standoff": 6},
        "scaleanchor": "x",
        "scaleratio": 1,
        "constrain": "domain",
    }
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


def _path(x: NDArray[Any], y: NDArray[Any], name: str, colour: str, dash: str, width: float) -> Figure:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": _text(name),
        "x": _typed(x),
        "y": _typed(y),
        "line": {"color": colour, "dash": dash, "width": width},
        "hovertemplate": "%{x:.1f} m east, %{y:.1f} m north",
    }


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
        out.append(_path(x, y, f"{name}, grip {grip:g}", "rgba(27,95,168,0.35)", "solid", 15.0))
        out[-1]["hovertemplate"] = f"{_text(name)}: grip {grip:g}, station {first:g} to {last:g} m"
    return out


def _places(
    run: Run,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    bands: Sequence[Band],
    criteria: Sequence[CriterionResult],
) -> list[Figure]:
    time_s = run.time_s
    out = [_point(x[:1], y[:1], ["start"], "start", "square", INK)]
    for band in bands:
        rows = np.flatnonzero((time_s >= band.from_s) & (time_s <= band.to_s))
        if len(rows):
            rows = rows[:: max(len(rows) // 200, 1)]
            stretch = _path(x[rows], y[rows], "fault active", "rgba(217,115,13,0.55)", "dash", 6.0)
            out.append(stretch | {"showlegend": False, "hovertemplate": _text(f"{band.label} {band.name}")})
    rows = np.searchsorted(time_s, [b.from_s for b in bands]).clip(0, len(x) - 1)
    if len(rows):
        out.append(_point(x[rows], y[rows], [b.label for b in bands], "event begins", "x", "#7a3d00"))
    judged = [c for c in criteria if c.worst_time_s is not None and c.kind != "no_fall"]
    rows = np.searchsorted(time_s, [c.worst_time_s or 0.0 for c in judged]).clip(0, len(x) - 1)
    if len(rows):
        names = [f"worst {c.name}" for c in judged]
        worst = _point(x[rows], y[rows], names, "worst instants", "diamond-open", PURPLE)
        out.append(worst | {"textposition": "bottom center"})  # clear of the faults' labels
    if len(fallen := np.flatnonzero(run.signals.get("truth.fallen", np.zeros(1)) > 0)):
        out.append(_point(x[fallen[:1]], y[fallen[:1]], ["fell"], "fell", "star", "#a01818"))
    return out


def _point(x: NDArray[Any], y: NDArray[Any], texts: list[str], name: str, symbol: str, colour: str) -> Figure:
    return {
        "type": "scatter",
        "mode": "markers+text",
        "name": name,
        "x": x.tolist(),
        "y": y.tolist(),
        "text": [_text(t) for t in texts],
        "textposition": "top center",
        "textfont": {"color": colour, "size": 11},
        "marker": {"symbol": symbol, "size": 11, "color": colour, "line": {"width": 2, "color": colour}},
        "hovertemplate": "%{text}",
        "cliponaxis": False,
    }


# -- how late the loop woke ------------------------------------------------------------------------------


def lateness_histogram(certificate: dict[str, Any]) -> Figure | None:
    """Ticks by lateness [us], both axes logarithmic; None if the certificate has no usable histogram."""
    loop = certificate.get("loop")
    histogram = loop.get("lateness_histogram") if isinstance(loop, dict) else None
    if not isinstance(histogram, dict):
        return None
    try:
        edges = np.asarray(histogram["edges_us"], float)
        counts = np.asarray(histogram["counts"], float)
    except (KeyError, TypeError, ValueError):
        return None
    if len(counts) == 0 or len(edges) != len(counts) + 1 or not np.isfinite(edges).all():
        return None
    # A logarithmic axis has no zero: an empty bin lies on the floor, the first edge just left of the next.
    floor = 0.5
    edges = np.maximum(edges, max(edges[1] / 2, 1e-3))
    height = np.maximum(np.append(counts, counts[-1]), floor)
    data = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": "ticks",
            "x": edges.tolist(),
            "y": height.tolist(),
            "customdata": [int(c) for c in np.append(counts, counts[-1])],
            "line": {"shape": "hv", "color": BLUE, "width": 1.5},
            "fill": "tozeroy",
            "fillcolor": "rgba(27,95,168,0.25)",
            "hovertemplate": "from %{x:.3~g} µs: %{customdata} ticks<extra></extra>",
        }
    ]
    layout = _layout(260)
    layout["showlegend"] = False
    layout["xaxis"] |= {"type": "log", "title": {"text": "woke late by / µs", "standoff": 4}, "dtick": 1}
    top = math.log10(max(float(counts.max()), 1.0)) + 0.2
    layout["yaxis"] |= {
        "type": "log",
        "title": {"text": "ticks", "standoff": 6},
        "range": [math.log10(floor), top],
        "dtick": 1,
    }
    return {"data": data, "layout": layout}
