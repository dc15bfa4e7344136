"""What of the plan's values was ridden: every value, and every pair of values of two factors."""

from __future__ import annotations

import itertools
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from emulator.campaign.comparison.ridden import Ridden
from emulator.campaign.page.night import Planned

MOST_VALUES = 24
"""A factor with more values of numbers is drawn from a range: told by its range, in no pair."""


@dataclass(frozen=True)
class FactorTried:
    """One factor of the plan.

    values    distinct planned values; ``ridden`` of them in a run that counts
    fewest    runs that count of the value that has least
    span      smallest and largest planned value, of numbers drawn from a range
    missing   values without a run that counts
    """

    name: str
    values: int
    ridden: int
    fewest: int
    span: tuple[float, float] | None
    missing: tuple[str, ...]


@dataclass(frozen=True)
class Tried:
    """What was tried.

    pairs         pairs of values of two factors in the plan; ``pairs_ridden`` of them in a run that counts
    missing_pairs the first of those that are not, in words
    """

    factors: tuple[FactorTried, ...]
    pairs: int
    pairs_ridden: int
    missing_pairs: tuple[str, ...]


def tried(planned: Sequence[Planned], rows: Sequence[Ridden], most_missing: int = 10) -> Tried:
    """Coverage of what was planned by what was ridden and counts."""
    counted = {row.number for row in rows if row.counted}
    cases = [_texts(case.factors) for case in planned]
    ridden = [_texts(case.factors) for case in planned if case.number in counted]
    names = list(dict.fromkeys(name for case in cases for name in case))
    factors = [_factor(name, planned, cases, ridden) for name in names]
    discrete = [factor.name for factor in factors if factor.span is None]
    wanted, had = _pairs(cases, discrete), _pairs(ridden, discrete)
    missing = [f"{a} {one} with {b} {other}" for (a, one), (b, other) in sorted(wanted - had)[:most_missing]]
    return Tried(tuple(factors), len(wanted), len(wanted & had), tuple(missing))


def _texts(factors: Mapping[str, Any]) -> dict[str, str]:
    return {name: value if isinstance(value, str) else json.dumps(value) for name, value in factors.items()}


def _factor(
    name: str,
    planned: Sequence[Planned],
    cases: Sequence[Mapping[str, str]],
    ridden: Sequence[Mapping[str, str]],
) -> FactorTried:
    values = dict.fromkeys(case[name] for case in cases if name in case)
    counts = Counter(case[name] for case in ridden if name in case)
    numbers = [case.factors[name] for case in planned if name in case.factors]
    drawn = len(values) > MOST_VALUES and all(isinstance(n, int | float) for n in numbers)
    span = (float(min(numbers)), float(max(numbers))) if drawn else None
    missing = tuple(value for value in values if value not in counts)
    return FactorTried(
        name, len(values), len(values) - len(missing), min(counts[v] for v in values), span, missing
    )


def _pairs(
    cases: Sequence[Mapping[str, str]], names: Sequence[str]
) -> set[tuple[tuple[str, str], tuple[str, str]]]:
    return {
        ((a, case[a]), (b, case[b]))
        for case in cases
        for a, b in itertools.combinations([name for name in names if name in case], 2)
    }
