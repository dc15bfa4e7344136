"""Criteria about times: a lap, a sector of one."""

from __future__ import annotations

import math
from typing import Annotated, Literal, TypeAlias

import numpy as np
from pydantic import Field

from emulator.criteria.base import Criterion, Finding
from emulator.criteria.ride import JudgedRide, NotJudged
from emulator.record.lap_times import ON_THE_LINE, lap_times

LimitTime: TypeAlias = Annotated[float, Field(gt=0, le=86_400)]


class LapTime(Criterion):
    """A lap takes at most so long."""

    panel = "truth.speed_m_s"

    kind: Literal["lap_time"]
    limit_s: LimitTime
    """Longest time of the lap."""
    lap: int | None = Field(default=None, ge=1, le=1000)
    """Number of the lap, counted from 1. Left out: the slowest whole one."""

    def find(self, ride: JudgedRide) -> Finding:
        """The end of the lap."""
        return _slowest(ride, self.limit_s, self.lap, None)


class SectorTime(Criterion):
    """A sector of a lap takes at most so long."""

    panel = "truth.speed_m_s"

    kind: Literal["sector_time"]
    limit_s: LimitTime
    """Longest time of the sector."""
    sector: int = Field(ge=1, le=1000)
    """Number of the sector, counted from 1."""
    lap: int | None = Field(default=None, ge=1, le=1000)
    """Number of the lap, counted from 1. Left out: the one with the slowest such sector."""

    def find(self, ride: JudgedRide) -> Finding:
        """The end of the sector."""
        return _slowest(ride, self.limit_s, self.lap, self.sector)


def _slowest(ride: JudgedRide, limit_s: float, number_of_lap: int | None, sector: int | None) -> Finding:
    """The slowest lap, or sector of one, of all or of that number."""
    station = ride.column("line.station_m", ride.running())
    line = ride.run.manifest.get("line")
    ends = ride.sector_ends_m
    if not ends or (isinstance(line, dict) and not line.get("closed", True)):
        raise NotJudged("this line has no laps")
    if sector is not None and sector > len(ends):
        raise NotJudged(f"a lap of this line has {len(ends)} sectors")
    what = "lap" if sector is None else f"sector {sector} of lap"
    laps = lap_times(ride.run, ends).laps
    if number_of_lap is not None:
        laps = tuple(lap for lap in laps if lap.number == number_of_lap)
        if not laps:
            raise NotJudged(f"lap {number_of_lap} was not ridden")
    timed = [
        (time_s, lap.number)
        for lap in laps
        if (time_s := lap.time_s if sector is None else lap.sectors_s[sector - 1]) is not None
    ]
    if not timed:
        why = f": {laps[0].note}" if laps and laps[0].note else ""
        raise NotJudged(f"{'no lap' if sector is None else f'no sector {sector}'} was ridden whole{why}")
    slowest_s, number = max(timed)
    # the mark it ended at: laps are counted from the timing line before the ride's start
    origin = math.floor((station[0] + ON_THE_LINE) / ends[-1]) * ends[-1]
    mark = origin + (number - 1) * ends[-1] + (ends[-1] if sector is None else ends[sector - 1])
    reached = ride.run.signals["line.station_m"] >= mark
    row = int(np.argmax(reached))
    several = f", the slowest of {len(timed)}" if len(timed) > 1 else ""
    return Finding(
        slowest_s <= limit_s,
        limit_s - slowest_s,
        row,
        f"{what} {number} took {slowest_s:.3f} s (limit {limit_s:.3f} s{several}), {ride.instant(row)}",
    )
