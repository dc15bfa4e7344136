"""Figures of the timing certificate and the bus budget, in the form of :mod:`emulator.report.drawing`."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.report.drawing import BLUE, GREY, INK, ORANGE, Figure, axis, plain, plain_layout

_LINEAR_ms = 0.01
"""Ages off by less are drawn to a linear scale, by more to a logarithmic one."""
_TICKS_ms = (-100.0, -10.0, -1.0, -0.1, 0.0, 0.1, 1.0, 10.0, 100.0, 1000.0)
_ROW, _FEET = 46, 60  # [px]


def _place(off_ms: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where an age that is off by so much stands on the axis: decades either way, linear in the middle."""
    out: NDArray[np.float64] = np.sign(off_ms) * np.log10(1.0 + np.abs(off_ms) / _LINEAR_ms)
    return out


def age_histograms(certificate: Mapping[str, Any]) -> Figure | None:
    """Samples by how far their age was off the promised latency, an output a row; None if there are none.

    Counts are to a logarithmic scale of each row's own: what counts is how far the tails reach.
    """
    rows = []
    outputs = certificate.get("outputs")
    for name, kept in (outputs if isinstance(outputs, Mapping) else {}).items():
        usable = _histogram(kept)
        if usable is not None:
            rows.append((str(name), *usable))
    if not rows:
        return None
    n = len(rows)
    layout = plain_layout("age less latency / ms", height=_ROW * n + _FEET)
    layout |= {"showlegend": False, "annotations": []}
    layout["xaxis"] |= {
        "tickvals": _place(np.array(_TICKS_ms)).tolist(),
        "ticktext": [f"{t:+g}" if t else "0" for t in _TICKS_ms],
        "anchor": f"y{n}" if n > 1 else "y",
    }
    ends = _place(np.array([min(off[0] for _, off, _ in rows), max(off[-1] for _, off, _ in rows)]))
    # what is of one age, right at the end of the axis, is to be seen too
    layout["xaxis"]["range"] = [round(float(ends[0]) - 0.08, 3), round(float(ends[1]) + 0.08, 3)]
    data = []
    for i, (name, off, counts) in enumerate(rows):
        name_of = "y" if i == 0 else f"y{i + 1}"
        top = 1.0 - i / n
        x, y = _place(off), np.maximum(np.append(counts, counts[-1]), 0.5)
        if x[-1] - x[0] < 0.03:  # all of one age: still to be seen
            x = x + np.linspace(-0.015, 0.015, len(x))
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": name,
                "x": [round(float(v), 4) for v in x],
                "y": y.tolist(),
                "yaxis": name_of,
                "customdata": [[int(c), round(float(o), 4)] for c, o in zip([*counts, 0], off, strict=True)],
                "line": {"shape": "hv", "color": BLUE, "width": 1.5},
                "fill": "tozeroy",
                "fillcolor": "rgba(27,95,168,0.25)",
                "hovertemplate": "from %{customdata[1]:+.3f} ms: %{customdata[0]} samples"
                "<extra>%{fullData.name}</extra>",
            }
        )
        layout["yaxis" if i == 0 else f"yaxis{i + 1}"] = axis() | {
            "type": "log",
            "range": [math.log10(0.5), math.log10(max(float(counts.max()), 1.0)) + 0.1],
            "domain": [top - 0.97 / n, top - 0.4 / n],
            "showticklabels": False,
            "showgrid": False,
            "ticks": "",
        }
        layout["annotations"].append(
            {
                "text": plain(name),
                "xref": "paper",
                "yref": "paper",
                "x": 0,
                "y": top,
                "xanchor": "left",
                "yanchor": "top",
                "showarrow": False,
                "font": {"size": 11, "color": INK},
            }
        )
    return {"data": data, "layout": layout}


def _histogram(kept: object) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Edges of the age less the latency [ms], and counts; None if an output has no usable ones."""
    histogram = kept.get("age_histogram") if isinstance(kept, Mapping) else None
    latency = kept.get("latency_ms") if isinstance(kept, Mapping) else None
    if not isinstance(histogram, Mapping) or not isinstance(latency, int | float):
        return None
    usable = _edges_and_counts(histogram, "edges_ms")
    return None if usable is None else (usable[0] - latency, usable[1])


def _edges_and_counts(
    histogram: Mapping[str, Any], edges_key: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Edges of the bins and what is in them; None if they are no numbers or don't belong together."""
    try:
        edges, counts = (np.asarray(histogram[key], float) for key in (edges_key, "counts"))
    except (KeyError, TypeError, ValueError):
        return None
    if (
        not counts.size
        or counts.ndim != 1
        or edges.shape != (len(counts) + 1,)
        or not np.isfinite(edges).all()
    ):
        return None
    return edges, counts


def lateness_histogram(certificate: dict[str, Any]) -> Figure | None:
    """Ticks by lateness [us], both axes logarithmic; None if the certificate has no usable histogram."""
    loop = certificate.get("loop")
    histogram = loop.get("lateness_histogram") if isinstance(loop, dict) else None
    if not isinstance(histogram, dict):
        return None
    usable = _edges_and_counts(histogram, "edges_us")
    if usable is None:
        return None
    edges, counts = usable
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
    layout = plain_layout("wake-up lateness / µs", "ticks", 260)
    layout["showlegend"] = False
    layout["xaxis"] |= {"type": "log", "dtick": 1}
    top = math.log10(max(float(counts.max()), 1.0)) + 0.2
    layout["yaxis"] |= {
        "type": "log",
        "range": [math.log10(floor), top],
        "dtick": 1,
    }
    return {"data": data, "layout": layout}


def bus_figure(budget: Mapping[str, Any] | None) -> Figure | None:
    """Worst response time of every frame against its deadline, the most urgent on top; None without them."""
    frames = budget.get("frames") if isinstance(budget, Mapping) else None
    if not isinstance(frames, list) or not all(isinstance(f, Mapping) for f in frames) or not frames:
        return None
    names = [str(f.get("name")) for f in frames]
    worst, deadline = ([_number(f.get(key)) for f in frames] for key in ("worst_ms", "deadline_ms"))
    # one that is never over is drawn to the end
    end = 1.1 * max((v for v in (*worst, *deadline) if v is not None), default=1.0)
    layout = plain_layout("ms", height=24 * len(frames) + 90)
    layout["barmode"] = "overlay"
    layout["xaxis"] |= {"range": [0, end]}
    layout["yaxis"] |= {"type": "category", "categoryorder": "array", "categoryarray": names[::-1]}
    data = []
    for label, colour, pattern, ours in (("bench", BLUE, "", True), ("robot", GREY, "/", False)):
        at = [i for i, f in enumerate(frames) if bool(f.get("from_robot")) is not ours and f.get("in_time")]
        data.append(
            _bars(
                f"worst response, {label}",
                colour,
                pattern,
                [names[i] for i in at],
                [worst[i] for i in at],
                end,
            )
        )
    missed = [i for i, f in enumerate(frames) if not f.get("in_time")]
    if missed:
        bars = [worst[i] for i in missed]
        data.append(_bars("not in time at worst", ORANGE, "x", [names[i] for i in missed], bars, end))
    data.append(
        {
            "type": "scatter",
            "mode": "markers",
            "name": "deadline",
            "x": deadline,
            "y": names,
            "marker": {"symbol": "line-ns", "size": 16, "line": {"width": 2.5, "color": INK}},
            "hovertemplate": "%{y}: deadline %{x:.3~g} ms<extra></extra>",
        }
    )
    return {"data": data, "layout": layout}


def _bars(
    label: str, colour: str, pattern: str, names: list[str], worst: list[float | None], end: float
) -> dict[str, Any]:
    return {
        "type": "bar",
        "orientation": "h",
        "name": label,
        "x": [end if v is None else v for v in worst],
        "y": names,
        "text": ["never" if v is None else "" for v in worst],
        "marker": {
            "color": colour,
            "pattern": {"shape": pattern, "bgcolor": colour, "fgcolor": "#fff", "solidity": 0.25},
        },
        "hovertemplate": "%{y}: at worst %{x:.3~g} ms<extra></extra>",
    }


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
