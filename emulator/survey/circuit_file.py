"""The circuit file that an import writes: what it is from in comments, the rest as any other circuit's."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator

from emulator.config.scenario.circuit import Circuit
from emulator.survey.circuit_import import Imported
from emulator.survey.points import short_name


def circuit_text(found: Imported) -> str:
    """The file. The same points and wishes give the same bytes."""
    return "\n".join(_lines(found)) + "\n"


def origin_text(found: Imported) -> str:
    """The origin as a scenario has it; empty where the points are east and north of nobody knows where."""
    if found.origin is None:
        return ""
    latitude, longitude = math.degrees(found.origin.latitude_rad), math.degrees(found.origin.longitude_rad)
    height = found.origin.height_m
    return f"{{latitude_deg: {latitude:.8f}, longitude_deg: {longitude:.8f}, height_m: {height:.1f}}}"


def _lines(found: Imported) -> Iterator[str]:
    c, k = found.circuit, found.worst
    yield (
        f"# Imported from {short_name(found.source)}: the smoothest line within "
        f"{found.wishes.deviation_m:g} m of {len(found.offsets)} points."
    )
    yield (
        f"# Furthest point {abs(found.offsets[k]):.3f} m off, at station {found.stations[k]:.1f} m "
        f"(line {found.survey.points.lines[k]} there); rms {found.rms_m:.3f} m. {found.length_m:.2f} m long."
    )
    if found.origin is not None:
        yield "# A scenario that rides it where it lies has this origin, its height as that of the points:"
        yield f"# origin: {origin_text(found)}"
    yield "kind: circuit"
    yield f"name: {json.dumps(c.name)}"
    yield f"closed: {json.dumps(c.closed)}"
    yield f"width_m: {c.width_m:g}"
    yield from lines_of_points(c)


def lines_of_points(circuit: Circuit) -> Iterator[str]:
    """Its points and heights as they stand in the file."""
    yield "points: # [east, north] of the origin in metres, in riding order; the line through them is smooth"
    for x, y in circuit.points:
        yield f"  - [{x:.4f}, {y:.4f}]"
    if circuit.elevation:
        yield "elevation:"
        for place in circuit.elevation:
            yield f"  - {{station_m: {place.station_m:.2f}, height_m: {place.height_m:.3f}}}"
