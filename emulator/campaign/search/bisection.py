"""The edge of what is survived: the largest size of one disturbance, or the longest it may last, by halving.

Sizes are tried on a grid as fine as the resolution, from the mildest to the harshest. Both ends are ridden;
then what lies between the largest survived and the smallest lost is halved until they are neighbours.

Halving finds an edge in whatever it is let loose on. It *is* one only if all milder is survived and all
harsher lost, so some more sizes are ridden: in the middle of the widest gaps below the edge, and above it. If
one of these probes comes out the other way there is no one edge, and none is told.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass, field
from enum import Enum
from itertools import pairwise
from typing import NamedTuple, TypeAlias

from emulator.campaign.search.outcome import Generation, Outcome

ENDS = 2
"""Probes that every search rides: the mildest has to be survived, the harshest lost."""
_DIGITS = 12  # of a size: what counting up in steps leaves behind is cut off


@dataclass(frozen=True)
class EdgeQuestion:
    """Where between two sizes the edge is.

    mildest, harshest  sizes; the harshest may be the smaller number, as of a gain that is taken away
    resolution         most that the edge may be apart from where it is said to be, above 0
    below, above       further probes on either side of the edge
    Raises ValueError for what has no answer.
    """

    mildest: float
    harshest: float
    resolution: float
    below: int = 2
    above: int = 2

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mildest) and math.isfinite(self.harshest)):
            raise ValueError("expected finite sizes")
        if self.mildest == self.harshest:
            raise ValueError(f"expected another harshest size than the mildest, {self.mildest:g}")
        if not 0.0 < self.resolution <= self.range:
            raise ValueError(f"expected a resolution above 0 and at most {self.range:g}")
        if self.below < 0 or self.above < 0:
            raise ValueError("expected 0 or more probes")

    @property
    def range(self) -> float:
        """From the mildest to the harshest."""
        return abs(self.harshest - self.mildest)

    @property
    def steps(self) -> int:
        """Of the grid; the last one may be shorter."""
        return max(1, math.ceil(self.range / self.resolution - 1e-9))

    @property
    def most_rides(self) -> int:
        """Halving from end to end, the ends and the probes."""
        return (self.steps - 1).bit_length() + ENDS + self.below + self.above

    def size(self, step: int) -> float:
        """At a step of the grid, counted from the mildest."""
        if step == self.steps:
            return self.harshest
        way = math.copysign(step * self.resolution, self.harshest - self.mildest)
        return float(f"{self.mildest + way:.{_DIGITS}g}")


class Attempt(NamedTuple):
    """A ride that a search asks for: which of its questions, and the size."""

    edge: int
    size: float


class Found(Enum):
    """What a search came to."""

    EDGE = "edge"
    ALL_SURVIVED = "all survived"
    LOST_AT_MILDEST = "lost at the mildest"
    NOT_MONOTONE = "no one edge"
    UNKNOWN = "not known"


@dataclass(frozen=True)
class RiddenSize:
    """A size that was ridden, in the order ridden."""

    size: float
    outcome: Outcome


@dataclass(frozen=True)
class Edge:
    """What is known of an edge.

    survived    largest size survived, None: none was; of what is not known how far the search came
    lost        smallest size lost, None: none was
    monotone    whether the probes say so; None: none was ridden, or not all of them count
    violations  probes that came out the other way
    rides       all, in the order ridden
    """

    question: EdgeQuestion
    found: Found
    survived: float | None
    lost: float | None
    monotone: bool | None
    violations: tuple[RiddenSize, ...] = ()
    rides: tuple[RiddenSize, ...] = field(default=())

    @property
    def probes(self) -> int:
        """Stated probes, ends included."""
        return ENDS + self.question.below + self.question.above

    @property
    def sentence(self) -> str:
        """What was found, for people."""
        q = self.question
        if self.found is Found.EDGE:
            tested = {True: "", False: "", None: ", not tested by probes"}[self.monotone]
            return f"survived up to {self.survived:g}, lost from {self.lost:g}{tested}"
        if self.found is Found.ALL_SURVIVED:
            return f"survived up to {q.harshest:g}, the harshest that was tried"
        if self.found is Found.LOST_AT_MILDEST:
            return f"lost already at {q.mildest:g}, the mildest that was tried"
        if self.found is Found.NOT_MONOTONE:
            told = ", ".join(
                f"{r.size:g} was {'lost' if r.outcome.lost else 'survived'}" for r in self.violations
            )
            return f"no one edge: {told}, against what was ridden beside it"
        last = next(r for r in self.rides if r.outcome.lost is None)
        return f"not known: the ride at {last.size:g} does not count ({last.outcome.why})"


def find_edges(questions: Sequence[EdgeQuestion], ride: Generation[Attempt]) -> tuple[Edge, ...]:
    """Edges of several questions side by side, a ride of each a generation; in their order.

    Raises ValueError for outcomes that are not as many as the rides asked for.
    """
    searches = [_search(question) for question in questions]
    asked = [next(search) for search in searches]
    edges: dict[int, Edge] = {}
    while len(edges) < len(searches):
        attempts = [
            Attempt(i, questions[i].size(step))
            for i, steps in enumerate(asked)
            if i not in edges
            for step in steps
        ]
        outcomes = ride(attempts)
        if len(outcomes) != len(attempts):
            raise ValueError(f"{len(attempts)} rides asked for, {len(outcomes)} outcomes came back")
        came = iter(outcomes)
        for i, search in enumerate(searches):
            if i in edges:
                continue
            try:
                asked[i] = search.send([next(came) for _ in asked[i]])
            except StopIteration as end:
                edges[i] = end.value
    return tuple(edges[i] for i in range(len(searches)))


_Search: TypeAlias = Generator[Sequence[int], Sequence[Outcome], Edge]
"""Yields steps of the grid that it wants ridden, and is sent their outcomes."""


def _search(q: EdgeQuestion) -> _Search:
    """One search; never yields nothing."""
    ridden: dict[int, Outcome] = {}

    def known(
        found: Found, low: int | None, high: int | None, monotone: bool | None, against: Iterable[int] = ()
    ) -> Edge:
        rides = {step: RiddenSize(q.size(step), outcome) for step, outcome in ridden.items()}
        return Edge(
            question=q,
            found=found,
            survived=None if low is None else q.size(low),
            lost=None if high is None else q.size(high),
            monotone=monotone,
            violations=tuple(rides[step] for step in sorted(against)),
            rides=tuple(rides.values()),
        )

    low, high = 0, q.steps
    ridden.update(zip((low, high), (yield (low, high)), strict=True))
    if ridden[low].lost is None or ridden[high].lost is None:
        return known(Found.UNKNOWN, None, None, None)
    if ridden[low].lost:
        return known(Found.LOST_AT_MILDEST, None, low, None)
    all_survived = not ridden[high].lost
    while high - low > 1 and not all_survived:
        middle = (low + high) // 2
        (ridden[middle],) = yield (middle,)
        if ridden[middle].lost is None:
            return known(Found.UNKNOWN, low, high, None)
        low, high = (low, middle) if ridden[middle].lost else (middle, high)
    if all_survived:
        low = high
    below = _between_ridden(ridden, 0, low, q.below + (q.above if all_survived else 0))
    above = [] if all_survived else _between_ridden(ridden, high, q.steps, q.above)
    probes = [*below, *above]
    if probes:
        ridden.update(zip(probes, (yield probes), strict=True))
    against = [step for step in below if ridden[step].lost]
    against += [step for step in above if ridden[step].lost is False]
    if against:
        return known(Found.NOT_MONOTONE, None, None, False, against)
    counts = bool(probes) and all(ridden[step].lost is not None for step in probes)
    monotone = True if counts else None
    if all_survived:
        return known(Found.ALL_SURVIVED, low, None, monotone)
    return known(Found.EDGE, low, high, monotone)


def _between_ridden(ridden: Iterable[int], first: int, last: int, count: int) -> list[int]:
    """Middles of the widest gaps between steps ridden, one after another; fewer where none are left."""
    taken, chosen = sorted(step for step in ridden if first <= step <= last), []
    for _ in range(count):
        width, start = max(((b - a, -a) for a, b in pairwise(taken)), default=(0, 0))
        if width < 2:
            break
        chosen.append(width // 2 - start)
        taken = sorted([*taken, chosen[-1]])
    return chosen
