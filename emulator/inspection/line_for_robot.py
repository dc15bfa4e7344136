"""The line a scenario rides, as a robot's own software needs it: a table, and a drawing for a map.

A robot that did not come with this program has to know the line it is to ride. Both files hold the same
points, at even stations over one lap or from end to end; the target speed is the scenario's, which comes from
its limits and the nominal vehicle's power.
"""

from __future__ import annotations

import csv
import io
import json
import math
from typing import Any, NamedTuple

from emulator.assembly.session import Session
from emulator.road.line import interval_of, sample
from emulator.road.shape import height_at
from emulator.wire.geodesy import Origin


class LinePoint(NamedTuple):
    """A point of the line; the fields are the columns of the table.

    station_m              along the line, from its beginning
    east_m, north_m, up_m  in the local frame of the scenario's origin; up is the road's surface there
    latitude_deg, longitude_deg, height_m  the same place in WGS 84, height above the ellipsoid
    heading_deg            direction of travel from east, anticlockwise, -180 to 180
    curvature_1_m          positive to the left
    bank_deg               positive where the road's left side is the higher one
    slope_deg              positive uphill
    target_speed_m_s       along the line
    """

    station_m: float
    east_m: float
    north_m: float
    up_m: float
    latitude_deg: float
    longitude_deg: float
    height_m: float
    heading_deg: float
    curvature_1_m: float
    bank_deg: float
    slope_deg: float
    target_speed_m_s: float


class StartPose(NamedTuple):
    """Where the bike stands in its support before the ride: fields as in :class:`LinePoint`."""

    station_m: float
    east_m: float
    north_m: float
    up_m: float
    heading_deg: float


class LineForRobot(NamedTuple):
    """A scenario's line.

    points  at even stations, both ends: on a closed line the last one is the first one again
    start   where the ride begins
    length_m, closed, laps, finish_m  what is ridden; finish_m is the station at which the ride is complete
    """

    name: str
    points: list[LinePoint]
    start: StartPose
    length_m: float
    closed: bool
    laps: int
    finish_m: float
    origin: Origin


_DIGITS = {"latitude_deg": 10, "longitude_deg": 10, "curvature_1_m": 8}
"""Digits behind the point; 4 of all others. A tenth of a millimetre is 1e-9 degrees of latitude."""


def line_for_robot(session: Session, step_m: float) -> LineForRobot:
    """The line of a session in steps of ``step_m`` or a little less, so that they divide its length."""
    length = session.line.length
    steps = max(1, math.ceil(length / step_m - 1e-9))
    start = _point(session, session.scenario.start.station_m)
    return LineForRobot(
        name=session.scenario.name,
        points=[_point(session, length * k / steps) for k in range(steps + 1)],
        start=StartPose(start.station_m, start.east_m, start.north_m, start.up_m, start.heading_deg),
        length_m=length,
        closed=session.line.closed,
        laps=session.scenario.laps if session.line.closed else 1,
        finish_m=session.finish_station,
        origin=session.origin,
    )


def _point(session: Session, station_m: float) -> LinePoint:
    line = session.line
    x, y, heading, curvature, speed = sample(line, station_m)
    z = height_at(session.road_profile, line, station_m, 0.0)
    latitude, longitude, height = session.origin.enu_to_geodetic(x, y, z)
    at, part, _ = interval_of(line, station_m)
    bank, slope = (float(v[at] + part * (v[at + 1] - v[at])) for v in (line.bank, line.slope))
    return LinePoint(
        station_m=station_m,
        east_m=x,
        north_m=y,
        up_m=z,
        latitude_deg=math.degrees(latitude),
        longitude_deg=math.degrees(longitude),
        height_m=height,
        heading_deg=math.degrees(math.remainder(heading, 2.0 * math.pi)),
        curvature_1_m=curvature,
        bank_deg=math.degrees(bank),
        slope_deg=math.degrees(slope),
        target_speed_m_s=speed,
    )


def _rounded(point: NamedTuple) -> dict[str, float]:
    return {key: round(value, _DIGITS.get(key, 4)) + 0.0 for key, value in point._asdict().items()}


def csv_text(line: LineForRobot) -> str:
    """The points as a table (RFC 4180), a heading first."""
    text = io.StringIO()
    writer = csv.DictWriter(text, LinePoint._fields)
    writer.writeheader()
    writer.writerows(_rounded(point) for point in line.points)
    return text.getvalue()


def geojson_text(line: LineForRobot) -> str:
    """The line, its start and its origin as GeoJSON (RFC 7946: WGS 84, longitude first).

    The line's properties hold the other columns of the table, a list each, in the order of its points.
    """
    rows = [_rounded(point) for point in line.points]
    other = [key for key in LinePoint._fields if key not in ("latitude_deg", "longitude_deg", "height_m")]
    path = {
        "role": "line",
        "name": line.name,
        "closed": line.closed,
        "length_m": round(line.length_m, 4),
        "laps": line.laps,
        "finish_station_m": round(line.finish_m, 4),
        **{key: [row[key] for row in rows] for key in other},
    }
    along = [[row["longitude_deg"], row["latitude_deg"], row["height_m"]] for row in rows]
    start, origin = line.start, line.origin
    features = [
        _feature("LineString", along, path),
        _feature(
            "Point",
            _place(origin, start.east_m, start.north_m, start.up_m),
            {"role": "start", **_rounded(start)},
        ),
        _feature("Point", _place(origin, 0.0, 0.0, 0.0), {"role": "origin of east, north and up"}),
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False)


def _place(origin: Origin, east_m: float, north_m: float, up_m: float) -> list[float]:
    latitude, longitude, height = origin.enu_to_geodetic(east_m, north_m, up_m)
    return [round(math.degrees(longitude), 10), round(math.degrees(latitude), 10), round(height, 4)]


def _feature(kind: str, coordinates: list[Any], properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }
