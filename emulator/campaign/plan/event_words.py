"""An event in a few words, for tables and labels: ``lean_rad offset 0.05 for 80 ms at 3 s``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from emulator.config.validation import unit_of
from emulator.events.declaration import EventKind, Takes
from emulator.events.table import KIND_OF_NAME


def event_words(event: Mapping[str, Any]) -> str:
    """What an event does, how much, how long and when, as a scenario's file has it."""
    kind = KIND_OF_NAME.get(str(event.get("kind")))
    target = acts_on(event)
    effect = str(event.get("effect", ""))
    named = str(event.get("kind", "event"))
    head = [target, effect] if target and effect else [named, target or effect]
    sizes = [
        _size(key.name, event[key.name])
        for key in (() if kind is None else kind.keys)
        if key.name in event and key.takes in (Takes.NUMBER, Takes.WHOLE)
    ]
    return " ".join(part for part in (*head, *sizes, _lasting(event), when(event)) if part)


def acts_on(event: Mapping[str, Any]) -> str:
    """The signal, frame, channel or device that an event acts on; empty if it is none of these."""
    kind = KIND_OF_NAME.get(str(event.get("kind")))
    return "" if kind is None else str(event.get(target_key(kind), ""))


def target_key(kind: EventKind) -> str:
    """The key that says what an event of a kind acts on; empty if it has none."""
    for key in kind.keys:
        names = key.takes in (Takes.SIGNAL, Takes.FRAME) or isinstance(key.takes, tuple)
        if key.required and names and key.name != "effect":
            return key.name
    return ""


def when(event: Mapping[str, Any]) -> str:
    """When an event starts, in a few words."""
    at = event.get("at")
    if not isinstance(at, Mapping):
        return ""
    for key, words in (("time_s", "at {} s"), ("station_m", "at {} m"), ("sector", "in sector {}")):
        if key in at:
            return words.format(_number(at[key]))
    if "signal" in at:
        level, way = ("rises_above", "above") if "rises_above" in at else ("falls_below", "below")
        return f"when {at['signal']} is {way} {_number(at.get(level))}"
    return f"when {', '.join(map(str, at))}" if at else ""


def _lasting(event: Mapping[str, Any]) -> str:
    value = event.get("duration_s")
    if not isinstance(value, int | float):
        return ""
    return f"for {value * 1e3:g} ms" if value < 1.0 else f"for {value:g} s"


def _size(key: str, value: Any) -> str:
    unit = unit_of(key)
    return f"{_number(value)} {unit}" if unit else _number(value)


def _number(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)
