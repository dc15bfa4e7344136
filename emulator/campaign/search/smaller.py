"""A failure that was found, as disturbances that can be left out and made smaller, and back as a ride.

An event is one disturbance, with what is varied of it as its size, its duration and its onset. A value of
another kind (grip, a latency) is one by itself; left out, it is what the files say.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from emulator.campaign.plan.overlays import NoSuchPlaceError, known_by
from emulator.campaign.search.asked_ride import AskedRide, MadeCase, Put
from emulator.campaign.search.minimise import Aspect, Disturbance, Disturbances, Scale
from emulator.config.campaign.search import Failure, Span

EVENTS = "scenario.events."
"""How paths to values of events begin."""
ASPECT_OF: Mapping[str, Aspect] = {"duration_s": "duration_s", "time_s": "onset_s"}
"""Aspects by the last key of a path; every other key is a size."""


def disturbances_at(ride: AskedRide, asked: Failure, values: Sequence[float]) -> Disturbances:
    """The disturbances of a ride with values of all that a question varies, events of the plan first.

    Raises NoSuchPlaceError for an event of which two sizes (or durations, or onsets) vary.
    """
    aspects: dict[str, dict[Aspect, tuple[float, Scale]]] = {name: {} for name in _planned_events(asked)}
    for (name, span), value in zip(asked.vary.items(), values, strict=True):
        of, aspect = _owner(name, span)
        held = aspects.setdefault(of, {})
        if aspect in held:
            raise NoSuchPlaceError(f"two values of {of!r} are its {_WORD[aspect]}: one of them can vary")
        held[aspect] = (float(f"{value:.12g}"), Scale(span.mildest, span.resolution))
    return tuple(
        Disturbance(
            of,
            **{aspect: value for aspect, (value, _) in held.items()},
            scales=tuple((aspect, scale) for aspect, (_, scale) in held.items()),
        )
        for of, held in aspects.items()
    )


def ride_of(ride: AskedRide, asked: Failure, kept: Disturbances) -> MadeCase:
    """The ride in which only those are left, each as it is now."""
    by_name = {one.name: one for one in kept}
    puts, told = list[Put](), dict[str, float]()
    for name, span in asked.vary.items():
        of, aspect = _owner(name, span)
        if (value := getattr(by_name.get(of), aspect, None)) is not None:
            puts.append(Put(span, value, (*ride.loc, "vary", name)))
            told[name] = value
    events = {*_planned_events(asked), *(of for of, _ in (_owner(n, s) for n, s in asked.vary.items()))}
    return ride.made(puts, without=events - by_name.keys(), told=told)


_WORD: Mapping[Aspect, str] = {"size": "size", "duration_s": "duration", "onset_s": "onset"}


def _owner(name: str, span: Span) -> tuple[str, Aspect]:
    """The disturbance that a value belongs to, and what it is of it."""
    path = span.target
    if not path.startswith(EVENTS):
        return name, "size"
    event, _, key = path.removeprefix(EVENTS).partition(".")
    return event, ASPECT_OF.get(key.rpartition(".")[2], "size")


def _planned_events(asked: Failure) -> list[str]:
    """Events that the plan puts in, by what they go by."""
    events: Any = asked.over.scenario.get("events") or ()
    return [name for name in map(known_by, events) if name is not None]
