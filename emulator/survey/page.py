"""What an import shows: a table for a terminal, and one page that needs nothing else.

No curve is told by colour alone: points are dots, the line is drawn through, marks have their words.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from rich.console import Group, RenderableType
from rich.text import Text

from emulator.report.figures.columns import column
from emulator.report.figures.drawing import (
    BLUE,
    GREY,
    INK,
    ORANGE,
    PURPLE,
    Figure,
    axis,
    curve,
    keep_extremes,
    path,
    places,
    plane,
)
from emulator.report.page import page_html
from emulator.report.terminal_table import terminal_table
from emulator.survey.circuit_file import origin_text
from emulator.survey.circuit_import import Imported
from emulator.survey.points import short_name

HEADS = ("what", "is")


def rows(found: Imported) -> list[list[str]]:
    """What came out, a row each."""
    line, points, k = found.line, found.survey.points, found.worst
    ridden = line.station <= found.length_m
    bends = np.where(ridden, np.abs(line.curvature), 0.0)
    tightest = int(np.argmax(bends))
    out = [
        ["line", f"{_kind(found)}, {found.length_m:.2f} m, width {found.circuit.width_m:g} m"],
        ["points", f"{len(found.offsets)} used; {len(found.circuit.points)} written, on the smooth line"],
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
    at = found.survey.plane
    every = max(1, len(at) // 3000)
    ridden = line.station <= found.length_m
    start = found.circuit.points[0]
    drawn = [
        _dots(at[::every, 0], at[::every, 1], "points", 0.01),
        path(line.x[ridden][::2], line.y[ridden][::2], "line", BLUE, "solid", 2.0),
        places(np.array([start[0]]), np.array([start[1]]), ["station 0"], "start", "triangle", INK),
        places(
            at[[k], 0], at[[k], 1], [f"{abs(found.offsets[k]):.2f} m"], "greatest deviation", "cross", ORANGE
        ),
    ]
    size = np.ptp(at, axis=0)
    aspect = round(float(np.clip(size[1] / max(size[0], 1e-9), 0.2, 1.6)), 3)
    return plane(
        axis("east / m"),
        axis("north / m"),
        drawn,
        equal=True,
        aspect=aspect,
        height=620,
        zoom=True,
        legend=True,
    )


def deviation_figure(found: Imported) -> Figure:
    """Offsets of the points from the line [m] over station [m], positive to the left, and what is allowed."""
    order = np.argsort(found.stations, kind="stable")
    kept = order[keep_extremes(found.offsets[order])]
    allowed = found.wishes.deviation_m
    dots = _dots(found.stations[kept], found.offsets[kept], "points", 0.001)
    y = axis("point beside the line / m (left positive)")
    limits = [
        {"x": None, "y": [sign * allowed, sign * allowed], "tone": "edge", "text": ""} for sign in (-1.0, 1.0)
    ]
    return plane(axis("station / m"), y, [dots], height=320, areas=limits)


def curvature_figure(found: Imported) -> Figure:
    """Curvature of the line [1/m] over station [m], positive to the left."""
    drawn = [_over_station(found, found.line.curvature, "curvature", PURPLE, 1e-6)]
    return plane(axis("station / m"), axis("curvature / (1/m)"), drawn, height=320)


def elevation_figure(found: Imported) -> Figure:
    """Heights of the points and of the road over station 0 [m], over station [m]."""
    assert found.heights is not None
    known = np.flatnonzero(np.isfinite(found.heights.given))
    order = known[np.argsort(found.stations[known], kind="stable")]
    kept = order[keep_extremes(found.heights.given[order])]
    drawn = [
        _dots(found.stations[kept], found.heights.given[kept], "points", 0.001),
        _over_station(found, found.heights.elevation, "road", BLUE, 0.001),
    ]
    return plane(axis("station / m"), axis("height / m"), drawn, height=320)


def _over_station(
    found: Imported, values: NDArray[np.float64], name: str, colour: str, step: float
) -> Figure:
    ridden = np.flatnonzero(found.line.station <= found.length_m)
    kept = ridden[keep_extremes(values[ridden])]
    x, y = column(found.line.station[kept], 0.01), column(values[kept], step)
    return curve(name, x, y, colour, dash="solid", width=2.0)


def _dots(x: NDArray[np.float64], y: NDArray[np.float64], name: str, step: float) -> Figure:
    return curve(name, column(x, 0.01), column(y, step), GREY, symbol="circle", size=3)
