"""The probability that a ride is lost, over stated distributions: rides drawn, and what they say."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import NDArray
from scipy.stats import lognorm, norm, truncnorm, uniform

from emulator.campaign.estimates.intervals import Interval, StopRule, exact_interval, interval_at_any_time
from emulator.campaign.estimates.rare import Marginal, Method, RareEvent, physical
from emulator.campaign.search.falsify import margin_of
from emulator.campaign.search.outcome import Generation, Outcome
from emulator.config.campaign.chances import Distribution, FixedNumber, LogNormal, RareFailure, Uniform
from emulator.config.campaign.search import Probability

AT_ONCE = 20
"""Rides of a generation where it is asked after each whether enough is known."""
_MOST_AT_ONCE = 1000

Values = tuple[float, ...]
Draw = tuple[int, Values]
"""Number of the ride, which its seed follows, and the values that were drawn."""


@dataclass(frozen=True)
class Chance:
    """What is known of a probability.

    estimate  None: a ride of a rare search does not count, or none at all does
    interval  None likewise; one-sided bounds begin at 0
    rides     that were asked for; of those ``not_counted`` say nothing and are left out
    """

    estimate: float | None
    interval: Interval | None
    method: str
    rides: int
    not_counted: int


def marginal_of(said: Distribution) -> Marginal:
    """A distribution as scipy has it."""
    frozen: Marginal
    if isinstance(said, LogNormal):
        frozen = lognorm(said.sigma_of_log, scale=said.median)
    elif isinstance(said, Uniform):
        low, high = said.between
        frozen = uniform(low, high - low)
    elif said.within is None:
        frozen = norm(said.mean, said.sigma)
    else:
        low, high = ((end - said.mean) / said.sigma for end in said.within)
        frozen = truncnorm(low, high, said.mean, said.sigma)
    return frozen


def estimate_chance(asked: Probability, ride: Generation[Draw]) -> Chance:
    """Ride until the method has its answer; decisions fall by whole generations."""
    if isinstance(asked.method, RareFailure):
        return _rare(asked, asked.method, ride)
    if isinstance(asked.method, FixedNumber):
        lost, counted = _so_many(asked, asked.method.rides, ride)
        total, method = asked.method.rides, "number of rides fixed, exact interval"
        if not counted:
            return Chance(None, None, method, total, total)
        found = exact_interval(lost, counted, asked.confidence)
        return Chance(lost / counted, found, method, total, total - counted)
    rule = StopRule(asked.method.proven_below, asked.method.quotient, asked.confidence)
    return _until(asked, rule, asked.method.most, ride)


def _draws(asked: Probability) -> Iterator[Draw]:
    """One after another, without end; the same for the same seed."""
    marginals = [marginal_of(drawn.drawn) for drawn in asked.vary.values()]
    rng = np.random.default_rng(asked.seed)
    number = 0
    while True:
        points = rng.standard_normal((AT_ONCE, len(marginals)))
        for values in physical(points, marginals) if marginals else points:
            yield number, tuple(map(float, values))
            number += 1


def _so_many(asked: Probability, total: int, ride: Generation[Draw]) -> tuple[int, int]:
    """Lost and counted ones of a number that was fixed beforehand."""
    drawn, lost, counted = _draws(asked), 0, 0
    for first in range(0, total, _MOST_AT_ONCE):
        outcomes = ride(list(islice(drawn, min(_MOST_AT_ONCE, total - first))))
        lost += sum(outcome.lost is True for outcome in outcomes)
        counted += sum(outcome.lost is not None for outcome in outcomes)
    return lost, counted


def _until(asked: Probability, rule: StopRule, most: int, ride: Generation[Draw]) -> Chance:
    drawn, rides, lost, counted = _draws(asked), 0, 0, 0
    while rides < most and not (counted and rule.reached(lost, counted)):
        outcomes = ride(list(islice(drawn, min(AT_ONCE, most - rides))))
        rides += len(outcomes)
        lost += sum(outcome.lost is True for outcome in outcomes)
        counted += sum(outcome.lost is not None for outcome in outcomes)
    enough = bool(counted) and rule.reached(lost, counted)
    method = f"ride after ride {'until enough was known' if enough else 'to the last'}, interval at any time"
    if not counted:
        return Chance(None, None, method, rides, rides)
    found = interval_at_any_time(lost, counted, asked.confidence)
    return Chance(lost / counted, found, method, rides, rides - counted)


def _rare(asked: Probability, method: RareFailure, ride: Generation[Draw]) -> Chance:
    """Margins are asked for at points; a ride that does not count leaves nothing that holds."""
    marginals = [marginal_of(drawn.drawn) for drawn in asked.vary.values()]
    search = RareEvent(
        len(marginals),
        asked.seed,
        population=method.population,
        final=method.final,
        confidence=asked.confidence,
    )
    rides = 0
    while (points := search.ask()) is not None:
        values = physical(points, marginals)
        outcomes: list[Outcome] = []
        for first in range(0, len(values), _MOST_AT_ONCE):
            drawn = [
                (rides + first + k, tuple(map(float, row)))
                for k, row in enumerate(values[first : first + _MOST_AT_ONCE])
            ]
            outcomes += ride(drawn)
        rides += len(outcomes)
        silent = sum(outcome.lost is None for outcome in outcomes)
        if silent:
            return Chance(None, None, "rare: a ride does not count", rides, silent)
        search.tell(_margins(outcomes))
    found = search.estimate()
    worth = f", worth {found.worth:.0f} equal ones" if found.method is Method.IMPORTANCE else ""
    return Chance(found.probability, found.interval, f"{found.method}{worth}", rides, 0)


def _margins(outcomes: Sequence[Outcome]) -> NDArray[np.float64]:
    return np.array([margin_of(outcome) for outcome in outcomes])
