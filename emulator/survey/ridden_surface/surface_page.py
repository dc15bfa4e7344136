"""What a ridden surface shows: tables for a terminal, and one page that needs nothing else."""

from __future__ import annotations

import math

import numpy as np
from rich.console import Group, RenderableType
from rich.text import Text

from emulator.report.figures.columns import column
from emulator.report.figures.drawing import (
    BLUE,
    GREY,
    ORANGE,
    PURPLE,
    RED,
    Figure,
    axis,
    curve,
    keep_extremes,
    plane,
)
from emulator.report.page import page_html
from emulator.report.terminal_table import terminal_table
from emulator.survey.ridden_line.places import Array
from emulator.survey.ridden_surface.surface import RiddenSurface, station_of
from emulator.track.road_seen.bumps import SD95

HEADS = ("what", "is")
SLIDE_HEADS = ("from", "tyre", "grip there", "between")
BUMP_HEADS = ("starts at", "length", "high", "passes", "wheel")
_CALM = 0.05  # of a scenario's grip: less than that says nothing


def rows(found: RiddenSurface) -> list[list[str]]:
    """What came out, a row each."""
    out = [["line", f"{found.course.length_m:.0f} m, of {found.scenario.name}"]]
    if found.grip is not None:
        g = found.grip
        told = np.isfinite(g.least) & (g.least > _CALM)
        if told.any():
            k = int(np.nanargmax(g.least))
            out += [
                [
                    "greatest grip used",
                    f"{g.used[k]:.2f} at station {g.station[k]:.0f} m, at least {g.least[k]:.2f} (97.5 %)",
                ],
                ["stretches that say something", f"{np.count_nonzero(told)} of {len(g.least)}"],
            ]
        out.append(
            [
                "grip of the scenario's road",
                f"{found.scenario.surface.grip:g}; a tyre then has {found.friction:.2f}",
            ]
        )
        if not math.isnan(found.spread_m_s2):
            out.append(
                ["acceleration across, told in two ways", f"differs by {found.spread_m_s2:.2f} m/s2 usually"]
            )
    out += [["slides", str(len(found.slides))], ["bumps", str(len(found.bumps))]]
    if found.waves_m is not None:
        out.append(
            ["waves of the road that were seen", f"{found.waves_m[0]:.1f} to {found.waves_m[1]:.0f} m long"]
        )
    return out


def slide_rows(found: RiddenSurface) -> list[list[str]]:
    """A row each slide."""
    return [
        [
            f"{s.station_m:.0f} to {s.station_m + s.length_m:.0f} m",
            s.tyre,
            f"{s.grip.estimated:.2f}",
            f"{s.grip.least:.2f} and {s.grip.most:.2f}",
        ]
        for s in found.slides
    ]


def bump_rows(found: RiddenSurface) -> list[list[str]]:
    """A row each bump, with 95 % intervals."""
    return [
        [
            f"{station_of(b, found.course):.1f} ± {SD95 * b.at_sd_m:.1f} m",
            f"{b.length_m:.1f} ± {SD95 * b.length_sd_m:.1f} m",
            f"{1e3 * b.height_m:+.1f} ± {1e3 * SD95 * b.height_sd_m:.1f} mm",
            str(b.passes),
            "in the air behind it" if b.left_road else "on the road",
        ]
        for b in found.bumps
    ]


def console_tables(found: RiddenSurface, name: str) -> RenderableType:
    """The page's tables and remarks for a terminal."""
    parts: list[RenderableType] = [terminal_table(f"{name} from {found.record}", HEADS, rows(found))]
    if found.slides:
        parts.append(terminal_table("Slides", SLIDE_HEADS, slide_rows(found)))
    if found.bumps:
        parts.append(terminal_table("Bumps", BUMP_HEADS, bump_rows(found)))
    return Group(*parts, *(Text(f"note: {remark}") for remark in found.remarks))


def surface_html(found: RiddenSurface, name: str) -> str:
    """The whole page as one HTML document."""
    figures: dict[str, Figure] = {}
    if found.grip is not None:
        figures["grip"] = grip_figure(found)
    if found.profile is not None:
        figures["profile"] = profile_figure(found)
    return page_html(
        "ridden_surface.html",
        name,
        figures,
        source=found.record,
        logs=[f"{log}: SHA-256 {digest}" for log, digest in found.logs.items()],
        heads=HEADS,
        rows=rows(found),
        slide_heads=SLIDE_HEADS,
        slide_rows=slide_rows(found),
        bump_heads=BUMP_HEADS,
        bump_rows=bump_rows(found),
        remarks=found.remarks,
    )


def grip_figure(found: RiddenSurface) -> Figure:
    """Grip used and its lower bound by station, the scenario's, and what slides tell."""
    g = found.grip
    assert g is not None
    x = column(g.station, 0.01)
    ends = np.array([0.0, found.course.length_m])
    base = np.full(2, found.scenario.surface.grip)
    drawn = [
        curve("used", x, column(g.used, 1e-4), GREY, symbol="circle", size=3),
        curve("the road has at least", x, column(g.least, 1e-4), BLUE, dash="solid", width=2.0),
        curve("the scenario's road", column(ends, 0.01), column(base, 1e-4), ORANGE,
              dash="dash", width=1.5),
    ]  # fmt: skip
    if found.slides:
        at = np.array([s.station_m for s in found.slides])
        value = np.array([s.grip.estimated for s in found.slides])
        drawn.append(
            curve("a tyre slid", column(at, 0.01), column(value, 1e-4), RED, symbol="cross", size=11)
        )
    return plane(axis("station / m"), axis("grip of the road", zero=True), drawn, height=340, legend=True)


def profile_figure(found: RiddenSurface) -> Figure:
    """Heights of the road under the front wheel, as far as they were seen, of the longest pass [mm]."""
    one = found.profile
    assert one is not None
    station: Array = one.station % found.course.length_m if found.course.line.closed else one.station
    height = np.where(one.seen, 1e3 * one.height, np.nan)
    height[1:][np.diff(station) < -1.0] = np.nan  # no stroke back where a lap begins
    kept = keep_extremes(height)
    drawn = [
        curve(
            "road", column(station[kept], 0.01), column(height[kept], 0.01), PURPLE, dash="solid", width=1.5
        )
    ]
    if found.bumps:
        at = np.array([station_of(b, found.course) + 0.5 * b.length_m for b in found.bumps])
        top = np.array([1e3 * b.height_m for b in found.bumps])
        drawn.append(curve("bumps", column(at, 0.01), column(top, 0.01), ORANGE, symbol="triangle", size=9))
    return plane(axis("station / m"), axis("height / mm"), drawn, height=340, legend=True, zoom=True)
