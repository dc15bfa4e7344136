"""The part of a ride a criterion looks at: keys of the file, and the rows of the record they mean."""

from __future__ import annotations

import math

import numpy as np
from pydantic import model_validator

from emulator.config.field_types import Name
from emulator.config.scenario.quantities import FromTime, Station
from emulator.config.validation import wrong
from emulator.criteria.base import Criterion
from emulator.criteria.ride import TICKS_A_SECOND, JudgedRide, NotJudged, Rows


class TimeWindow(Criterion):
    """A criterion that looks at a part of the ride, in time, from the support's release on."""

    from_s: FromTime = 0.0
    """Looks from this time of the ride on, never before the support's release; with an event of the window,
    counted from its beginning."""
    from_event: Name | None = None
    """Looks from the beginning of this event on. Left out: from the support's release on."""
    to_event: Name | None = None
    """Looks until the beginning of this event. Left out: to the end of the ride."""
    during_event: Name | None = None
    """Looks from this event's beginning to its end. Left out: at the whole ride."""
    recovery_s: FromTime | None = None
    """How much longer than ``during_event`` it looks: what an event does often shows when it is over. Left
    out: no longer."""

    @model_validator(mode="after")
    def _one_way_to_say_it(self) -> TimeWindow:
        for key in ("from_event", "to_event"):
            if self.during_event is not None and getattr(self, key) is not None:
                raise wrong(f"expected either during_event or {key}, got both", key)
        if self.recovery_s is not None and self.during_event is None:
            raise wrong("expected recovery_s only together with during_event", "recovery_s")
        return self

    @property
    def of_position(self) -> bool:
        """Whether it looks at where the bike is or is thought to be, which GNSS events spoil for longer."""
        return False

    def rows(self, ride: JudgedRide) -> Rows:
        """(n,) rows of its window. Raises NotJudged if there are none."""
        run, riding = ride.run, ride.running()
        free = riding & (ride.whole_column("truth.support", riding) == 0)
        if not free.any():
            raise NotJudged("the support never let go")
        first, end, zero = int(np.argmax(free)), len(riding), 0
        if self.from_event is not None:
            begun = ride.occurrence_of(self.from_event).start
            first, zero = max(first, begun), int(run.tick[begun])
        if self.to_event is not None:
            end = ride.occurrence_of(self.to_event).start
        if self.during_event is not None:
            span = ride.occurrence_of(self.during_event)
            first, zero = max(first, span.start), int(run.tick[span.start])
            if span.end is not None:
                over = run.tick[span.end] + round((self.recovery_s or 0.0) * TICKS_A_SECOND)
                end = int(np.searchsorted(run.tick, over))
        late = run.tick >= max(int(run.tick[first]), zero + round(self.from_s * TICKS_A_SECOND))
        rows: Rows = riding & late
        if not rows.any():
            event = self.from_event or self.during_event
            since = "into the ride" if event is None else f"after event {event!r} began"
            raise NotJudged(f"the ride ended before {self.from_s:g} s {since}")
        rows = rows & (np.arange(len(rows)) < end) & self._where(ride, rows)
        if not rows.any():
            raise NotJudged("no instant of the ride lies in its window")
        return rows

    def _where(self, _ride: JudgedRide, rows: Rows) -> Rows:
        """Those of the rows that lie in its window in place: all of them."""
        return rows


class Window(TimeWindow):
    """One that looks at a part in place as well: stations within every lap."""

    from_station_m: Station | None = None
    """Looks from this station of every lap on. Left out: from its start."""
    to_station_m: Station | None = None
    """Looks up to this station of every lap. Left out: to its end."""
    across_start: bool = False
    """Whether it looks from before the lap's end, at ``from_station_m``, into the next lap."""

    @model_validator(mode="after")
    def _has_a_length(self) -> Window:
        if self.from_station_m is not None and self.from_station_m == self.to_station_m:
            raise wrong(
                f"expected another station than from_station_m, got {self.to_station_m:g} for both",
                "to_station_m",
            )
        return self

    def _where(self, ride: JudgedRide, rows: Rows) -> Rows:
        first, last = self.from_station_m, self.to_station_m
        if first is None and last is None:
            return rows
        station = ride.whole_column("line.station_m", rows)
        line = ride.run.manifest.get("line")
        if isinstance(line, dict) and line.get("closed", True) and "length_m" in line:
            station = np.mod(station, float(line["length_m"]))
        after = station >= (0.0 if first is None else first)
        before = station <= (math.inf if last is None else last)
        if first is not None and last is not None and first > last:
            return np.asarray(after | before)
        return np.asarray(after & before)
