"""What a live page is told once of a ride: its line, events, outputs, criteria. Plain values for JSON."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from emulator.assembly.link_specs import output_specs
from emulator.assembly.session import Session
from emulator.config.rig.outputs import USUAL_PERIODS_ms, commands_in
from emulator.core.signals import SIGNALS
from emulator.loop.certificate import GNSS
from emulator.plant.states import PERMISSIVE_TEXTS, PERMISSIVES, STATE_NAMES

Facts = dict[str, Any]

_WORDS: dict[str, str] = {
    "time_s": "{} s into the ride",
    "station_m": "at station {} m",
    "sector": "in sector {}",
    "started": "when {!r} starts",
    "ended": "when {!r} has ended",
}


def facts_of(
    manifest: Mapping[str, Any],
    session: Session | None,
    criteria: Sequence[Mapping[str, Any]],
    *,
    name: str,
    played: bool = False,
) -> Facts:
    """All that does not change while a ride lasts.

    manifest  as the ride's record has it
    session   what the ride is made of; None for a record whose files can't be read any more: then frames
              have no names and promises are not known
    criteria  as emulator.console.live_margins tells of them
    name      of the run folder
    played    it is a record that is shown again
    """
    scenario, rig = manifest.get("scenario", {}), manifest.get("rig", {})
    line = manifest.get("line", {})
    closed = bool(line.get("closed", True))
    start = float(scenario.get("start", {}).get("station_m", 0.0))
    finish = _finish(scenario, line, closed=closed) if session is None else session.finish_station
    return {
        "name": name,
        "played": played,
        "scenario": scenario.get("name", ""),
        "purpose": scenario.get("purpose", ""),
        "rig": rig.get("name", ""),
        "vehicle": manifest.get("vehicle", {}).get("name", ""),
        "line": {key: line.get(key, []) for key in ("x_m", "y_m", "station_m")}
        | {"length_m": line.get("length_m", 0.0), "closed": closed},
        "start_m": start,
        "finish_m": finish,
        "patches": [
            {"name": p.get("name", "patch"), "from_m": p["from_m"], "to_m": p["to_m"], "grip": p.get("grip")}
            for p in manifest.get("patches", [])
        ],
        "events": [_event(number, event) for number, event in enumerate(scenario.get("events", []))],
        "outputs": [] if session is None else list(_outputs(session)),
        "hole_ms": rig.get("timing", {}).get("hole_ms", 0.0),
        "criteria": list(criteria),
        "commands": [] if session is None else list(_commands(session)),
        "states": list(STATE_NAMES),
        "permissives": dict(zip(PERMISSIVES, PERMISSIVE_TEXTS, strict=True)),
        "signals": {signal.name: signal.unit for signal in SIGNALS},
    }


def _finish(scenario: Mapping[str, Any], line: Mapping[str, Any], *, closed: bool) -> float:
    length = float(line.get("length_m", 0.0))
    start = float(scenario.get("start", {}).get("station_m", 0.0))
    return start + int(scenario.get("laps", 1) or 1) * length if closed else length


def _event(number: int, event: Mapping[str, Any]) -> dict[str, Any]:
    """An event of the scenario: what it is, when it comes, and where if that is known before."""
    at = event.get("at") or {}
    return {
        "number": number,
        "name": event.get("name", ""),
        "kind": str(event.get("kind", "")),
        "when": _when(at),
        "station_m": at.get("station_m"),
        "lap": at.get("lap") or 1,
        "on_request": any(part.get("on_request") for part in _parts(at)),
    }


def _parts(at: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """A trigger and the triggers it is made of."""
    yield at
    for key in ("first_of", "all_of"):
        for part in at.get(key) or ():
            yield from _parts(part)


def _when(at: Mapping[str, Any]) -> str:
    """A trigger in words."""
    delay = f", {at['delay_s']:g} s later" if at.get("delay_s") else ""
    for key, words in _WORDS.items():
        if at.get(key) is not None:
            shown = f"{at[key]:g}" if isinstance(at[key], float) else at[key]
            lap = f" of lap {at['lap']}" if at.get("lap") else ""
            return words.format(shown) + lap + delay
    if at.get("on_request"):
        return f"when asked for{delay}"
    if at.get("between_s"):
        first, last = at["between_s"]
        return f"between {first:g} and {last:g} s into the ride{delay}"
    if at.get("signal"):
        level = "rises_above" if at.get("rises_above") is not None else "falls_below"
        return f"when {at['signal']} {level.replace('_', ' ')} {at[level]:g}{delay}"
    for key, words in (("first_of", " or "), ("all_of", " and ")):
        if at.get(key):
            return words.join(_when(part) for part in at[key]) + delay
    return "when the scenario says"


def _outputs(session: Session) -> Iterator[dict[str, Any]]:
    """What each output promises: its rate, and the age of its content."""
    for spec in output_specs(session):
        yield {
            "name": spec.name,
            "can_id": None if spec.can_id == GNSS else spec.can_id,
            "rate_hz": spec.rate_hz,
            "latency_ms": spec.latency_ns * 1e-6,
            "jitter_ms": spec.drawn_ns * 1e-6,
        }


def _commands(session: Session) -> Iterator[dict[str, Any]]:
    """The robot's frames, with the time-out that their silence has."""
    codec, rig = session.codec, session.rig
    timeouts = {
        "gear": rig.limits.heartbeat_timeout_ms,
        "steering": rig.limits.command_timeout_ms,
        "drive": rig.limits.command_timeout_ms,
    }
    for name in commands_in(codec.frames):
        yield {
            "name": codec.label(name) + (", with the heartbeat" if name == "gear" else ""),
            "can_id": int(codec.table.can_id[codec.frame(name)]),
            "period_ms": rig.device_under_test.periods_ms.get(name, USUAL_PERIODS_ms[name]),
            "timeout_ms": timeouts.get(name),
        }
