"""Stretches between two stations: patches, grip events and criteria that look at a part of the lap.

On a closed line every pair of stations is a stretch, one way or the other. Whoever swaps two numbers means
40 m and would get the rest of the lap: a stretch across the lap's start is one only if the file says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from emulator.config.scenario.course import Course
from emulator.config.yaml_source import Loc


class Stretch(NamedTuple):
    """Place in the file, keys of its stations, stations [m], whether it is said to cross the lap's start."""

    loc: Loc
    keys: tuple[str, str]
    first: float | None
    last: float | None
    across_start: bool


def stretches(parts: Iterable[tuple[Loc, object]]) -> Iterator[Stretch]:
    """The stretches among parts of a scenario, known by the names of their keys."""
    for loc, part in parts:
        for keys in (("from_m", "to_m"), ("from_station_m", "to_station_m")):
            if hasattr(part, keys[0]) and hasattr(part, keys[1]):
                first, last = (getattr(part, key) for key in keys)
                yield Stretch(loc, keys, first, last, bool(getattr(part, "across_start", False)))


def wrong_stretch(stretch: Stretch, course: Course) -> Iterator[tuple[Loc, str]]:
    """What is wrong with a stretch on that course: the place and the sentence."""
    loc, (begin, end), first, last, across = stretch
    flag: Loc = (*loc, "across_start")
    if first is None or last is None:
        if across:
            yield flag, f"expected {begin} and {end} beside it"
    elif not course.line.closed:
        if first > last:
            yield (*loc, end), f"expected more than {begin} ({first:g}) on an open line, got {last:g}"
        elif across:
            yield flag, "expected no such key on an open line, which has no laps; remove it"
    elif first > last and not across:
        yield (
            (*loc, end),
            f"expected more than {begin} ({first:g}), got {last:g}; or across_start: true beside it for the "
            f"{course.length_m - first + last:.0f} m across the start of the lap of {course.length_m:.0f} m",
        )
    elif across and first < last:
        yield (*loc, end), f"expected less than {begin} ({first:g}) beside across_start: true, got {last:g}"
