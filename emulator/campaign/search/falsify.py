"""A way to fail, looked for in several dimensions at once: the search goes where the margin is thinnest.

A first, spread generation looks everywhere; the thinnest of it are then bred towards each other by
differential evolution (Storn and Price 1997, doi:10.1023/A:1008202821328), scipy's: a generation is ridden at
once, and the same seed asks for the same rides. Once all of them have one margin it begins anew. It finds
what margins lead to: a failure without a slope around it, a needle in a flat field, no sooner than chance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import differential_evolution
from scipy.stats import qmc

from emulator.campaign.search.outcome import Generation, Outcome

AT_ONCE = 8
"""Rides of a generation."""
SPREAD = 32
"""Rides of the first one, at most half of the budget."""
_NO_MARGIN = 1000.0  # [%] of a ride that survived and had nothing with a limit
_LOST = -1e-9  # [%] of a ride that was lost without missing a limit
_CLOSED_UP = 0.05  # [%] standard deviation of a population's margins
_ENDLESS = 10**6


@dataclass(frozen=True)
class Span:
    """One thing that is varied, from ``low`` to ``high``. Raises ValueError for what is no range."""

    name: str
    low: float
    high: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low < self.high):
            raise ValueError(
                f"{self.name}: expected finite values that rise, got {self.low:g} to {self.high:g}"
            )


class RiddenPoint(NamedTuple):
    """Values in the order of the spans, and how their ride came out."""

    values: tuple[float, ...]
    outcome: Outcome


@dataclass(frozen=True)
class Falsification:
    """What a search for a failure came to.

    failure    the first that was lost, of its generation the one with the worst margin; None: none was
    thinnest   of all that count; None: none counts
    rides      all, in the order ridden
    """

    failure: RiddenPoint | None
    thinnest: RiddenPoint | None
    rides: tuple[RiddenPoint, ...]


class _Over(Exception):
    """The search has what it wants, or nothing left to spend."""


def falsify(
    spans: Sequence[Span], ride: Generation[tuple[float, ...]], *, budget: int, seed: int
) -> Falsification:
    """Look for a ride that is lost, with at most ``budget`` rides; ends with the generation that has one.

    spans  what is varied, one or more
    Raises ValueError for a budget too small for two generations, and for outcomes that are not as many as
    the rides asked for.
    """
    if not spans:
        raise ValueError("expected something to vary")
    if budget < 2 * AT_ONCE:
        raise ValueError(f"expected a budget of at least {2 * AT_ONCE} rides, got {budget}")
    low = np.array([span.low for span in spans])
    high = np.array([span.high for span in spans])
    ridden: list[RiddenPoint] = []

    def margins(shares: NDArray[np.float64]) -> NDArray[np.float64]:
        """Margins [%] at (n, dimensions) shares of the spans. Raises _Over."""
        left = budget - len(ridden)
        points = [tuple(map(float, low + share * (high - low))) for share in shares[:left]]
        outcomes = ride(points)
        if len(outcomes) != len(points):
            raise ValueError(f"{len(points)} rides asked for, {len(outcomes)} outcomes came back")
        ridden.extend(map(RiddenPoint, points, outcomes))
        if len(ridden) >= budget or any(outcome.lost for outcome in outcomes):
            raise _Over
        return np.array([margin_of(outcome) for outcome in outcomes])

    rng = np.random.default_rng(seed)
    spread = qmc.Sobol(len(spans), rng=rng)
    first = min(SPREAD, budget // 2)
    try:
        while True:  # a population that has closed up on one place is begun anew elsewhere
            shares = spread.random(1 << (first - 1).bit_length())[:first]
            thinnest = np.argsort(margins(shares), kind="stable")[:AT_ONCE]
            differential_evolution(
                lambda columns: margins(columns.T),
                [(0.0, 1.0)] * len(spans),
                init=shares[thinnest],
                rng=rng,
                vectorized=True,
                updating="deferred",
                polish=False,
                tol=0.0,
                atol=_CLOSED_UP,
                maxiter=_ENDLESS,
            )
    except _Over:
        pass
    lost = [point for point in ridden if point.outcome.lost]
    counted = [point for point in ridden if point.outcome.lost is not None]
    return Falsification(
        failure=min(lost, key=lambda p: margin_of(p.outcome), default=None),
        thinnest=min(counted, key=lambda p: margin_of(p.outcome), default=None),
        rides=tuple(ridden),
    )


def margin_of(outcome: Outcome) -> float:
    """Margin [%] that a search goes by; a ride that does not count is never worth going to."""
    if outcome.lost is None:
        return math.inf
    if outcome.margin_percent is None:
        return _LOST if outcome.lost else _NO_MARGIN
    return min(outcome.margin_percent, _LOST) if outcome.lost else outcome.margin_percent
