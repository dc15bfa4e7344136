"""What criteria ask of a scenario or a circuit that it has not.

Goes by the names of keys, so that a new criterion with keys of these names is looked at, too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from emulator.config.validation import did_you_mean
from emulator.config.yaml_source import Loc
from emulator.criteria.base import Criterion

_OF_EVENTS = ("from_event", "to_event", "during_event", "after")


def contradictions(
    criteria: Sequence[Criterion], events: Sequence[str], laps: int, duration_limit_s: float
) -> Iterator[tuple[Loc, str]]:
    """What criteria ask of a scenario that it has not: place below ``criteria``, and the sentence."""
    for i, criterion in enumerate(criteria):
        for key in _OF_EVENTS:
            name = getattr(criterion, key, None)
            if name is not None and name not in events:
                known = f"one of {', '.join(events)}" if events else "it has none"
                yield (
                    (i, key),
                    f"expected the name of an event of this scenario ({known}), got {name!r}"
                    f"{did_you_mean(name, events)}",
                )
        from_s = getattr(criterion, "from_s", 0.0)
        if from_s >= duration_limit_s:
            yield (
                (i, "from_s"),
                f"expected a time before the end (duration_limit_s {duration_limit_s:g}), got {from_s:g}: "
                "this criterion would judge nothing",
            )
        lap = getattr(criterion, "lap", None)
        if lap is not None and lap > laps:
            yield (i, "lap"), f"expected a lap from 1 to {laps} (laps), got {lap}"


def cut_short(criteria: Sequence[Criterion], gnss_events: Sequence[str]) -> Iterator[tuple[Loc, str]]:
    """Criteria of a position that look no further than a GNSS event lasts: place, and the sentence."""
    for i, criterion in enumerate(criteria):
        event = getattr(criterion, "during_event", None)
        if (
            event in gnss_events
            and getattr(criterion, "of_position", False)
            and getattr(criterion, "recovery_s", None) is None
        ):
            yield (
                (i, "during_event"),
                f"looks no further than the end of {event!r}, when the receiver is not back yet and the "
                "robot's error still grows: say with recovery_s how long to look on (0: it is meant so)",
            )


def beyond_circuit(criteria: Sequence[Criterion], length_m: float, sectors: int) -> Iterator[tuple[Loc, str]]:
    """What criteria ask of a circuit of so many metres and sectors that it has not."""
    for i, criterion in enumerate(criteria):
        for key in ("from_station_m", "to_station_m"):
            station = getattr(criterion, key, None)
            if station is not None and station > length_m:
                yield (
                    (i, key),
                    f"expected a station within the circuit of {length_m:.1f} m, got {station:g}",
                )
        sector = getattr(criterion, "sector", None)
        if sector is not None and sector > sectors:
            yield (i, "sector"), f"expected a sector from 1 to {sectors} (the circuit's), got {sector}"
