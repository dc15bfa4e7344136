"""The scenario's events as the compiled plant takes them: events, what starts them, faults of frames."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.session import Session
from emulator.config.scenario.event_needs import rig_view
from emulator.config.scenario.events import Event, Trigger
from emulator.core.random_streams import stream_start, uniform
from emulator.core.signals import INDEX, TICK_NS
from emulator.events.frame_faults import fill_frame_fault, frame_fault_table
from emulator.events.progress import ticks
from emulator.events.table import FRAME, KINDS, event_table
from emulator.events.trigger import (
    AT_STATION,
    AT_TICK,
    CROSSING,
    EVENT_ENDED,
    EVENT_STARTED,
    ON_REQUEST,
    SOME_OF,
    TRIGGER_DTYPE,
)


def stream_names(events: Sequence[Event]) -> list[str]:
    """Two random streams an event: of its effect, and of whether, when and how long."""
    return [f"event/{e.name}{part}" for e in events for part in ("", "/chance")]


def stream_seeds(events: Sequence[Event], seed: int) -> list[int]:
    """Seeds of the same: the event's own, or the run's."""
    return [seed if e.seed is None else e.seed for e in events for _ in range(2)]


def events_of(session: Session, first_stream: int) -> NDArray[np.void]:
    """(N,) EVENT_DTYPE in the scenario's order; their streams stand from ``first_stream`` on."""
    events = session.scenario.events
    view = rig_view(session.rig, session.codec)
    table = event_table(len(events))
    for i, event in enumerate(events):
        e = table[i]
        e["kind"] = KINDS.index(event.declaration)
        e["stream"], e["chance"] = first_stream + 2 * i, first_stream + 2 * i + 1
        e["probability"] = event.probability
        if event.duration_s is not None:
            e["duration"] = ticks(event.duration_s)
        if event.repeat is not None:
            e["repeats"] = event.repeat.times
            e["every"] = 0 if event.repeat.every_s is None else ticks(event.repeat.every_s)
        pauses = getattr(event, "intermittent", None)
        if pauses is not None:
            e["on_ticks"], e["off_ticks"] = pauses.on_s * 1e9 / TICK_NS, pauses.off_s * 1e9 / TICK_NS
            e["drawn"] = int(pauses.drawn)
        e["ramp"] = ticks(getattr(event, "ramp_s", None) or 0.0)
        share = getattr(event, "share", None)
        e["share"] = 1.0 if share is None else share
        event.declaration.fill(e, event, view)
    return table


# ---- triggers --------------------------------------------------------------------------------------------


def triggers_of(session: Session) -> NDArray[np.void]:
    """(T,) TRIGGER_DTYPE: the conditions of all events, children before what stands above them."""
    rows: list[Any] = []
    for i, event in enumerate(session.scenario.events):
        _trigger(session, rows, i, event, event.at, "at")
    return np.array(rows, TRIGGER_DTYPE) if rows else np.zeros(0, TRIGGER_DTYPE)


def _trigger(session: Session, rows: list[Any], i: int, event: Event, trigger: Trigger, place: str) -> Any:
    """Append a condition behind its parts and return it; what it is part of enters its own place later."""
    row: Any = np.zeros(1, TRIGGER_DTYPE)[0]
    parts = trigger.first_of or trigger.all_of or ()
    children = [
        _trigger(session, rows, i, event, part, f"{place}/{number}") for number, part in enumerate(parts)
    ]
    row["event"], row["parent"], row["delay"] = i, -1, ticks(trigger.delay_s)
    names = [e.name for e in session.scenario.events]
    if parts:
        row["kind"], row["need"] = SOME_OF, 1 if trigger.first_of else len(parts)
    elif trigger.time_s is not None:
        row["kind"], row["tick"] = AT_TICK, ticks(trigger.time_s)
    elif trigger.between_s is not None:
        row["kind"], row["tick"] = AT_TICK, _drawn_tick(session, event, trigger.between_s, place)
    elif trigger.signal is not None:
        row["kind"], row["signal"] = CROSSING, INDEX[trigger.signal]
        row["sign"] = 1.0 if trigger.rises_above is not None else -1.0
        row["level"] = trigger.falls_below if trigger.rises_above is None else trigger.rises_above
        row["hysteresis"] = trigger.hysteresis or 0.0
    elif trigger.started is not None:
        row["kind"], row["other"] = EVENT_STARTED, names.index(trigger.started)
    elif trigger.ended is not None:
        row["kind"], row["other"] = EVENT_ENDED, names.index(trigger.ended)
    elif trigger.on_request:
        row["kind"] = ON_REQUEST
    else:
        row["kind"], row["lap"] = AT_STATION, session.line.length
        row["station"] = _station(session, trigger)
    for child in children:
        child["parent"] = len(rows)
    rows.append(row)
    return row


def _drawn_tick(session: Session, event: Event, window_s: tuple[float, float], place: str) -> int:
    seed = session.seed if event.seed is None else event.seed
    drawn = uniform(np.array([stream_start(seed, f"event/{event.name}/{place}")], np.uint64), 0)
    return ticks(window_s[0] + drawn * (window_s[1] - window_s[0]))


def _station(session: Session, trigger: Trigger) -> float:
    """Station of a trigger, laps added up."""
    if trigger.sector is not None:
        station = (0.0, *session.sector_ends)[trigger.sector - 1]
    else:
        assert trigger.station_m is not None  # what is left: the schema's rule
        station = trigger.station_m
    start = session.scenario.start.station_m
    laps = (trigger.lap or 1) - 1
    # lap 1 passes stations before the start line at its end
    return station + session.line.length * (laps + (station < start))


# ---- faults of frames ------------------------------------------------------------------------------------


def frame_faults_of(session: Session) -> NDArray[np.void]:
    """(G,) FRAME_FAULT_DTYPE: what stands in the way of frames, in the scenario's order."""
    events = session.scenario.events
    chosen = [i for i, event in enumerate(events) if event.declaration is KINDS[FRAME]]
    table = frame_fault_table(len(chosen))
    view = rig_view(session.rig, session.codec)
    for g, i in zip(table, chosen, strict=True):
        fill_frame_fault(g, i, events[i], view)
    return table
