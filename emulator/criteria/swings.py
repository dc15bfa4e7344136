"""Whether what a disturbance sets swinging dies away, or goes on: a growing oscillation, a limit cycle."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from emulator.config.field_types import Name
from emulator.criteria.base import Criterion, Finding
from emulator.criteria.ride import JudgedRide, NotJudged

DIES_AWAY = 0.9
"""What may be left in the later span of what was in the earlier one: within 240 s it falls to a tenth."""
SWINGS = (0.05, 0.03)
"""[rad/s] rms of roll and steer rate from which it is a swing: some times those of a calm ride. Our choice,
without a published source."""
EARLY, LATE = (1 / 9, 4 / 9), (2 / 3, 1.0)
"""Spans that are compared, as shares of the time watched; of 45 s: 5 to 20 s and 30 to 45 s."""
_RATES = ("truth.roll_rate_rad_s", "truth.steer_rate_rad_s")


def swing(rates: NDArray[np.float64], span: tuple[float, float]) -> NDArray[np.float64]:
    """Rms (2,) about the mean, of roll and steer rate (n, 2) [rad/s] within a span, shares of all n."""
    first, last = (round(share * len(rates)) for share in span)
    return np.asarray(np.std(rates[first:last], axis=0))


def left_of_swing(rates: NDArray[np.float64]) -> float:
    """The larger share, of roll and steer, that is left late of what swung early; (n, 2) rates [rad/s].

    What is no swing early counts as one that would end at SWINGS: noise has no share. Above DIES_AWAY it goes
    on or grows.
    """
    early, late = swing(rates, EARLY), swing(rates, LATE)
    return float(np.max(late / np.maximum(early, np.array(SWINGS) / DIES_AWAY)))


class SwingDiesAway(Criterion):
    """After an event the bike does not go on swinging: less of roll and steer rate is left later than early.

    Compared are the rms from a ninth to four ninths of the time watched, and that of its last third.
    """

    kind: Literal["swing_dies_away"]
    after: Name
    """Event from whose beginning on it is watched."""
    watched_s: float = Field(default=45.0, ge=1, le=3600)
    """How long it is watched."""
    limit: float = Field(default=DIES_AWAY, gt=0, le=1)
    """Most that may be left of the earlier swing in the later one."""

    def find(self, ride: JudgedRide) -> Finding:
        """What is left; marked at the end of the time watched."""
        riding = np.flatnonzero(ride.running())
        start = ride.occurrence_of(self.after).start
        wanted = round(self.watched_s / ride.step_s(riding))
        rows = riding[riding >= start][:wanted]
        if len(rows) < wanted:
            raise NotJudged(f"the ride ended before watched_s, {self.watched_s:g} s, was over")
        left = left_of_swing(np.column_stack([ride.column(name, rows) for name in _RATES]))
        last = int(rows[-1])
        return Finding(
            left <= self.limit,
            self.limit - left,
            last,
            f"{left:.2f} of the swing after {self.after!r} was left (limit {self.limit:.2f})",
            rows=(int(rows[0]), last),
        )
