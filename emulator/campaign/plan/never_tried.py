"""What a plan never tries: kinds of events, signals, scenarios, and combinations of values.

Counted over what the cases hold, the events of the scenarios among them. How much of the combinations of
values is covered is measured as NIST IR 7878 does (emulator.campaign.sampling.coverage).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from emulator.assembly.files import RigSide
from emulator.campaign.plan.cases import MadePart, PlannedCampaign
from emulator.campaign.plan.check import CheckedCases
from emulator.campaign.plan.combining import Exclusions
from emulator.campaign.plan.event_words import target_key
from emulator.campaign.sampling.coverage import Coverage, coverage
from emulator.config.rig.outputs import GNSS_OUTPUT
from emulator.config.scenario.event_needs import rig_view
from emulator.config.scenario.events import FAULTY_SIGNALS
from emulator.events import marks
from emulator.events.declaration import EventKind, Takes
from emulator.events.table import KINDS

Effect = tuple[str, str]
"""Kind of event and effect; the effect is empty where a kind has but one."""
Trial = tuple[Effect, str]
"""An effect and what it acts on: signal, frame, channel, device; empty where it acts on one thing only."""

MOST_TUPLES = 2_000_000
"""Combinations of values that are counted; where there are more, it is said."""


@dataclass(frozen=True)
class ValueCoverage:
    """How much of the combinations of a part's values its runs cover.

    of         by strength (2, 3); one that is too large to count, or that the part has too few things for, is
               not there
    uncounted  things that may be any number, which have no combinations to count
    """

    part: str
    of: Mapping[int, Coverage]
    uncounted: tuple[str, ...]


@dataclass(frozen=True)
class Trials:
    """Effects on what they may act on, and on how much of it each is tried.

    possible   by effect what it may act on, by the rigs of the plan
    tried      by effect what it acts on in a case
    scenarios  by scenario how many trials it has a case of
    """

    possible: Mapping[Effect, frozenset[str]]
    tried: Mapping[Effect, frozenset[str]]
    scenarios: Mapping[str, int]

    @property
    def all(self) -> int:
        """Effects times what they may act on."""
        return sum(len(targets) for targets in self.possible.values())

    @property
    def done(self) -> int:
        """Those of them that a case tries."""
        return sum(len(targets) for targets in self.tried.values())

    @property
    def everywhere(self) -> int:
        """Effects times what they may act on times scenarios."""
        return self.all * len(self.scenarios)

    @property
    def done_somewhere(self) -> int:
        """Those of them that a case tries."""
        return sum(self.scenarios.values())

    def never(self) -> list[Effect]:
        """Effects that no case has, on anything."""
        return [effect for effect in self.possible if not self.tried.get(effect)]

    def never_on(self) -> Mapping[Effect, frozenset[str]]:
        """By effect that some case has, what it never acts on."""
        left = {
            effect: targets - self.tried[effect]
            for effect, targets in self.possible.items()
            if self.tried.get(effect)
        }
        return {effect: targets for effect, targets in left.items() if targets}

    def untouched(self) -> list[str]:
        """Scenarios in which no event happens in any case."""
        return [name for name, count in self.scenarios.items() if not count]


def trials(campaign: PlannedCampaign, checked: CheckedCases) -> Trials:
    """What is tried of kinds x signals x scenarios, over the cases whose files are right."""
    possible: dict[Effect, set[str]] = defaultdict(set)
    tried: dict[Effect, set[str]] = defaultdict(set)
    of_scenario: dict[str, set[Trial]] = {}
    seen: set[int] = set()
    for number, scenario in checked.scenarios.items():
        side = checked.rigs[number]
        if id(side) not in seen:
            seen.add(id(side))
            for effect, targets in possible_on(side).items():
                possible[effect] |= targets
        own = of_scenario.setdefault(str(campaign.cases[number].scenario), set())
        for event in scenario.events:
            kind = event.declaration
            effect = (kind.name, getattr(event, "effect", "") or "")
            key = target_key(kind)
            target = str(getattr(event, key)) if key else ""
            tried[effect].add(target)
            own.add((effect, target))
    possible.pop(_REMARK, None)
    counted = {
        effect: frozenset(tried[effect] & targets) for effect, targets in possible.items() if effect in tried
    }
    scenarios = {
        name: sum(target in counted.get(effect, ()) for effect, target in own)
        for name, own in of_scenario.items()
    }
    return Trials({effect: frozenset(targets) for effect, targets in possible.items()}, counted, scenarios)


_REMARK: Effect = (marks.KIND.name, "")  # it does nothing that could go wrong


def possible_on(side: RigSide) -> dict[Effect, set[str]]:
    """By effect what it may act on, on a rig."""
    if side.rig is None or side.codec is None:
        return {}
    view = rig_view(side.rig, side.codec)
    targets = {
        Takes.SIGNAL: set(view.rates_hz).intersection(FAULTY_SIGNALS),
        Takes.FRAME: {*view.frames, GNSS_OUTPUT},
    }
    possible: dict[Effect, set[str]] = {}
    for kind in KINDS:
        for effect in [e.name for e in kind.effects] or [""]:
            of_kind = _targets(kind, targets) if kind.targets is None else set(kind.targets(effect, view))
            if of_kind:
                possible[kind.name, effect] = of_kind
    return possible


def _targets(kind: EventKind, of_rig: Mapping[Takes, set[str]]) -> set[str]:
    for key in kind.keys:
        if key.name == target_key(kind):
            return set(key.takes) if isinstance(key.takes, tuple) else of_rig[key.takes]
    return {""}


def value_coverage(made: MadePart) -> ValueCoverage:
    """Coverage of pairs and threes of a part's values."""
    varying = [i for i, factor in enumerate(made.factors) if len(factor.levels) > 1]
    levels = [len(made.factors[i].levels) for i in varying]
    numbers = [{level: n for n, level in enumerate(made.factors[i].levels)} for i in varying]
    rows = np.array(
        [[numbers[c][row[i]] for c, i in enumerate(varying)] for row in made.rows], dtype=np.int64
    ).reshape(len(made.rows), len(varying))
    exclusions = Exclusions.of(made.part, made.factors).by_number([made.factors[i] for i in varying])
    found = {}
    for strength in (2, 3):
        if len(varying) >= strength and _tuples(levels, strength) <= MOST_TUPLES:
            found[strength] = coverage(levels, strength, rows, exclusions)
    uncounted = tuple(factor.name for factor in made.factors if not factor.levels)
    return ValueCoverage(made.name, found, uncounted)


def _tuples(levels: list[int], strength: int) -> int:
    """How many tuples of that strength there are: the elementary symmetric polynomial of the levels."""
    of = [1, *([0] * strength)]
    for count in levels:
        for t in range(strength, 0, -1):
            of[t] += count * of[t - 1]
    return math.floor(of[strength])
