"""The scenario's events as the compiled plant takes them: events, what starts them, gates on frames."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.session import Session
from emulator.config.scenario.events import (
    ActuatorEvent,
    BusEvent,
    Event,
    FaultEvent,
    FrameEvent,
    GearboxEvent,
    GnssEvent,
    GripEvent,
    GustEvent,
    RestartEvent,
    Trigger,
)
from emulator.core.random_streams import stream_start, uniform
from emulator.core.signals import INDEX, TICK_NS
from emulator.events.actuator_faults import ACTUATOR_EFFECTS, CHANNELS
from emulator.events.frame_faults import FRAME_EFFECTS, FROM_ROBOT, TO_ROBOT, frame_fault_table
from emulator.events.sample_faults import EFFECTS
from emulator.events.table import (
    BUS_EFFECTS,
    EVENT_NAMES,
    GNSS_EFFECTS,
    MULTIPATH,
    SHIFT_EFFECTS,
    event_table,
)
from emulator.events.trigger import (
    ASKED,
    AT_STATION,
    AT_TICK,
    CROSSING,
    EVENT_ENDED,
    EVENT_STARTED,
    SOME_OF,
    TRIGGER_DTYPE,
)
from emulator.plant.events import SENSORS
from emulator.plant.outputs import OUTPUT_VALUES
from emulator.sensors.gnss_fix import RANKS

GNSS_LINE = -2
"""``can_id`` of a gate on the GNSS receiver's sentences; no frame has it."""


def ticks(seconds: float) -> int:
    """The nearest whole number of ticks."""
    return round(seconds / (TICK_NS * 1e-9))


def stream_names(events: Sequence[Event]) -> list[str]:
    """Two random streams an event: of its effect, and of whether, when and how long."""
    return [f"event/{e.name}{part}" for e in events for part in ("", "/chance")]


def stream_seeds(events: Sequence[Event], seed: int) -> list[int]:
    """Seeds of the same: the event's own, or the run's."""
    return [seed if e.seed is None else e.seed for e in events for _ in range(2)]


def events_of(session: Session, first_stream: int) -> NDArray[np.void]:
    """(N,) EVENT_DTYPE in the scenario's order; their streams stand from ``first_stream`` on."""
    events = session.scenario.events
    table = event_table(len(events))
    for i, event in enumerate(events):
        e = table[i]
        e["kind"] = EVENT_NAMES.index(event.kind)
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
        _own(session, e, event)
        if event.kind == "mark":
            e["duration"] = 0
    return table


def _own(session: Session, e: np.void, event: Event) -> None:
    """What only this kind of event has."""
    if isinstance(event, FaultEvent):
        e["effect"], e["signal"] = EFFECTS.index(event.effect), OUTPUT_VALUES.index(event.signal)
        e["value"] = 0.0 if event.value is None else event.value
        e["low"] = -math.inf if event.low is None else event.low
        e["high"] = math.inf if event.high is None else event.high
        if event.delay_ms is not None:
            e["delay_ticks"] = ticks(event.delay_ms * 1e-3)
            e["delay"] = round(event.delay_ms * 1e-3 * rate_of(session, event.signal))
    elif isinstance(event, FrameEvent):
        e["effect"] = FRAME_EFFECTS.index(event.effect)
    elif isinstance(event, ActuatorEvent):
        e["effect"], e["signal"] = ACTUATOR_EFFECTS.index(event.effect), CHANNELS.index(event.channel)
        given = event.value if event.factor is None else event.factor
        e["value"] = math.nan if given is None else given
    elif isinstance(event, BusEvent):
        e["effect"], e["signal"] = BUS_EFFECTS.index(event.effect), event.identifier or 0
        e["value"] = event.load or 0.0
    elif isinstance(event, RestartEvent):
        e["signal"] = SENSORS.index(event.sensor)
    elif isinstance(event, GripEvent):
        e["value"] = event.factor
        if event.from_m is not None and event.to_m is not None:
            e["from_m"], e["to_m"] = event.from_m, event.to_m
            e["left_m"], e["right_m"], e["edge_m"] = event.left_m, event.right_m, event.edge_m
    elif isinstance(event, GustEvent):
        # it comes *from* its direction, clockwise from north
        e["value"], e["heading"] = event.speed_m_s, math.radians(270.0 - event.from_deg)
    elif isinstance(event, GearboxEvent):
        e["effect"] = SHIFT_EFFECTS.index(event.effect)
    elif isinstance(event, GnssEvent):
        _gnss(e, event)


def _gnss(e: np.void, event: GnssEvent) -> None:
    """The best fix it leaves, satellites it takes, its bias, its clock."""
    e["effect"] = GNSS_EFFECTS.index(event.effect)
    best = "none" if event.effect == "outage" else event.best_fix or RANKS[-1]
    e["best_fix"], e["satellites"] = RANKS.index(best), event.satellites_lost or 0
    e["value"] = event.bias_m or event.time_s or 0.0
    e["heading"] = math.nan if event.towards_deg is None else math.radians(90.0 - event.towards_deg)
    e["correlation"] = event.correlation_time_s or 10.0
    if e["effect"] == MULTIPATH and event.ramp_s is None:
        assert event.duration_s is not None  # the schema's rule
        e["ramp"] = ticks(0.5 * event.duration_s)


def rate_of(session: Session, signal: str) -> float:
    """How often [1/s] a signal is sampled: the rate of the fastest output that carries it."""
    rates = [
        session.rig.outputs[name].rate_hz  # type: ignore[index]
        for name in session.outputs
        if signal in session.codec.signals[session.codec.frame(name)]
    ]
    if signal.startswith("gnss_"):
        rates.append(session.rig.sensors.gnss.rate_hz)
    return max(rates, default=0.0)


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
    elif trigger.asked:
        row["kind"] = ASKED
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


# ---- gates -----------------------------------------------------------------------------------------------


def frame_faults_of(session: Session) -> NDArray[np.void]:
    """(G,) GATE_DTYPE: what stands in the way of frames, in the scenario's order."""
    chosen = [(i, e) for i, e in enumerate(session.scenario.events) if isinstance(e, FrameEvent)]
    table = frame_fault_table(len(chosen))
    ids = {name: int(i) for name, i in zip(session.codec.frames, session.codec.table.can_id, strict=True)}
    for g, (i, event) in zip(table, chosen, strict=True):
        g["event"], g["effect"] = i, FRAME_EFFECTS.index(event.effect)
        g["can_id"] = GNSS_LINE if event.frame == "gnss" else ids[event.frame]
        ours = event.frame == "gnss" or event.frame in session.outputs
        g["direction"] = TO_ROBOT if ours else FROM_ROBOT
        if event.shows is not None:
            g["other_id"] = ids[event.shows]
        g["copies"], g["flips"] = event.copies or 1, event.flips or 0
        g["delay"] = 0 if event.delay_ms is None else ticks(event.delay_ms * 1e-3)
        g["every"] = 1 if event.every_ms is None else ticks(event.every_ms * 1e-3)
        for key in ("mask", "payload"):
            data = bytes.fromhex(getattr(event, key) or "")
            g[key][: len(data)] = list(data)
        g["length"] = len(bytes.fromhex(event.payload or ""))
    return table
