"""Margins while a ride lasts: how much of each limit is used now, and was at most so far.

A criterion that bounds one quantity at every instant is asked here as the verdict asks it, on the rows that
came since the last look. All others look at a whole ride, or at an event's part of it: they are judged after
the ride, and only named here. The verdict decides; this shows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.core.signals import SIGNALS, TICK_NS
from emulator.criteria.base import SHOWN, Criterion
from emulator.criteria.limits import WithinLimit
from emulator.criteria.ride import JudgedRide, NotJudged
from emulator.record.reader import Frames, Run

_NAMES = tuple(signal.name for signal in SIGNALS)
_NO_TIMES = np.empty(0, np.int64)
_NO_BYTES = np.empty(0, np.uint8)
_NO_FRAMES = Frames(
    tick=_NO_TIMES,
    time_ns=_NO_TIMES,
    valid_ns=_NO_TIMES,
    direction=_NO_BYTES,
    can_id=_NO_TIMES,
    length=_NO_BYTES,
    data=_NO_BYTES.reshape(0, 0),
    arrival_ns=_NO_TIMES,
)


@dataclass
class _Margin:
    """One criterion; shares of its limit, None where it does not look (yet)."""

    criterion: WithinLimit
    now: float | None = None
    worst: float | None = None
    worst_at_m: float | None = None


class LiveMargins:
    """The criteria of a ride in their order.

    manifest  of the ride: windows in place need the line's length
    """

    def __init__(self, criteria: Sequence[Criterion], manifest: Mapping[str, Any]) -> None:
        self._criteria = criteria
        self._margins = {
            i: _Margin(one)
            for i, one in enumerate(criteria)
            if isinstance(one, WithinLimit) and not _of_an_event(one)
        }
        self._manifest = dict(manifest)
        self._last: tuple[int, NDArray[np.float64]] | None = None

    def facts(self) -> list[dict[str, Any]]:
        """What is shown of each once: title, limit in words (empty for one without), whether it is live."""
        return [
            {
                "title": one.title,
                "limit": _limit_words(one) if i in self._margins else "",
                "live": i in self._margins,
            }
            for i, one in enumerate(self._criteria)
        ]

    def add(self, tick: NDArray[np.int64], rows: NDArray[np.float64]) -> None:
        """Rows (n, signals) of ticks (n,) that follow those of the last call."""
        if not self._margins or not len(tick):
            return
        if self._last is not None and self._last[0] == tick[0] - 1:  # what changes from row to row, too
            tick = np.concatenate([[self._last[0]], tick])
            rows = np.concatenate([self._last[1][None, :], rows])
        self._last = int(tick[-1]), rows[-1].copy()
        columns = {name: rows[:, i] for i, name in enumerate(_NAMES)}
        run = Run(Path(), self._manifest, tick, tick * TICK_NS, columns, _NO_FRAMES, [])
        ride = JudgedRide(run)
        for margin in self._margins.values():
            _look(margin, ride)

    def shown(self) -> list[list[float | None] | None]:
        """For each criterion share now, largest share, and where [m]; None for one that is not live."""
        return [
            [_rounded(m.now), _rounded(m.worst), m.worst_at_m] if (m := self._margins.get(i)) else None
            for i in range(len(self._criteria))
        ]


def _of_an_event(one: WithinLimit) -> bool:
    return bool(one.from_event or one.to_event or one.during_event)


def _look(margin: _Margin, ride: JudgedRide) -> None:
    """The share of the limit in the newest row, if the criterion looks there, and the largest."""
    try:
        measured = margin.criterion.measured(ride, margin.criterion.rows(ride))
    except NotJudged:
        margin.now = None
        return
    share = np.where(measured.rows, np.abs(measured.values), -1.0) / margin.criterion.limit_si
    margin.now = float(share[-1]) if measured.rows[-1] else None
    row = int(np.argmax(share))
    if margin.worst is None or share[row] > margin.worst:
        margin.worst = float(share[row])
        margin.worst_at_m = round(float(ride.run.signals["line.station_m"][row]), 1)


def _limit_words(criterion: Criterion) -> str:
    scale, unit = SHOWN.get(criterion.unit, (1.0, criterion.unit))
    return f"{criterion.limit_si * scale:g} {unit}".removesuffix(" 1")


def _rounded(share: float | None) -> float | None:
    return None if share is None else round(share, 4)
