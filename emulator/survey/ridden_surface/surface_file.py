"""What a ridden surface is written as: a scenario with that road, and a table of grip by station."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

import numpy as np

from emulator.config.yaml_source import named_from
from emulator.survey.ridden_surface.surface import RiddenSurface, Slid, station_of
from emulator.track.road_seen.bumps import SD95, Bump


class Held(NamedTuple):
    """A stretch from station to station [m] whose grip is at least so much, more than the scenario has."""

    from_m: float
    to_m: float
    grip: float


def held_more(found: RiddenSurface) -> list[Held]:
    """Stretches on which more grip was there than the scenario's road has."""
    if found.grip is None:
        return []
    g, half = found.grip, 0.5 * found.course.length_m / len(found.grip.station)
    above = np.nan_to_num(g.least, nan=0.0) > found.scenario.surface.grip
    out = []
    for more, rows in groupby(range(len(above)), key=lambda k: bool(above[k])):
        part = list(rows)
        if more:
            least = np.floor(100.0 * float(g.least[part].min())) / 100.0
            if least > found.scenario.surface.grip:
                out.append(Held(float(g.station[part[0]] - half), float(g.station[part[-1]] + half), least))
    return out


def scenario_text(found: RiddenSurface, name: str, path: Path) -> str:
    """The scenario, based on the one whose line was ridden; ``path``: where it will be."""
    return "\n".join(_lines(found, name, path)) + "\n"


def table_text(found: RiddenSurface) -> str:
    """Grip by station as CSV; empty cells where nothing was used."""
    rows = ["station_m,grip_used,grip_at_least,lap"]
    if found.grip is not None:
        for s, used, least, lap in zip(*(v.tolist() for v in found.grip), strict=True):
            rows.append(f"{s:.2f}," + (f"{used:.4f},{least:.4f},{lap}" if np.isfinite(used) else ",,"))
    return "\n".join(rows) + "\n"


def _lines(found: RiddenSurface, name: str, path: Path) -> Iterator[str]:
    base = named_from(path.resolve().parent, found.scenario_file.resolve())
    day = datetime.now(UTC).date().isoformat()
    yield f"# The road that {found.record} tells of, by emulator track surface, {day}."
    for log, digest in found.logs.items():
        yield f"# {log}: SHA-256 {digest}"
    yield "# What is not here is the scenario's: where nobody asked for grip a log says nothing of it."
    yield f"based_on: {json.dumps(base, ensure_ascii=False)}"
    yield "kind: scenario"
    yield f"name: {json.dumps(name, ensure_ascii=False)}"
    held = held_more(found)
    if not (held or found.slides or found.bumps):
        yield "# Nothing was found that the scenario's road does not have."
        return
    yield "surface:"
    if held or found.slides:
        yield "  patches:"
        for k, stretch in enumerate(held, 1):
            yield (
                f"    # so much was used there: the road has that or more\n    - {{name: ridden held {k}, "
                f"from_m: {stretch.from_m:.1f}, to_m: {_before_end(stretch.to_m, found):.2f}, "
                f"grip: {min(stretch.grip, 2.0):g}}}"
            )
        for k, slide in enumerate(found.slides, 1):
            yield from _slide(slide, k, found)
    if found.bumps:
        yield "  bumps:"
        for k, bump in enumerate(found.bumps, 1):
            yield from _bump(bump, k, found)


def _slide(slide: Slid, k: int, found: RiddenSurface) -> Iterator[str]:
    g, length = slide.grip, found.course.length_m
    end, across = slide.station_m + slide.length_m, ""
    if found.course.line.closed and end >= length:
        end, across = end - length, ", across_start: true"
    yield (
        f"    # the {slide.tyre} tyre slid: grip {g.estimated:g}, between {g.least:g} and {g.most:g}\n"
        f"    - {{name: ridden slide {k}, from_m: {slide.station_m:.2f}, "
        f"to_m: {_before_end(end, found):.2f}{across}, grip: {min(g.estimated, 2.0):g}}}"
    )


def _bump(bump: Bump, k: int, found: RiddenSurface) -> Iterator[str]:
    note = ", the wheel was in the air behind it" if bump.left_road else ""
    yield (
        f"    # 95 %: start ±{SD95 * bump.at_sd_m:.2f} m, length ±{SD95 * bump.length_sd_m:.2f} m, "
        f"height ±{1e3 * SD95 * bump.height_sd_m:.1f} mm; passes: {bump.passes}{note}\n"
        f"    - {{name: ridden bump {k}, at_m: {station_of(bump, found.course):.2f}, "
        f"length_m: {min(max(bump.length_m, 0.2), 200.0):.2f}, height_m: {bump.height_m:.4f}}}"
    )


def _before_end(station: float, found: RiddenSurface) -> float:
    """A station of a file lies before the line's end."""
    return min(station, math.floor(found.course.length_m * 100.0 - 1.0) / 100.0)
