"""What an import shows: a table for a terminal, and one page that needs nothing else.

No curve is told by colour alone: points are dots, the line is drawn through, marks have their words.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.console import Group, RenderableType
from rich.text import Text

from emulator.record.writer import write_whole
from emulator.report.drawing import (
    BLUE,
    GREY,
    INK,
    ORANGE,
    PURPLE,
    Figure,
    keep_extremes,
    path_trace,
    plain_layout,
    point_trace,
    typed,
)
from emulator.report.page import page_html
from emulator.report.terminal_table import terminal_table
from emulator.survey.circuit_file import origin_text
from emulator.survey.circuit_import import Imported
from emulator.survey.points import short_name

HEADS = ("what", "is")


def write_import(found: Imported, path: Path) -> None:
    """Write the page. Raises RunFailed if the file can't be written."""
    write_whole(path, import_html(found))


def rows(found: Imported) -> list[list[str]]:
    """What came out, a row each."""
    line, points, k = found.line, found.survey.points, found.worst
    ridden = line.station <= found.length_m
    bends = np.where(ridden, np.abs(line.curvature), 0.0)
    tightest = int(np.argmax(bends))
    out = [
        ["line", f"{_kind(found)}, {found.length_m:.2f} m, width {found.circuit.width_m:g} m"],
        ["points", f"{len(found.offsets)} used, {len(found.circuit.points)} in the file"],
        [
            "greatest deviation",
            f"{abs(found.offsets[k]):.3f} m to the {_side(found.offsets[k])} at station "
            f"{found.stations[k]:.1f} m (line {points.lines[k]}); allowed {found.wishes.deviation_m:g} m",
        ],
        ["rms deviation", f"{found.rms_m:.3f} m"],
        [
            "tightest turn",
            f"radius {1.0 / max(bends[tightest], 1e-9):.1f} m at station {line.station[tightest]:.0f} m",
        ],
    ]
    if found.heights is not None:
        h = found.heights
        steepest = int(np.argmax(np.where(ridden, np.abs(h.slope), 0.0)))
        out += [
            [
                "elevation",
                f"{h.elevation[ridden].min():+.1f} to {h.elevation[ridden].max():+.1f} m over station 0, "
                f"steepest {100.0 * h.slope[steepest]:+.1f} % at station {line.station[steepest]:.0f} m",
            ],
            [
                "greatest height error",
                f"{abs(h.errors[h.worst]):.3f} m at station {found.stations[h.worst]:.1f} m "
                f"(line {points.lines[h.worst]}); allowed {found.wishes.elevation_deviation_m:g} m",
            ],
            ["rms height error", f"{math.sqrt(float(np.nanmean(h.errors**2))):.3f} m"],
        ]
    if found.origin is not None:
        out.append(["origin for a scenario", origin_text(found)])
    return out


def console_tables(found: Imported) -> RenderableType:
    """The page's table and remarks for a terminal."""
    parts: list[RenderableType] = [
        terminal_table(f"{found.circuit.name} from {short_name(found.source)}", HEADS, rows(found))
    ]
    return Group(*parts, *(Text(f"note: {remark}") for remark in found.remarks))


def import_html(found: Imported) -> str:
    """The whole page as one HTML document."""
    figures = {
        "plan": plan_figure(found),
        "deviation": deviation_figure(found),
        "curvature": curvature_figure(found),
    }
    if found.heights is not None:
        figures["elevation"] = elevation_figure(found)
    return page_html(
        "circuit_import.html",
        found.circuit.name,
        figures,
        source=short_name(found.source),
        heads=HEADS,
        rows=rows(found),
        remarks=found.remarks,
    )


def _kind(found: Imported) -> str:
    if not found.circuit.closed:
        return "open"
    left = found.line.heading[-1] > found.line.heading[0]
    return "closed, ridden " + ("anticlockwise" if left else "clockwise")


def _side(offset: float) -> str:
    return "left" if offset > 0.0 else "right"


# -- figures -------------------------------------------------------------------------------------------------


def plan_figure(found: Imported) -> Figure:
    """Points, line, its start and where it is furthest from a point, from above [m]."""
    line, k = found.line, found.worst
    plane = found.survey.plane
    every = max(1, len(plane) // 3000)
    ridden = line.station <= found.length_m
    start = found.circuit.points[0]
    data = [
        _dots(plane[::every, 0], plane[::every, 1], "points", "%{x:.1f} m east, %{y:.1f} m north"),
        path_trace(line.x[ridden][::2], line.y[ridden][::2], "line", BLUE, "solid", 2.0),
        point_trace(np.array([start[0]]), np.array([start[1]]), ["station 0"], "start", "triangle-up", INK),
        point_trace(
            plane[[k], 0],
            plane[[k], 1],
            [f"{abs(found.offsets[k]):.2f} m"],
            "greatest deviation",
            "x",
            ORANGE,
        ),
    ]
    layout = plain_layout("east / m", "north / m", 560)
    layout["yaxis"]["scaleanchor"] = "x"
    return {"data": data, "layout": layout}


def deviation_figure(found: Imported) -> Figure:
    """Offsets of the points from the line [m] over station [m], positive to the left, and what is allowed."""
    order = np.argsort(found.stations, kind="stable")
    kept = order[keep_extremes(found.offsets[order])]
    layout = plain_layout("station / m", "point beside the line / m (left positive)", 320)
    layout["shapes"] = [_limit(s * found.wishes.deviation_m) for s in (-1.0, 1.0)]
    dots = _dots(found.stations[kept], found.offsets[kept], "points", "%{x:.1f} m: %{y:+.3f} m")
    return {"data": [dots], "layout": layout}


def curvature_figure(found: Imported) -> Figure:
    """Curvature of the line [1/m] over station [m], positive to the left."""
    trace = _over_station(found, found.line.curvature, "curvature", PURPLE, "%{x:.1f} m: %{y:.5f} 1/m")
    return {"data": [trace], "layout": plain_layout("station / m", "curvature / (1/m)", 320)}


def elevation_figure(found: Imported) -> Figure:
    """Heights of the points and of the road over station 0 [m], over station [m]."""
    assert found.heights is not None
    known = np.flatnonzero(np.isfinite(found.heights.given))
    order = known[np.argsort(found.stations[known], kind="stable")]
    kept = order[keep_extremes(found.heights.given[order])]
    data = [
        _dots(found.stations[kept], found.heights.given[kept], "points", "%{x:.1f} m: %{y:+.2f} m"),
        _over_station(found, found.heights.elevation, "road", BLUE, "%{x:.1f} m: %{y:+.2f} m"),
    ]
    return {"data": data, "layout": plain_layout("station / m", "height / m", 320)}


def _over_station(found: Imported, values: NDArray[np.float64], name: str, colour: str, hover: str) -> Figure:
    ridden = np.flatnonzero(found.line.station <= found.length_m)
    kept = ridden[keep_extremes(values[ridden])]
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": typed(found.line.station[kept]),
        "y": typed(values[kept]),
        "line": {"color": colour, "width": 2.0},
        "hovertemplate": hover,
    }


def _dots(x: NDArray[np.float64], y: NDArray[np.float64], name: str, hover: str) -> Figure:
    return {
        "type": "scatter",
        "mode": "markers",
        "name": name,
        "x": typed(x),
        "y": typed(y),
        "marker": {"symbol": "circle", "size": 4, "color": GREY},
        "hovertemplate": hover,
    }


def _limit(y: float) -> Figure:
    return {
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": y,
        "y1": y,
        "line": {"color": "#a01818", "width": 1, "dash": "dash"},
    }
