"""Probability of a rare failure over stated distributions, with an interval that covers.

Failure is a margin of zero or less. Inputs are standard normal, independent; :func:`physical` turns them into
stated distributions. Three stages, of which only the last one gives the estimate:

1. Plain Monte Carlo. If failures are frequent there already, it goes on as plain Monte Carlo, with an exact
   interval, and ends.
2. Subset simulation as a pilot: the margin is lowered in levels, chains of points move below each level,
until
   points that fail have been found. What its own variance says is not used: its points depend on each other.
3. Importance sampling: to the failed points a mixture of unit Gaussians is fitted (as many as the Bayesian
   information criterion bears), with a share of the nominal density and of a wider one. Points are drawn from
   it independently, and each failed one counts with its likelihood ratio. This is free of bias, however bad
   the pilot was. Unit width keeps the ratio bounded, so that the interval from these independent values
   holds. It is taken on the logarithm, with Student's t for as many values as the ratios are worth.

A region of failure that the pilot missed is seen only by the nominal and the wide share: what is left out in
the interval is a region that neither hit. Decisions fall by whole generations, in the order of the points, so
the result depends on dimensions, seed and margins only.

Sources: Au, Beck, Probab. Eng. Mech. 16(4), 2001 (subset simulation); Papaioannou et al., Probab. Eng. Mech.
41, 2015 (moves by conditional sampling, width by rate of acceptance); Rubinstein, Kroese, "The Cross-Entropy
Method", 2004 (proposal fitted to failed points); Hesterberg, Technometrics 37(2), 1995 (defensive mixture);
all from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp
from scipy.stats import norm, t

from emulator.campaign.estimates.intervals import Interval, exact_interval

Points = NDArray[np.float64]

KEPT = 0.2  # share of a level's points from which the next level's chains start
MOST_LEVELS = 25  # 0.2^25 is 3e-18: below what any plan can mean
WIDE_SIGMA = 2.0
NOMINAL_SHARE, WIDE_SHARE = 0.05, 0.1
MOST_COMPONENTS = 8
MOST_FIT_STEPS = 100


class Method(StrEnum):
    """How an estimate came about."""

    PLAIN = "plain Monte Carlo"
    IMPORTANCE = "importance sampling after a pilot"
    BOUND = "no failure found"  # only an upper bound is known, from the plain points


@dataclass(frozen=True)
class RareEstimate:
    """Probability of failure.

    probability  estimate; 0 where no failure was found, and then ``interval.high`` is what is known
    interval     bounds at its confidence
    method       how it came about
    calls        points that were evaluated, in all stages
    plain_calls  how many points plain Monte Carlo needs for bounds of the same quotient; infinite for a bound
    worth        how many equal likelihood ratios the failed ones of the last stage are worth
    """

    probability: float
    interval: Interval
    method: Method
    calls: int
    plain_calls: float
    worth: float


class Marginal(Protocol):
    """A distribution of one quantity, as scipy's frozen ones are."""

    def ppf(self, probability: Points) -> Points:
        """Value below which lies ``probability``."""
        ...

    def isf(self, probability: Points) -> Points:
        """Value above which lies ``probability``."""
        ...


def physical(points: Points, marginals: Sequence[Marginal]) -> Points:
    """(m, d) values of independent distributions for standard normal ``points`` (m, d); exact far out."""
    columns = [
        np.where(u > 0, marginal.isf(norm.sf(u)), marginal.ppf(norm.cdf(u)))
        for u, marginal in zip(points.T, marginals, strict=True)
    ]
    return np.stack(columns, axis=1)


class RareEvent:
    """Asks for margins at points, a generation at a time, and ends with an estimate::

        search = RareEvent(dimensions=3, seed=1)
        while (points := search.ask()) is not None:
            search.tell(margins_of(points))
        print(search.estimate())

    dimensions  how many standard normal inputs
    seed        the same seed asks for the same points, given the same margins
    population  points of the plain stage and of each level of the pilot
    final       independent points of the last stage
    confidence  of the interval
    """

    def __init__(
        self,
        dimensions: int,
        seed: int,
        *,
        population: int = 600,
        final: int = 1500,
        confidence: float = 0.95,
    ) -> None:
        if dimensions < 1 or population < 50 or final < 50 or not 0.0 < confidence < 1.0:
            raise ValueError("at least one dimension, 50 points a stage, and a confidence between 0 and 1")
        self._dimensions = dimensions
        self._population = population
        self._final = final
        self._confidence = confidence
        self._rng = np.random.default_rng(seed)
        self._calls = 0
        self._estimate: RareEstimate | None = None
        self._stages = self._run()
        self._asked: Points | None = next(self._stages)

    def ask(self) -> Points | None:
        """(m, d) points whose margins are wanted next; None when there is an estimate."""
        return self._asked

    def tell(self, margins: NDArray[np.float64]) -> None:
        """(m,) margins at the points asked for, zero or less where failed; ValueError if one is no number."""
        if self._asked is None:
            raise ValueError("nothing was asked for")
        if np.shape(margins) != (len(self._asked),) or np.isnan(margins).any():
            raise ValueError(f"{len(self._asked)} margins are wanted, each a number")
        self._calls += len(self._asked)
        try:
            self._asked = self._stages.send(np.asarray(margins, dtype=np.float64))
        except StopIteration as ended:
            self._asked, self._estimate = None, ended.value

    def estimate(self) -> RareEstimate:
        """The result; raises ValueError before the last generation was told."""
        if self._estimate is None:
            raise ValueError("there is no estimate before all that was asked for is told")
        return self._estimate

    def _run(self) -> Generator[Points, Points, RareEstimate]:
        """The stages: yields points, is sent their margins."""
        plain = self._rng.standard_normal((self._population, self._dimensions))
        margins = yield plain
        failed = int(np.count_nonzero(margins <= 0.0))
        if failed >= KEPT * self._population:
            more = yield self._rng.standard_normal((self._final, self._dimensions))
            return self._plain(failed + int(np.count_nonzero(more <= 0.0)), self._calls, Method.PLAIN)
        found = yield from self._pilot(plain, margins)
        if found is None:
            return self._plain(failed, self._population, Method.BOUND)
        # the points of a chain depend on each other: together they count as one
        counts = np.full(len(found), KEPT)
        proposal = fitted_mixture(found, counts, self._rng)
        points = proposal.drawn(self._population, self._rng)
        margins = yield points
        ratios = proposal.ratios(points, margins)
        if ratios.any():  # what was found independently tells better how the failed points lie
            found = np.concatenate([found, points[ratios > 0.0]])
            counts = np.concatenate([counts, ratios[ratios > 0.0] * ratios.sum() / np.square(ratios).sum()])
            proposal = fitted_mixture(found, counts, self._rng)
        points = proposal.drawn(self._final, self._rng)
        margins = yield points
        ratios = proposal.ratios(points, margins)
        if not ratios.any():
            return self._plain(failed, self._population, Method.BOUND)
        return self._weighted(ratios)

    def _pilot(self, points: Points, margins: Points) -> Generator[Points, Points, Points | None]:
        """Subset simulation: points that fail, or None where the margin does not come down to zero."""
        level, width = math.inf, 0.8
        kept = round(KEPT * self._population)
        for _ in range(MOST_LEVELS):
            order = np.argsort(margins, kind="stable")[:kept]
            lower = max(float(margins[order[-1]]), 0.0)
            if lower <= 0.0:
                return points[margins <= 0.0]
            if lower >= level:
                return None  # nothing gets lower: a margin without a slope
            level = lower
            states, at = points[order], margins[order]
            seen, seen_at = [states], [at]
            for _ in range(round(1 / KEPT) - 1):
                noise = self._rng.standard_normal(states.shape)
                moved = math.sqrt(1.0 - width**2) * states + width * noise
                moved_at = yield moved
                accepted = moved_at <= level
                states = np.where(accepted[:, None], moved, states)
                at = np.where(accepted, moved_at, at)
                seen.append(states)
                seen_at.append(at)
                # about 0.44 of the moves accepted is best (Papaioannou et al. 2015)
                width = min(max(width * math.exp(float(accepted.mean()) - 0.44), 0.05), 1.0)
            points, margins = np.concatenate(seen), np.concatenate(seen_at)
        return None

    def _plain(self, failed: int, count: int, method: Method) -> RareEstimate:
        """What ``failed`` of ``count`` independent plain points say."""
        interval = exact_interval(failed, count, self._confidence)
        plain_calls = math.inf if method is Method.BOUND else float(count)
        return RareEstimate(failed / count, interval, method, self._calls, plain_calls, float(failed))

    def _weighted(self, ratios: Points) -> RareEstimate:
        """What independent likelihood ratios, zero where nothing failed, say."""
        n = len(ratios)
        mean = float(ratios.mean())
        error = float(ratios.std(ddof=1)) / math.sqrt(n) / mean
        worth = float(ratios.sum() ** 2 / np.square(ratios).sum())
        reach = float(t.ppf(0.5 + self._confidence / 2, max(worth - 1.0, 1.0))) * error
        interval = Interval(mean * math.exp(-reach), min(mean * math.exp(reach), 1.0), self._confidence)
        z = float(norm.ppf(0.5 + self._confidence / 2))
        plain_calls = (1.0 - mean) / mean * (z / reach) ** 2
        return RareEstimate(mean, interval, Method.IMPORTANCE, self._calls, plain_calls, worth)


def _log_density(points: Points, mean: Points | float = 0.0, sigma: float = 1.0) -> Points:
    """(m,) logarithm of the normal density with one sigma in all directions, without (2 pi)^(-d/2)."""
    scaled = (points - mean) / sigma
    return np.asarray(-0.5 * np.square(scaled).sum(axis=1) - points.shape[1] * math.log(sigma))


@dataclass(frozen=True)
class Mixture:
    """Normal densities: ``means`` (K, d), ``sigmas`` (K,) all around, ``shares`` (K,) that sum to 1."""

    means: Points
    sigmas: Points
    shares: Points

    def drawn(self, count: int, rng: np.random.Generator) -> Points:
        """(count, d) independent points."""
        which = rng.choice(len(self.shares), size=count, p=self.shares)
        noise = rng.standard_normal((count, self.means.shape[1]))
        return np.asarray(self.means[which] + self.sigmas[which, None] * noise)

    def log_density(self, points: Points) -> Points:
        """(m,) logarithm of the density, without (2 pi)^(-d/2)."""
        parts = [
            _log_density(points, mean, float(sigma)) + math.log(share)
            for mean, sigma, share in zip(self.means, self.sigmas, self.shares, strict=True)
        ]
        return np.asarray(logsumexp(parts, axis=0))

    def ratios(self, points: Points, margins: Points) -> Points:
        """(m,) nominal density over this one where the margin is zero or less, 0 elsewhere."""
        return np.where(margins <= 0.0, np.exp(_log_density(points) - self.log_density(points)), 0.0)


def fitted_mixture(failed: Points, counts: Points, rng: np.random.Generator) -> Mixture:
    """Unit Gaussians fitted to ``failed`` (m, d) points, with shares of the nominal and of a wide density.

    counts  (m,) as how many independent points each one counts
    """
    m, d = failed.shape
    worth = max(float(counts.sum()), 2.0)
    best, best_score = None, -math.inf
    for components in range(1, min(MOST_COMPONENTS, m) + 1):
        means, shares, fit = _expectation_maximised(failed, counts, components, rng)
        score = fit - 0.5 * (components * (d + 1) - 1) * math.log(worth)
        if score > best_score:
            best, best_score = (means, shares), score
    assert best is not None  # there is at least one failed point
    means, shares = best
    # half of it in equal parts: the pilot may have got a region's share wrong
    shares = (1.0 - NOMINAL_SHARE - WIDE_SHARE) * (0.5 * shares + 0.5 / len(shares))
    return Mixture(
        np.concatenate([means, np.zeros((2, d))]),
        np.concatenate([np.ones(len(means)), [1.0, WIDE_SIGMA]]),
        np.concatenate([shares, [NOMINAL_SHARE, WIDE_SHARE]]),
    )


def _expectation_maximised(
    points: Points, counts: Points, components: int, rng: np.random.Generator
) -> tuple[Points, Points, float]:
    """Means and shares of that many unit Gaussians, and the logarithm of their likelihood."""
    means = points[rng.choice(len(points), size=1, p=counts / counts.sum())]
    for _ in range(components - 1):  # start apart: each next one with a chance as its squared distance
        nearest = np.square(points[:, None] - means).sum(axis=2).min(axis=1)
        chances = (nearest + 1e-12) * counts
        means = np.concatenate([means, points[rng.choice(len(points), size=1, p=chances / chances.sum())]])
    shares = np.full(components, 1.0 / components)
    norms = np.square(points).sum(axis=1)
    fit = -math.inf
    for _ in range(MOST_FIT_STEPS):
        logs = points @ means.T - 0.5 * (norms[:, None] + np.square(means).sum(axis=1)) + np.log(shares)
        total = logsumexp(logs, axis=1)
        reached = float(counts @ total)
        if reached - fit < 1e-4:
            break
        fit = reached
        belongs = np.exp(logs - total[:, None]) * counts[:, None]
        held = belongs.sum(axis=0) + 1e-12
        means = belongs.T @ points / held[:, None]
        shares = held / held.sum()
    return means, shares, fit


def estimated(margins_of: Callable[[Points], Points], search: RareEvent) -> RareEstimate:
    """Run ``search`` to its end with a function that gives margins (m,) at points (m, d)."""
    while (points := search.ask()) is not None:
        search.tell(margins_of(points))
    return search.estimate()
