"""Intervals for a proportion: exact ones for a number of runs fixed beforehand, others that hold at any time.

An exact interval holds for a number of runs that was fixed before. Looking after each run, and stopping when
the answer pleases, needs a sequence of intervals that hold all at once: with the stated confidence the true
proportion lies in every one of them. Both assume runs that are independent and alike.

Sources: Clopper, Pearson, Biometrika 26(4), 1934 (exact interval by quantiles of the beta distribution);
Robbins, Ann. Math. Stat. 41(5), 1970, and Ville's inequality (a mixture of likelihood ratios exceeds 1 /
alpha ever with a chance of at most alpha); all from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.optimize import brentq
from scipy.special import betaln
from scipy.stats import beta


@dataclass(frozen=True)
class Interval:
    """Bounds of a quantity and the confidence that it lies between them."""

    low: float
    high: float
    confidence: float

    def holds(self, value: float) -> bool:
        """Whether ``value`` lies between the bounds, or on one."""
        return self.low <= value <= self.high


def exact_interval(events: int, runs: int, confidence: float = 0.95) -> Interval:
    """Two-sided Clopper-Pearson interval for a proportion, ``events`` seen in ``runs`` fixed beforehand.

    Covers with at least ``confidence`` whatever the proportion, mostly with more.
    Raises ValueError where events are not within 0 and runs, runs not at least 1, confidence not within 0 and
    1.
    """
    _check(events, runs, confidence)
    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if events == 0 else float(beta.ppf(tail, events, runs - events + 1))
    high = 1.0 if events == runs else float(beta.isf(tail, events + 1, runs - events))
    return Interval(low, high, confidence)


def upper_bound(events: int, runs: int, confidence: float = 0.95) -> float:
    """One-sided Clopper-Pearson bound: the proportion is at most this. Errors as :func:`exact_interval`.

    For none seen it is 1 - (1 - confidence)^(1 / runs), about 3 / runs at 95 %: none seen is a bound, never
    zero.
    """
    _check(events, runs, confidence)
    return 1.0 if events == runs else float(beta.isf(1.0 - confidence, events + 1, runs - events))


def runs_for_bound(proportion: float, confidence: float = 0.95) -> int:
    """How many runs without an event it takes until :func:`upper_bound` is at most ``proportion``."""
    if not (0.0 < proportion < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError("proportion and confidence have to lie between 0 and 1")
    return math.ceil(math.log1p(-confidence) / math.log1p(-proportion) - 1e-9)


def interval_at_any_time(events: int, runs: int, confidence: float = 0.95) -> Interval:
    """Interval after ``runs``, of a sequence that holds after every number of runs together.

    A proportion q is left out once the chance of what was seen, mixed over all proportions evenly, exceeds
    its chance under q by 1 / (1 - confidence). Errors as :func:`exact_interval`; ``runs`` of 0 gives 0 to 1.
    """
    if runs == 0 and events == 0:
        return Interval(0.0, 1.0, confidence)
    _check(events, runs, confidence)
    mixed = float(betaln(events + 1, runs - events + 1))
    limit = mixed + math.log1p(-confidence)

    def kept(q: float) -> float:
        """Positive where q is kept."""
        log_q = events * math.log(q) if events else 0.0
        log_rest = (runs - events) * math.log1p(-q) if runs > events else 0.0
        return log_q + log_rest - limit

    # the chance under q has one peak, at the proportion seen, and falls to both sides
    peak = min(max(events / runs, 1e-300), 1.0 - 1e-16)
    low = 0.0 if events == 0 else float(brentq(kept, 1e-300, peak, xtol=1e-300, rtol=1e-12))
    high = 1.0 if events == runs else float(brentq(kept, peak, 1.0 - 1e-16, xtol=1e-300, rtol=1e-12))
    return Interval(low, high, confidence)


@dataclass(frozen=True)
class StopRule:
    """When enough is known of a proportion, by an interval that holds at any time.

    below     stop as soon as the proportion is proven to be less, or proven to be more; None: no such goal
    quotient  stop as soon as the upper bound is at most this many times the lower; None: no such goal
    """

    below: float | None = None
    quotient: float | None = None
    confidence: float = 0.95

    def reached(self, events: int, runs: int) -> bool:
        """Whether a goal is reached after ``runs``, ``events`` of which were events."""
        found = interval_at_any_time(events, runs, self.confidence)
        proven = self.below is not None and (found.high < self.below or found.low > self.below)
        narrow = self.quotient is not None and 0.0 < found.high <= self.quotient * found.low
        return proven or narrow


def _check(events: int, runs: int, confidence: float) -> None:
    """Raise ValueError where the arguments make no proportion."""
    if runs < 1 or not 0 <= events <= runs:
        raise ValueError(f"{events} events in {runs} runs are no proportion")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence {confidence} is not between 0 and 1")
