"""Points as somebody could have surveyed them: from lines, with noise, as CSV or GPX."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from emulator.config.scenario.circuit import load_circuit
from emulator.config.scenario.course import Course, circuit_course
from emulator.road.iso8608 import along_lap
from emulator.wire.geodesy import Origin

Array = NDArray[np.float64]

OSTREVEL = Path(__file__).parents[2] / "scenarios" / "circuits" / "ostrevel.yaml"
ORIGIN = Origin(math.radians(47.25), math.radians(5.85), 240.0)


def shipped() -> Course:
    """The demo circuit as it is ridden."""
    return circuit_course(load_circuit(OSTREVEL)[0], 50.0)


def sampled(course: Course, count: int, noise_m: float = 0.0, seed: int = 1) -> tuple[Array, Array]:
    """Places (count, 2) and heights (count,) [m] along a lap, evenly; the end is not the start again."""
    line = course.line
    at = np.arange(count) * line.length / count
    places = np.column_stack([np.interp(at, line.station, v) for v in (line.x, line.y)])
    z, _ = along_lap(line, [s for s, _ in course.elevation], [h for _, h in course.elevation])
    noise = np.random.default_rng(seed).normal(0.0, 1.0, (count, 3)) * noise_m
    return places + noise[:, :2], np.interp(at, line.station, z) + noise[:, 2]


def distances(points: Array, path: Array) -> Array:
    """Distance (n,) [m] of points (n, 2) from a line through places (m, 2), leg by leg.

    Made without anything of the package: what deviations are measured against. A leg that is nearer than the
    nearest place begins no farther off than that place and a leg's length, so no other is looked at.
    """
    (x, y), (dx, dy) = path[:-1].T.copy(), np.diff(path, axis=0).T.copy()
    squares = np.maximum(dx * dx + dy * dy, 1e-30)
    nearest = cKDTree(path).query(points)[0]
    legs = cKDTree(path[:-1]).query_ball_point(points, nearest + math.sqrt(squares.max()) + 1e-9)
    out = np.empty(len(points))
    for k, (px, py) in enumerate(points.tolist()):
        near = np.array(legs[k])
        along = np.clip(((px - x[near]) * dx[near] + (py - y[near]) * dy[near]) / squares[near], 0.0, 1.0)
        east, north = x[near] + along * dx[near] - px, y[near] + along * dy[near] - py
        out[k] = math.sqrt((east * east + north * north).min())
    return out


def geodetic(places: Array, heights: Array | None = None) -> Array:
    """Latitude, longitude [deg] and height [m] (n, 3) of places in the plane at ``ORIGIN``."""
    z = np.zeros(len(places)) if heights is None else heights
    rows = [ORIGIN.enu_to_geodetic(x, y, h) for (x, y), h in zip(places.tolist(), z.tolist(), strict=True)]
    table = np.array(rows)
    table[:, :2] = np.degrees(table[:, :2])
    table[:, 2] = ORIGIN.height_m + z
    return table


def write_csv(path: Path, heads: Sequence[str], table: Array, *, digits: int = 9) -> Path:
    """A CSV file of a table."""
    lines = [",".join(heads), *(",".join(f"{v:.{digits}g}" for v in row) for row in table.tolist())]
    path.write_text("\n".join(lines) + "\n")
    return path


def write_gpx(
    path: Path, table: Array, times: Sequence[str] | None = None, change: Callable[[str], str] = lambda t: t
) -> Path:
    """A GPX 1.1 track of latitude, longitude, height (n, 3)."""
    points = []
    for k, (lat, lon, ele) in enumerate(table.tolist()):
        time = "" if times is None else f"<time>{times[k]}</time>"
        points.append(f'<trkpt lat="{lat:.8f}" lon="{lon:.8f}"><ele>{ele:.2f}</ele>{time}</trkpt>')
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">\n<trk><trkseg>\n'
        + "\n".join(points)
        + "\n</trkseg></trk>\n</gpx>\n"
    )
    path.write_text(change(text))
    return path


def oval(radius_m: float = 40.0, straight_m: float = 150.0, step_m: float = 2.0) -> Array:
    """Places (n, 2) [m] of two straights and two half circles, evenly spaced, anticlockwise."""
    half = math.pi * radius_m
    total = 2.0 * (straight_m + half)
    count = round(total / step_m)
    out: list[Any] = []
    for k in range(count):
        s = k * total / count
        if s < straight_m:
            out.append((s, 0.0))
        elif s < straight_m + half:
            a = (s - straight_m) / radius_m
            out.append((straight_m + radius_m * math.sin(a), radius_m * (1.0 - math.cos(a))))
        elif s < 2.0 * straight_m + half:
            out.append((2.0 * straight_m + half - s, 2.0 * radius_m))
        else:
            a = (s - 2.0 * straight_m - half) / radius_m
            out.append((-radius_m * math.sin(a), radius_m * (1.0 + math.cos(a))))
    return np.array(out)
