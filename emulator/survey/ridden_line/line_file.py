"""The circuit file of a ridden line: what it is from in comments, the rest as any other circuit's."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime

import numpy as np

from emulator.survey.circuit_file import lines_of_points
from emulator.survey.ridden_line.line import RiddenLine


def line_text(found: RiddenLine) -> str:
    """The file."""
    return "\n".join(_lines(found)) + "\n"


def _lines(found: RiddenLine) -> Iterator[str]:
    c, o, k = found.circuit, found.offsets, found.worst
    day = datetime.now(UTC).date().isoformat()
    numbers = ", ".join(str(n) for n in o.numbers)
    laps = f"lap{'s' if len(o.numbers) > 1 else ''} {numbers}"
    yield f"# The line of {laps} of {found.record}, by emulator track line, {day}."
    for name, digest in found.logs.items():
        yield f"# {name}: SHA-256 {digest}"
    beside = json.dumps(found.beside_name, ensure_ascii=False)
    yield f"# Laid beside {beside}; east and north are those of the record's origin."
    yield (
        f"# Known to {np.median(o.half):.3f} m (95 %, median; {o.half.max():.3f} m at station "
        f"{found.station[int(np.argmax(o.half))]:.0f} m). Places: rms {found.rms_m:.3f} m,"
    )
    yield (
        f"# furthest {abs(found.places_off[k]):.3f} m at station {found.places_at[k]:.0f} m. "
        f"{found.course.length_m:.2f} m long."
    )
    if found.origin is not None:
        told = ", ".join(f"{key}: {json.dumps(value)}" for key, value in found.origin.items())
        yield f"# origin: {{{told}}}"
    yield "kind: circuit"
    yield f"name: {json.dumps(c.name)}"
    yield f"closed: {json.dumps(c.closed)}"
    yield f"width_m: {c.width_m:g}" + (
        "" if found.wishes.width_m is not None or found.wishes.onto is not None else " # assumed"
    )
    if c.sector_marks_m:
        yield f"sector_marks_m: [{', '.join(f'{m:.2f}' for m in c.sector_marks_m)}]"
    yield from lines_of_points(c)
    if c.banking:
        yield "banking:"
        for tilt in c.banking:
            yield f"  - {{station_m: {tilt.station_m:.2f}, bank_deg: {tilt.bank_deg:g}}}"
