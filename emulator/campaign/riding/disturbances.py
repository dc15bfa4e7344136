"""What a plan put into a scenario, as columns of a table: kind, what it acts on, when, how much, how long."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from emulator.events.declaration import EventKind, Takes
from emulator.events.table import KINDS

_KINDS = {kind.name: kind for kind in KINDS}


def disturbances(scenario_overlay: Mapping[str, Any]) -> list[dict[str, Any]]:
    """One entry for each event of an overlay, columns as in ``store.schema.DISTURBANCE``."""
    events = scenario_overlay.get("events") or ()
    return [_of(event) for event in events if isinstance(event, Mapping) and not event.get("remove")]


def _of(event: Mapping[str, Any]) -> dict[str, Any]:
    kind = _KINDS.get(str(event.get("kind")))
    words = [str(event[key]) for key in ("kind", "effect") if key in event]
    at = event.get("at")
    return {
        "kind": " ".join(words),
        "signal": "" if kind is None else _acts_on(kind, event),
        "onset_s": _onset(at) if isinstance(at, Mapping) else None,
        "size": None if kind is None else _size(kind, event),
        "duration_s": _number(event.get("duration_s")),
    }


def _acts_on(kind: EventKind, event: Mapping[str, Any]) -> str:
    """The signal, frame, channel or device: what the kind can't do without, beside its effect."""
    for key in kind.keys:
        named = key.takes in (Takes.SIGNAL, Takes.FRAME) or isinstance(key.takes, tuple)
        if key.required and named and key.name != "effect":
            return str(event.get(key.name, ""))
    return ""


def _size(kind: EventKind, event: Mapping[str, Any]) -> float | None:
    """The first number among its own keys."""
    for key in kind.keys:
        if key.takes in (Takes.NUMBER, Takes.WHOLE) and key.name in event:
            return _number(event[key.name])
    return None


def _onset(at: Mapping[str, Any]) -> float | None:
    time_s, delay_s = _number(at.get("time_s")), _number(at.get("delay_s"))
    return None if time_s is None else time_s + (delay_s or 0.0)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
