"""A campaign against a baseline: what changed case by case, and what of it chance does not explain.

Case by case it is said what newly fails and what is mended; on the stepped clock that is a fact of this very
ride. Whether the robot got worse is another question: of a robot that was changed at all some rides near an
edge fall on the other side, in both directions. So it is asked of groups of pairs (everything, each scenario,
each disturbance, each scenario under each disturbance) by two exact tests:

    failures   among pairs whose result changed, as many newly fail as are mended (sign test)
    margins    thinnest margins, in percent of their limit, fell as much as they rose (signed ranks); a failed
               run without a margin is behind every number

and of all edges and margins of the robot that were searched in both together:

    edges      what is survived grew as often and as far as it shrank (signed ranks)

All for worse and for better. With nothing but chance at work at most ``FALSE_ALARMS`` of comparisons find
anything worse, whatever the number of groups.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median_low, quantiles
from typing import Literal

from emulator.campaign.comparison.answers import AnswerPair, pairs_of
from emulator.campaign.comparison.exact_tests import (
    sign_test,
    signed_rank_test,
    significant,
    smallest_possible,
)
from emulator.campaign.comparison.pairs import Pair, pair
from emulator.campaign.comparison.repeats import Repeats, repeats_of
from emulator.campaign.comparison.ridden import Ridden
from emulator.campaign.store.answers import Answer

FALSE_ALARMS = 0.01
"""Share of comparisons of the same with the same that may find a regression."""
UNMOVED_POINTS = 0.5
"""A margin that changed by less, in points of percent of its limit, did not move: no edge is that sharp."""
METHOD = (
    "pairs of the same case; exact sign test on changed results, exact signed-rank test on thinnest margins, "
    "over everything, each scenario, each disturbance and both, and on all edges that were searched; "
    "Tarone's correction for their number; at "
    f"most {100 * FALSE_ALARMS:g} % of comparisons of the same with the same find a regression"
)

Direction = Literal["worse", "better"]
Kind = Literal["failures", "margins", "edges"]


@dataclass(frozen=True)
class Finding:
    """What chance does not explain in a group of pairs.

    scenario, disturbance  of the group; None: of all
    worse, better          pairs of it that changed this way and that: results, margins or edges, as ``kind``
                           says
    shift                  median change of the thinnest margin in points of percent of its limit, of edges in
                           points of what was searched; None without margins
    probability            of so strong a change or a stronger one, if either ride could as well be the other
    """

    direction: Direction
    kind: Kind
    scenario: str | None
    disturbance: str | None
    pairs: int
    worse: int
    better: int
    shift: float | None
    probability: float


@dataclass(frozen=True)
class Drift:
    """Processor time of a ridden second now over that of the baseline: median and middle half of pairs."""

    ratio: float
    low: float
    high: float
    pairs: int


@dataclass(frozen=True)
class VersionChange:
    """Of tool, model or robot: those that rode then, those that ride now."""

    what: str
    before: tuple[str, ...]
    now: tuple[str, ...]


@dataclass(frozen=True)
class Comparison:
    """Two campaigns. ``pairs``: of which ``compared`` count in both; ``drift`` None on unlike processors.

    answers  edges and margins of the robot that are known in both
    """

    pairs: tuple[Pair, ...]
    compared: int
    new_failures: tuple[Pair, ...]
    fixed: tuple[Pair, ...]
    no_longer_counted: tuple[Pair, ...]
    only_before: tuple[Ridden, ...]
    only_now: tuple[Ridden, ...]
    findings: tuple[Finding, ...]
    repeats: Repeats
    versions: tuple[VersionChange, ...]
    drift: Drift | None
    answers: tuple[AnswerPair, ...] = ()

    @property
    def regressions(self) -> tuple[Finding, ...]:
        """Findings for worse."""
        return tuple(f for f in self.findings if f.direction == "worse")

    @property
    def changed_since(self) -> tuple[Pair, ...]:
        """Pairs that are not the very same case any more."""
        return tuple(p for p in self.pairs if p.changed)

    @property
    def borne_less(self) -> tuple[AnswerPair, ...]:
        """Edges and margins that are nearer now."""
        return tuple(p for p in self.answers if (p.change or 0.0) < 0.0)

    @property
    def borne_more(self) -> tuple[AnswerPair, ...]:
        """Those that are further away."""
        return tuple(p for p in self.answers if (p.change or 0.0) > 0.0)


def compare(
    before: Sequence[Ridden],
    now: Sequence[Ridden],
    answers_before: Sequence[Answer] = (),
    answers_now: Sequence[Answer] = (),
) -> Comparison:
    """Rows of the baseline and of now, each a row a case; and the answers to questions of both."""
    answers = pairs_of(answers_before, answers_now)
    paired = pair(before, now)
    counting = [p for p in paired.pairs if p.counts]
    return Comparison(
        paired.pairs,
        len(counting),
        tuple(p for p in counting if p.newly_fails),
        tuple(p for p in counting if p.fixed),
        tuple(p for p in paired.pairs if p.before.of_robot and not p.now.of_robot),
        paired.only_before,
        paired.only_now,
        findings_of(counting, answers),
        repeats_of(now),
        _versions(before, now),
        _drift(counting),
        answers,
    )


@dataclass(frozen=True)
class _Group:
    scenario: str | None
    disturbance: str | None
    pairs: tuple[Pair, ...]

    def changes(self) -> list[float]:
        """How far margins moved, in points; those that did not are 0."""
        moved = (p.change for p in self.pairs)
        return [0.0 if abs(c) < UNMOVED_POINTS else c for c in moved if c is not None]


def findings_of(pairs: Sequence[Pair], answers: Sequence[AnswerPair] = ()) -> tuple[Finding, ...]:
    """What chance does not explain, the least likely first; ``pairs`` count in both campaigns."""
    groups = _groups(pairs)
    found = [*_standing(groups, answers, "worse"), *_standing(groups, answers, "better")]
    return tuple(sorted(found, key=lambda f: (f.direction == "better", f.probability, -f.pairs)))


def _groups(pairs: Sequence[Pair]) -> list[_Group]:
    """Every group once: where one scenario is all there is, it is not asked again."""
    levels: tuple[Callable[[Ridden], tuple[str | None, str | None]], ...] = (
        lambda row: (None, None),
        lambda row: (row.scenario, None),
        lambda row: (None, row.disturbance),
        lambda row: row.group,
    )
    groups: dict[frozenset[int], _Group] = {}
    for level in levels:
        members: dict[tuple[str | None, str | None], list[int]] = {}
        for i, one in enumerate(pairs):
            members.setdefault(level(one.now), []).append(i)
        for (scenario, disturbance), found in members.items():
            # a later level names the same pairs more closely
            groups[frozenset(found)] = _Group(scenario, disturbance, tuple(pairs[i] for i in found))
    return list(groups.values())


def _standing(groups: Sequence[_Group], answers: Sequence[AnswerPair], direction: Direction) -> list[Finding]:
    """Findings of one direction that stand beside each other."""
    tests = [test for group in groups for test in _tests(group, direction)]
    tests += _edges_test(answers, direction)
    stand = significant(
        [found.probability for found, _ in tests], [least for _, least in tests], FALSE_ALARMS
    )
    return [found for (found, _), stands in zip(tests, stand, strict=True) if stands]


def _tests(group: _Group, direction: Direction) -> list[tuple[Finding, float]]:
    """Both tests of a group, each with the smallest probability that it could have given."""
    sign = 1.0 if direction == "better" else -1.0
    changes = group.changes()
    shift = median_low(changes) if changes else None
    failed, mended = sum(p.newly_fails for p in group.pairs), sum(p.fixed for p in group.pairs)
    toward, away = (failed, mended) if direction == "worse" else (mended, failed)
    fell, rose = sum(c < 0 for c in changes), sum(c > 0 for c in changes)

    def finding(kind: Kind, worse: int, better: int, probability: float) -> tuple[Finding, float]:
        found = Finding(
            *(direction, kind, group.scenario, group.disturbance, len(group.pairs)),
            *(worse, better, shift, probability),
        )
        return found, smallest_possible(worse + better)

    return [
        finding("failures", failed, mended, sign_test(toward, away)),
        finding("margins", fell, rose, signed_rank_test([sign * c for c in changes])),
    ]


def _edges_test(answers: Sequence[AnswerPair], direction: Direction) -> list[tuple[Finding, float]]:
    """The test of all edges and margins that were searched; none where there are none."""
    changes = [pair.change for pair in answers if pair.change is not None]
    if not changes:
        return []
    sign = 1.0 if direction == "better" else -1.0
    fell, rose = sum(c < 0 for c in changes), sum(c > 0 for c in changes)
    probability = signed_rank_test([sign * c for c in changes])
    found = Finding(
        *(direction, "edges", None, None, len(changes), fell, rose), median_low(changes), probability
    )
    return [(found, smallest_possible(fell + rose))]


def _versions(before: Sequence[Ridden], now: Sequence[Ridden]) -> tuple[VersionChange, ...]:
    """Those that are not the same; a row that was not ridden has none."""
    parts: tuple[tuple[str, Callable[[Ridden], str]], ...] = (
        ("tool", lambda row: row.tool),
        ("model", lambda row: row.model),
        ("robot", lambda row: row.robot_version),
    )
    changes = []
    for what, of in parts:
        then, today = (tuple(sorted({of(row) for row in rows} - {""})) for rows in (before, now))
        if then != today:
            changes.append(VersionChange(what, then, today))
    return tuple(changes)


def _drift(pairs: Sequence[Pair]) -> Drift | None:
    """On one kind of processor only; of rides of a second and more."""
    if len({row.processor for p in pairs for row in (p.before, p.now)}) != 1:
        return None
    ratios = [
        (p.now.cpu_ride_s / p.now.ridden_s) / (p.before.cpu_ride_s / p.before.ridden_s)
        for p in pairs
        if min(p.before.ridden_s, p.now.ridden_s) >= 1.0 and min(p.before.cpu_ride_s, p.now.cpu_ride_s) > 0
    ]
    if len(ratios) < 2:
        return None
    low, middle, high = quantiles(ratios, n=4, method="inclusive")
    return Drift(middle, low, high, len(ratios)) if math.isfinite(middle) else None
