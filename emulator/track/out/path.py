"""The ridden path as GeoJSON (RFC 7946): WGS 84 degrees, ellipsoidal heights, events as points.

Every ``every``-th recorded place is a point of the line, which its properties say; where places are missing
the line ends and another begins.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.core.errors import RecordError
from emulator.record.reader import Run
from emulator.wire.geodesy import Origin

_PLACES = 9  # decimals of a degree: 0.1 mm


def origin_of(run: Run) -> Origin:
    """Where the record's local frame sits. Raises RecordError for records that do not say."""
    scenario = run.manifest.get("scenario")
    given = scenario.get("origin") if isinstance(scenario, Mapping) else None
    try:
        assert isinstance(given, Mapping)
        return Origin(
            math.radians(given["latitude_deg"]), math.radians(given["longitude_deg"]), given["height_m"]
        )
    except (AssertionError, KeyError, TypeError, ValueError) as error:
        raise RecordError(
            f"{run.folder / 'manifest.json'} names no origin, so the path has no place on earth",
            advice="leave geojson out",
        ) from error


def path_text(run: Run, every: int) -> str:
    """The path of a record as a GeoJSON document. Raises RecordError for one without places or origin."""
    origin = origin_of(run)
    x, y = (run.signal(f"truth.{axis}_m") for axis in "xy")
    z = run.signals.get("truth.z_m", np.zeros(len(x)))
    rows = np.arange(0, len(x), every)
    there = np.isfinite(x[rows]) & np.isfinite(y[rows])
    if not there.any():
        raise RecordError(f"{run.folder} holds no places", advice="leave geojson out")
    height = np.where(np.isfinite(z), z, 0.0)

    def point(row: int) -> list[float]:
        lat, lon, up = origin.enu_to_geodetic(float(x[row]), float(y[row]), float(height[row]))
        return [round(math.degrees(lon), _PLACES), round(math.degrees(lat), _PLACES), round(up, 3)]

    pieces = _pieces(rows, there, run.tick, every)
    step_s = float(np.median(np.diff(run.time_s[rows]))) if len(rows) > 1 else None
    features: list[dict[str, Any]] = [
        _feature(
            {"type": "LineString", "coordinates": [point(row) for row in piece]},
            name="path",
            from_s=float(run.time_s[piece[0]]),
            to_s=float(run.time_s[piece[-1]]),
            step_s=step_s,
            recorded_places_a_point=every,
        )
        for piece in pieces
    ]
    for event in run.events:
        row = int(np.searchsorted(run.tick, event.tick))
        if row < len(x) and math.isfinite(x[row]) and math.isfinite(y[row]):
            place = {"type": "Point", "coordinates": point(row)}
            about = {"time_s": event.time_s, "kind": event.kind, "name": event.name, "text": event.text}
            features.append(_feature(place, **about))
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False) + "\n"


def _pieces(
    rows: NDArray[np.int64], there: NDArray[np.bool_], tick: NDArray[np.int64], every: int
) -> list[NDArray[np.int64]]:
    """Stretches of two points or more that follow each other in the record."""
    steps = np.diff(tick)
    usual = np.median(steps) if len(steps) else 1.0
    holds = np.concatenate([[0], np.cumsum(steps > 1.5 * usual)])  # how many gaps came before
    apart = ~there[1:] | ~there[:-1] | (np.diff(holds[rows]) > 0)
    pieces = np.split(rows, np.flatnonzero(apart) + 1)
    kept = np.split(there, np.flatnonzero(apart) + 1)
    return [piece for piece, ok in zip(pieces, kept, strict=True) if ok.all() and len(piece) > 1]


def _feature(geometry: dict[str, Any], **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}
