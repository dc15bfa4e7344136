"""What a ridden line shows: a table for a terminal, and one page that needs nothing else."""

from __future__ import annotations

import numpy as np
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
from emulator.survey.ridden_line.line import RiddenLine, curvature_along
from emulator.survey.ridden_line.places import Array

HEADS = ("what", "is")
_MOST_DOTS = 3000


def rows(found: RiddenLine) -> list[list[str]]:
    """What came out, a row each."""
    o, k = found.offsets, found.worst
    widest = int(np.argmax(o.half))
    kind = "closed" if found.circuit.closed else "open"
    out = [
        ["line", f"{kind}, {found.course.length_m:.2f} m, width {found.circuit.width_m:g} m"],
        ["laps", ", ".join(str(n) for n in o.numbers)],
        [
            "known to (95 %)",
            f"{np.median(o.half):.3f} m, the median over the line; {o.half[widest]:.3f} m at station "
            f"{found.station[widest]:.0f} m",
        ],
        ["rms deviation of places", f"{found.rms_m:.3f} m, of {len(found.places_off):,} places"],
        [
            "greatest deviation",
            f"{abs(found.places_off[k]):.3f} m at station {found.places_at[k]:.0f} m",
        ],
        [
            "noise of a place",
            f"{o.noise_m:.3f} m across, by what is left of a lap"
            + (f"; neighbours are alike by {o.alike:.2f}" if o.alike else ""),
        ],
        [
            "every fifth place left out",
            f"{o.held_out.places:,} places lie {o.held_out.times:.2f} times as far off as said, "
            f"{100.0 * o.held_out.inside:.0f} % within their 95 % interval",
        ],
    ]
    if len(o.laps) > 1:
        apart = float(np.sqrt(np.mean(o.laps.var(axis=0, ddof=1))))
        out.insert(5, ["a lap from the others", f"{apart:.3f} m, standard deviation, over the whole line"])
    if o.halves is not None:
        out.append(
            [
                "every other lap left out",
                f"the lines of both halves differ by {o.halves.differ_m:.3f} m rms, "
                f"expected {o.halves.expected_m:.3f} m",
            ]
        )
    if found.heights is not None:
        h = found.heights
        out.append(
            [
                "elevation",
                f"{h.height.min():+.1f} to {h.height.max():+.1f} m over station 0, known to "
                f"{h.half.max():.2f} m (95 %) or better",
            ]
        )
    return out


def console_tables(found: RiddenLine) -> RenderableType:
    """The page's table and remarks for a terminal."""
    title = f"{found.circuit.name} from {found.record}"
    return Group(
        terminal_table(title, HEADS, rows(found)), *(Text(f"note: {remark}") for remark in found.remarks)
    )


def line_html(found: RiddenLine) -> str:
    """The whole page as one HTML document."""
    figures = {
        "plan": plan_figure(found),
        "aside": aside_figure(found),
        "curvature": curvature_figure(found),
    }
    if found.heights is not None:
        figures["elevation"] = elevation_figure(found)
    return page_html(
        "ridden_line.html",
        found.circuit.name,
        figures,
        source=found.record,
        beside=found.beside_name,
        logs=[f"{name}: SHA-256 {digest}" for name, digest in found.logs.items()],
        heads=HEADS,
        rows=rows(found),
        remarks=found.remarks,
    )


def plan_figure(found: RiddenLine) -> Figure:
    """Places, line, its start and the place furthest off, from above [m]."""
    east, north = _places(found)
    every = max(1, len(east) // _MOST_DOTS)
    line = found.course.line
    ridden = line.station <= found.course.length_m
    start, k = found.circuit.points[0], found.worst
    drawn = [
        curve(
            "places", column(east[::every], 0.01), column(north[::every], 0.01), GREY, symbol="circle", size=3
        ),
        path(line.x[ridden][::2], line.y[ridden][::2], "line", BLUE, "solid", 2.0),
        places(np.array([start[0]]), np.array([start[1]]), ["station 0"], "start", "triangle", INK),
        places(
            east[[k]],
            north[[k]],
            [f"{abs(found.places_off[k]):.2f} m"],
            "greatest deviation",
            "cross",
            ORANGE,
        ),
    ]
    size = np.ptp(np.array(found.circuit.points), axis=0)
    aspect = round(float(np.clip(size[1] / max(size[0], 1e-9), 0.2, 1.6)), 3)
    return plane(
        axis("east / m"), axis("north / m"), drawn,
        equal=True, aspect=aspect, height=620, zoom=True, legend=True,
    )  # fmt: skip


def aside_figure(found: RiddenLine) -> Figure:
    """The laps beside the line ridden [m] over station [m], positive to the left, and its 95 % interval."""
    o = found.offsets
    drawn = [
        _over(found, lap - o.offset, f"lap {number}", GREY, "dot", 1.0, legend=len(o.laps) <= 4)
        for number, lap in zip(o.numbers, o.laps, strict=True)
        if len(o.laps) > 1
    ]
    drawn += [_over(found, sign * o.half, "95 % interval", BLUE, "dash", 1.5, legend=sign > 0.0)
              for sign in (1.0, -1.0)]  # fmt: skip
    return plane(
        axis("station / m"), axis("beside the line / m (left positive)"), drawn, height=320, legend=True
    )


def curvature_figure(found: RiddenLine) -> Figure:
    """Curvature of the line [1/m] over station [m], positive to the left, and its 95 % interval."""
    bend = curvature_along(found.course.line, found.station)
    half = found.bend_half
    drawn = [
        _over(found, bend, "curvature", PURPLE, "solid", 2.0, 1e-6),
        _over(found, bend + half, "95 % interval", GREY, "dash", 1.0, 1e-6),
        _over(found, bend - half, "95 % interval", GREY, "dash", 1.0, 1e-6, legend=False),
    ]
    return plane(axis("station / m"), axis("curvature / (1/m)"), drawn, height=320, legend=True)


def elevation_figure(found: RiddenLine) -> Figure:
    """Heights of the road over station 0 [m] over station [m], and their 95 % interval."""
    h = found.heights
    assert h is not None
    at = np.interp(h.station, found.offsets.station, found.station)
    drawn = [
        curve(name, column(at, 0.01), column(h.height + sign * h.half, 0.001), colour, dash=dash, width=width,
              legend=sign >= 0.0)
        for name, sign, colour, dash, width in (
            ("road", 0.0, BLUE, "solid", 2.0),
            ("95 % interval", 1.0, GREY, "dash", 1.0),
            ("95 % interval", -1.0, GREY, "dash", 1.0),
        )
    ]  # fmt: skip
    return plane(axis("station / m"), axis("height / m"), drawn, height=320, legend=True)


def _places(found: RiddenLine) -> tuple[Array, Array]:
    """East and north (n,) [m] of the places of ``places_off``."""
    parts = [
        found.places.plane[lap.rows][(lap.stations >= 0.0) & (lap.stations < found.beside.length_m)]
        for lap in found.laps
    ]
    plane_: Array = np.concatenate(parts)
    return plane_[:, 0], plane_[:, 1]


def _over(
    found: RiddenLine,
    values: Array,
    name: str,
    colour: str,
    dash: str,
    width: float,
    step: float = 0.001,
    *,
    legend: bool = True,
) -> Figure:
    kept = keep_extremes(values)
    return curve(
        name, column(found.station[kept], 0.01), column(values[kept], step), colour,
        dash=dash, width=width, legend=legend,
    )  # fmt: skip
