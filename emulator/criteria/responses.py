"""Criteria about an event's consequences: the reaction, a signal that settles, a swing that dies away."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from emulator.config.field_types import Name, RecordedSignal
from emulator.config.validation import wrong
from emulator.core.signals import INDEX, SIGNALS
from emulator.criteria.base import Criterion, Finding, NotMet
from emulator.criteria.condition import Condition, with_unit
from emulator.criteria.laps import LimitTime
from emulator.criteria.ride import JudgedRide, NotJudged
from emulator.criteria.temporal import Monitor

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


class ReactionTime(Criterion):
    """The robot acts soon after an event: a condition comes true, or a signal of it changes."""

    kind: Literal["reaction_time"]
    after: Name
    """Event from whose beginning on time is counted."""
    limit_s: LimitTime
    """Longest time until the robot acts."""
    shown_by: Condition | None = None
    """Condition over ``robot`` signals that shows that it has acted. Left out: ``signal`` and ``change``
    show it."""
    signal: RecordedSignal | None = None
    """A ``robot`` signal whose change shows that it has acted. Left out: ``shown_by`` shows it."""
    change: float | None = Field(default=None, gt=0)
    """[unit of the signal] How far it has to differ from what it was when the event began. Left
    out: ``shown_by`` shows it."""

    @model_validator(mode="after")
    def _one_action(self) -> ReactionTime:
        if (self.shown_by is None) == (self.signal is None):
            raise wrong("expected either shown_by, or signal and change")
        if (self.signal is None) != (self.change is None):
            raise wrong("expected signal and change together, got one of both")
        for name in (self.signal,) if self.shown_by is None else self.shown_by.signals():
            if name is not None and not name.startswith("robot."):
                key = "signal" if self.shown_by is None else "shown_by"
                raise wrong(f"expected signals of the robot (robot.throttle and so on), got {name}", key)
        return self

    def find(self, ride: JudgedRide) -> Finding:
        """The first instant at which it has acted."""
        riding = np.flatnonzero(ride.running())
        start = ride.occurrence_of(self.after).start
        rows = riding[riding >= start]
        if self.shown_by is not None:
            names = dict.fromkeys(self.shown_by.signals())
            signals = {name: ride.column(name, rows) for name in names}
            done = Monitor(signals, ride.step_s(rows)).margins(self.shown_by.formula()) >= 0.0
        else:
            assert self.signal is not None  # one of both is given: the model's rule
            values = ride.column(self.signal, rows)
            done = np.abs(values - values[0]) >= self.change
        if not done.any():
            left_s = ride.between_s(int(rows[0]), int(rows[-1]))
            raise NotMet(f"no reaction to {self.after!r} in the {left_s:.3f} s that were left of the ride")
        k = int(np.argmax(done))
        row = int(rows[k])
        took_s = ride.between_s(start, row)
        what = f"{took_s:.3f} s after {self.after!r} began" if k else f"already when {self.after!r} began"
        passed = took_s <= self.limit_s
        return Finding(
            passed,
            self.limit_s - took_s,
            row,
            f"reacted {what} (limit {self.limit_s:.3f} s), {ride.instant(row)}",
            rows=(start, row),
        )


class SettleTime(Criterion):
    """A signal is back within a band around a value soon after an event, and stays there.

    Looked at are ``limit_s`` and ``stay_s`` together.
    """

    kind: Literal["settle_time"]
    after: Name
    """Event that time is counted from."""
    counted_from: Literal["start", "end"] = "start"
    """Whether time is counted from the event's beginning or from its end."""
    limit_s: LimitTime
    """Longest time until the signal is in its band for good."""
    signal: RecordedSignal
    """The recorded signal that has to settle."""
    around: float = 0.0
    """[unit of the signal] Middle of the band."""
    within: float = Field(gt=0)
    """[unit of the signal] Half width of the band: plus and minus so much."""
    stay_s: float = Field(default=1.0, gt=0, le=3600)
    """How long it has to stay in the band."""

    def find(self, ride: JudgedRide) -> Finding:
        """The first instant from which on it is in its band."""
        riding = np.flatnonzero(ride.running())
        span = ride.occurrence_of(self.after)
        start = span.start if self.counted_from == "start" else span.end
        if start is None:
            raise NotJudged(f"event {self.after!r} lasted as long as the ride")
        wanted = round((self.limit_s + self.stay_s) / ride.step_s(riding))
        rows = riding[riding >= start][: wanted + 1]
        if len(rows) <= wanted:
            raise NotJudged(
                f"the ride ended before limit_s and stay_s, {self.limit_s + self.stay_s:g} s, were over"
            )
        off = np.abs(ride.column(self.signal, rows) - self.around)
        outside = np.flatnonzero(off > self.within)
        unit = SIGNALS[INDEX[self.signal]].unit
        band = f"{with_unit(self.within, unit)} around {with_unit(self.around, unit)}"
        k = int(outside[-1]) + 1 if len(outside) else 0
        row = int(rows[min(k, wanted)])
        took_s = ride.between_s(int(rows[0]), row)
        since = f"{self.after!r} {'began' if self.counted_from == 'start' else 'ended'}"
        passed = took_s <= self.limit_s
        what = f"was within {band} for good {took_s:.3f} s after {since}"
        if k == 0:
            what = f"was within {band} all the time since {since}"
        elif k > wanted:
            what = f"was still not within {band} {took_s:.3f} s after {since}"
        worst = with_unit(float(off.max()), unit)
        return Finding(
            passed,
            self.limit_s - took_s,
            row,
            f"{self.signal} {what} (limit {self.limit_s:.3f} s), up to {worst} off; {ride.instant(row)}",
            rows=(int(rows[0]), int(rows[-1])),
        )


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
    """[1] Largest share of the earlier swing that may be left in the later one."""

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
