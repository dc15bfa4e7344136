"""What a ride is like at this moment, read from the rings of the loop; nothing is ever asked of the loop.

A look copies what is new since the last one. Whoever looks too seldom loses rows, never the loop; how many is
part of what is shown.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.bench import EVENT_KINDS
from emulator.console.frame_ages import FrameAges
from emulator.console.live_margins import LiveMargins
from emulator.core.signals import INDEX, RUNNING, STANDBY, TICK_NS, TRIPPED, UNARMED_TICK
from emulator.core.trip_reasons import TripReason
from emulator.plant.states import EV_ENABLE, MISSING_ENABLE, PERMISSIVE_TEXTS, STATE_NAMES
from emulator.record.process import LOOP_EVENT_KINDS
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.status import BY_BUTTON, Command, LoopEvent, LoopState, RecorderState, Status

STRIP_HZ = 100
"""Samples a second of a signal that somebody follows."""
_THINNED = 1_000_000_000 // TICK_NS // STRIP_HZ
_KEPT_EVENTS = 200
_STANDS_STILL_S = 1.0
_KINDS: dict[int, str] = EVENT_KINDS | {int(code): kind for code, kind in LOOP_EVENT_KINDS.items()}

_SHOWN = {
    "x": "truth.x_m",
    "y": "truth.y_m",
    "heading": "truth.heading_rad",
    "roll": "truth.roll_rad",
    "pitch": "truth.pitch_rad",
    "steer": "truth.steer_rad",
    "speed": "truth.speed_m_s",
    "gear": "truth.gear",
    "engine": "truth.engine_rad_s",
    "support": "truth.support",
    "fallen": "truth.fallen",
    "station": "line.station_m",
    "offset": "line.offset_m",
    "target": "line.target_speed_m_s",
    "estimate_x": "robot.estimate_x_m",
    "estimate_y": "robot.estimate_y_m",
}
"""Of the newest row what every page draws: short name, signal."""


class Rows(NamedTuple):
    """Rows that came with one look, thinned to STRIP_HZ: times [s] (k,) and values (k, signals)."""

    time_s: NDArray[np.float64]
    values: NDArray[np.float64]


class Observer:
    """Looks at one ride; ``look`` as often as somebody wants to see it.

    margins  the criteria that are shown as they go
    """

    def __init__(self, snapshot: Snapshot, margins: LiveMargins) -> None:
        self._snapshot, self._margins = snapshot, margins
        self._rows = snapshot.signal_reader(from_now=True)
        self._frames = snapshot.frame_reader(from_now=True)
        self._events = snapshot.event_reader()
        self._ages = FrameAges()
        self._row: NDArray[np.float64] | None = None
        self._tick = UNARMED_TICK
        self._armed = False
        self._told: deque[dict[str, Any]] = deque(maxlen=_KEPT_EVENTS)
        self._event_count = 0
        self._beat, self._beat_s = -1, 0.0
        self.lost = 0

    def look(self, now_s: float) -> tuple[dict[str, Any], Rows]:
        """This moment in plain values, and the rows since the last look; ``now_s`` of a monotonic clock."""
        came = self._rows.read()
        self.lost += came.lost
        # Before arming nobody knows when the ride starts: these ticks are no scenario time.
        known = came.tick > UNARMED_TICK // 2
        tick, rows = came.tick[known], came.rows[known]
        if len(came.tick):
            self._tick, self._row = int(came.tick[-1]), came.rows[-1]
        self._margins.add(tick, rows)
        self._read_events()
        state = self._state()
        self._ages.add(self._frames.read(), riding=state == RUNNING)
        self._ages.turn(self._tick)
        kept = tick % _THINNED == 0
        return self._moment(state, now_s), Rows(tick[kept] * (TICK_NS * 1e-9), rows[kept])

    def events_since(self, number: int) -> tuple[int, list[dict[str, Any]]]:
        """How many events there were so far, and those after the first ``number`` that are still kept."""
        new = self._event_count - number
        return self._event_count, list(self._told)[-new:] if new > 0 else []

    def _read_events(self) -> None:
        events, lost = self._events.read()
        self._event_count += lost
        for event in events:
            at_once = event.code == LoopEvent.COMMAND and event.index == Command.ARM
            if event.code == EV_ENABLE or (at_once and event.value != BY_BUTTON):
                self._armed = True
            riding = event.tick > UNARMED_TICK // 2
            self._told.append(
                {
                    "time_s": round(event.tick * TICK_NS * 1e-9, 3) if riding else None,
                    "kind": _KINDS.get(event.code, "event"),
                    "text": event.text,
                }
            )
            self._event_count += 1

    def _state(self) -> int:
        state = self._value("bench.state")
        return STANDBY if state is None else int(state)

    def _value(self, name: str) -> float | None:
        """Of the newest row; None where it is no number, and before the first row."""
        if self._row is None:
            return None
        value = float(self._row[INDEX[name]])
        return value if math.isfinite(value) else None

    def _moment(self, state: int, now_s: float) -> dict[str, Any]:
        status = self._snapshot.status
        missing = self._missing()
        ages = self._ages.shown(self._tick)
        loop = self._loop(now_s)
        return {
            "time_s": round(self._tick * TICK_NS * 1e-9, 3) if self._tick > UNARMED_TICK // 2 else None,
            "state": STATE_NAMES[state],
            "armed": self._armed,
            "button_awaited": bool(self._missing_mask() & MISSING_ENABLE),
            "missing": missing,
            "trip": self._trip(state, missing),
            **{key: _short(self._value(name)) for key, name in _SHOWN.items()},
            "active": int(self._value("bench.events_active") or 0),
            "margins": self._margins.shown(),
            **ages,
            "loop": loop,
            "recorder": RecorderState(status[Status.RECORDER_STATE]).name.lower(),
            "lost": self.lost + self._ages.lost,
            "event_count": self._event_count,
        }

    def _missing_mask(self) -> int:
        return int(self._value("bench.permissives_missing") or 0)

    def _missing(self) -> list[str]:
        mask = self._missing_mask()
        return [text for bit, text in enumerate(PERMISSIVE_TEXTS) if mask >> bit & 1]

    def _trip(self, state: int, missing: Sequence[str]) -> dict[str, str] | None:
        number = int(self._value("bench.trip_reason") or 0)
        if state != TRIPPED or not number:
            return None
        reason = TripReason(number)
        return {"text": reason.in_words(", ".join(missing)), "what_to_do": reason.what_to_do}

    def _loop(self, now_s: float) -> dict[str, Any]:
        """How the loop does: whether it comes round, how late it wakes, what it counts."""
        status = self._snapshot.status
        beat = status[Status.LOOP_HEARTBEAT]
        if beat != self._beat:
            self._beat, self._beat_s = beat, now_s
        cycling = status[Status.LOOP_STATE] == LoopState.CYCLING
        still_s = now_s - self._beat_s if cycling else 0.0
        return {
            "state": LoopState(status[Status.LOOP_STATE]).name.lower(),
            "still_s": round(still_s, 1) if still_s > _STANDS_STILL_S else 0.0,
            "late_p99_us": round(status[Status.LATENESS_P99_NS] * 1e-3, 1),
            "late_max_us": round(status[Status.LATENESS_MAX_NS] * 1e-3, 1),
            "compute_p99_us": round(status[Status.COMPUTE_P99_NS] * 1e-3, 1),
            "overruns": status[Status.OVERRUNS],
            "send_lost": status[Status.SEND_LOST],
            "receive_lost": status[Status.RECEIVE_LOST],
            "bus_errors": status[Status.BUS_ERRORS],
        }


def strips(rows: Rows, names: Sequence[str]) -> dict[str, Any]:
    """Times and values of some signals in the rows of a look; null where a value is no number."""
    values = {
        name: [_short(value) for value in rows.values[:, INDEX[name]].tolist()]
        for name in names
        if name in INDEX
    }
    return {"time_s": np.round(rows.time_s, 3).tolist(), "values": values}


def _short(value: float | None) -> float | None:
    """Five digits are more than a screen has room for."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.5g}")
