"""A case that was lost, made smaller while it still is: what is left is what it takes.

Fewer disturbances first, then smaller ones, then shorter ones, then later ones. Every step is ridden; a case
that was not ridden and lost is never the answer. The answer is small, not the smallest there is: what would
have to change in two places at once is not found.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

from emulator.campaign.search.outcome import Generation, Outcome

AT_ONCE = 4
"""Values of one disturbance that are ridden in a generation."""
_DIGITS = 12

Aspect: TypeAlias = Literal["size", "duration_s", "onset_s"]
_ASPECTS: tuple[Aspect, ...] = ("size", "duration_s", "onset_s")


@dataclass(frozen=True)
class Scale:
    """How one aspect is made smaller: towards ``mildest``, in steps of ``resolution``.

    Raises ValueError for a resolution that is none.
    """

    mildest: float
    resolution: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mildest) and 0.0 < self.resolution < math.inf):
            raise ValueError(f"expected a resolution above 0, got {self.resolution:g}")

    def steps(self, value: float) -> int:
        """From the mildest to ``value``."""
        return max(0, math.ceil(abs(value - self.mildest) / self.resolution - 1e-9))

    def at(self, step: int, value: float) -> float:
        """So many steps from the mildest towards ``value``."""
        way = math.copysign(step * self.resolution, value - self.mildest)
        return float(f"{self.mildest + way:.{_DIGITS}g}")


@dataclass(frozen=True)
class Disturbance:
    """One disturbance of a case.

    name        for people and for whoever makes events of it
    size        in its unit; None: it has none
    duration_s  None: to the end of the ride
    onset_s     None: not by the clock
    scales      of the aspects that may be made smaller; a later onset is a smaller disturbance
    """

    name: str
    size: float | None = None
    duration_s: float | None = None
    onset_s: float | None = None
    scales: tuple[tuple[Aspect, Scale], ...] = ()


Disturbances: TypeAlias = tuple[Disturbance, ...]


@dataclass(frozen=True)
class Minimised:
    """What is left.

    failure      lost when it was ridden; None: what was given is not lost when it is ridden again
    outcome      of that ride; of what was given where it is not lost
    generations  that were ridden
    rides        how many
    exhausted    whether it ended with the budget, so that it may not be as small as it could be
    """

    failure: Disturbances | None
    outcome: Outcome
    generations: int
    rides: int
    exhausted: bool


def minimise(given: Disturbances, ride: Generation[Disturbances], *, budget: int) -> Minimised:
    """Make a lost case smaller, with at most ``budget`` rides.

    Raises ValueError for a budget below 1, and for outcomes that are not as many as the rides asked for.
    """
    if budget < 1:
        raise ValueError("expected a budget of at least 1 ride")
    smaller = _Smaller(ride, budget)
    (first,) = smaller.outcomes([given])
    if not first.lost:
        return Minimised(None, first, smaller.generations, smaller.rides, exhausted=False)
    smaller.kept, smaller.outcome = given, first
    changed = True
    while changed and not smaller.exhausted:
        before = smaller.kept
        smaller.drop()
        for aspect in _ASPECTS:
            for i in range(len(smaller.kept)):
                smaller.shrink(i, aspect)
        changed = smaller.kept != before
    return Minimised(
        smaller.kept, smaller.outcome, smaller.generations, smaller.rides, exhausted=smaller.exhausted
    )


class _Smaller:
    """The smallest that was lost so far, and what is left of the budget."""

    def __init__(self, ride: Generation[Disturbances], budget: int) -> None:
        self._ride, self._budget = ride, budget
        self._ridden: dict[Disturbances, Outcome] = {}
        self.kept: Disturbances = ()
        self.outcome = Outcome(None)
        self.generations = self.rides = 0
        self.exhausted = False

    def outcomes(self, cases: Sequence[Disturbances]) -> list[Outcome]:
        """Of a generation; none is ridden twice. Short where the budget ends."""
        new = [case for case in dict.fromkeys(cases) if case not in self._ridden]
        if len(new) > self._budget - self.rides:
            self.exhausted = True
            new = new[: self._budget - self.rides]
        if new:
            came = self._ride(new)
            if len(came) != len(new):
                raise ValueError(f"{len(new)} rides asked for, {len(came)} outcomes came back")
            self._ridden.update(zip(new, came, strict=True))
            self.generations, self.rides = self.generations + 1, self.rides + len(new)
        return [self._ridden[case] for case in cases if case in self._ridden]

    def _first_lost(self, cases: Sequence[Disturbances]) -> int | None:
        """Number of the first one that is lost; that one is kept then."""
        for i, outcome in enumerate(self.outcomes(cases)):
            if outcome.lost:
                self.kept, self.outcome = cases[i], outcome
                return i
        return None

    def drop(self) -> None:
        """Leave out one after another while what remains is still lost."""
        while len(self.kept) > 1 and not self.exhausted:
            without = [self.kept[:i] + self.kept[i + 1 :] for i in range(len(self.kept))]
            if self._first_lost(without) is None:
                return

    def shrink(self, i: int, aspect: Aspect) -> None:
        """Bring one aspect of one disturbance as near to its mildest as it goes."""
        disturbance = self.kept[i]
        scale, value = dict(disturbance.scales).get(aspect), getattr(disturbance, aspect)
        if scale is None or value is None:
            return
        survived, lost = -1, scale.steps(value)
        while lost - survived > 1 and not self.exhausted:
            steps = list(_between(survived, lost))
            cases = [self._with(i, aspect, scale.at(step, value)) for step in steps]
            first = self._first_lost(cases)
            if first is None:
                survived = steps[-1]
            else:
                survived, lost = (steps[first - 1] if first else survived), steps[first]

    def _with(self, i: int, aspect: Aspect, value: float) -> Disturbances:
        change: Callable[..., Disturbance] = replace
        return (*self.kept[:i], change(self.kept[i], **{aspect: value}), *self.kept[i + 1 :])


def _between(survived: int, lost: int) -> Iterator[int]:
    """At most AT_ONCE steps between two, spread evenly, rising."""
    width = lost - survived
    count = min(AT_ONCE, width - 1)
    return (survived + width * k // (count + 1) for k in range(1, count + 1))
