"""How the levels of a part's factors come together in runs: every one with every other, covered, or spread.

An exclusion is regarded while runs are made, so what a covering array leaves out is covered by other runs.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from emulator.campaign.plan.factors import Factor, Level, is_meant
from emulator.campaign.sampling.covering import covering_array
from emulator.campaign.sampling.spread import Spread, spread_sample
from emulator.config.campaign.schema import CoveringArray, EveryCombination, Part, Seeds, SpreadSample
from emulator.config.campaign.varied import Scalar
from emulator.config.yaml_source import Loc

Row = tuple[Level, ...]
"""A level of each factor."""


class WrongCombinationError(Exception):
    """What is wrong with a part's combination: the words, and the key of the part they are about."""

    def __init__(self, text: str, loc: Loc) -> None:
        super().__init__(text)
        self.text, self.loc = text, loc


@dataclass(frozen=True)
class Exclusions:
    """Combinations that are not ridden: each by factor the names of its levels."""

    entries: tuple[Mapping[str, tuple[Scalar, ...]], ...]

    @classmethod
    def of(cls, part: Part, factors: Sequence[Factor]) -> Exclusions:
        """Those of a part. Raises WrongCombinationError for one that names no level there is."""
        entries = [
            {name: named if isinstance(named, tuple) else (named,) for name, named in entry.items()}
            for entry in part.excluding
        ]
        by_name = {factor.name: factor for factor in factors}
        for i, entry in enumerate(entries):
            for name, values in entry.items():
                factor = by_name.get(name)
                if factor is None:
                    continue  # a kind of file of which there is but one
                for j, value in enumerate(values):
                    if factor.levels and not any(is_meant(level, value) for level in factor.levels):
                        at = (j,) if isinstance(part.excluding[i][name], tuple) else ()
                        some = ", ".join(str(level.value) for level in factor.levels[:6])
                        more = ", ..." if len(factor.levels) > 6 else ""
                        raise WrongCombinationError(
                            f"expected a value of {name} ({some}{more}), got {value!r}",
                            ("excluding", i, name, *at),
                        )
        return cls(tuple(entries))

    def hold(self, levels: Mapping[str, Level]) -> bool:
        """Whether these levels, perhaps of a few factors only, are already a combination that is left out."""
        return any(
            all(
                name in levels and any(is_meant(levels[name], value) for value in values)
                for name, values in entry.items()
            )
            for entry in self.entries
        )

    def by_number(self, factors: Sequence[Factor]) -> list[dict[int, int]]:
        """The same as numbers of levels by number of factor, as ``covering_array`` takes them.

        factors  those that vary; one that an entry names besides has a single level, the one it names
        """
        found = []
        for entry in self.entries:
            meant = {
                i: [
                    n
                    for n, level in enumerate(factor.levels)
                    if any(is_meant(level, v) for v in entry[factor.name])
                ]
                for i, factor in enumerate(factors)
                if factor.name in entry
            }
            found += [dict(zip(meant, levels, strict=True)) for levels in itertools.product(*meant.values())]
        return found


def most_rows(part: Part, factors: Sequence[Factor]) -> int:
    """How many rows there may be before anything is left out; of a covering array, a number above that."""
    if isinstance(part.combine, SpreadSample):
        crossed = [len(factor.levels) for factor in factors if factor.name not in part.vary]
        return part.combine.count * math.prod(crossed)
    return math.prod(len(factor.levels) for factor in factors)


def rows(part: Part, factors: Sequence[Factor], seed: int) -> Iterator[Row]:
    """Every row of a part; scenarios change slowest.

    seed  of what is drawn
    Raises WrongCombinationError for a combination that can't be made.
    """
    exclusions = Exclusions.of(part, factors)
    match part.combine:
        case EveryCombination():
            made: Iterator[Row] = itertools.product(*(factor.levels for factor in factors))
        case CoveringArray():
            yield from _covering(part.combine, factors, exclusions, seed)
            return
        case SpreadSample():
            made = _spread(part.combine, part, factors, seed)
    names = [factor.name for factor in factors]
    yield from (row for row in made if not exclusions.hold(dict(zip(names, row, strict=True))))


def _covering(
    combine: CoveringArray, factors: Sequence[Factor], exclusions: Exclusions, seed: int
) -> Iterator[Row]:
    varying = [i for i, factor in enumerate(factors) if len(factor.levels) > 1]
    if len(varying) < combine.strength:
        raise WrongCombinationError(
            f"expected {combine.strength} things or more that vary (scenarios, rigs, robots among them) "
            f"where the values of {combine.strength} are to come together, got {len(varying)}; leave it out",
            ("combine",),
        )
    try:
        array = covering_array(
            [len(factors[i].levels) for i in varying],
            combine.strength,
            exclusions.by_number([factors[i] for i in varying]),
            seed,
        )
    except ValueError as error:  # exclusions that leave nothing, or too much to search through
        raise WrongCombinationError(
            f"expected combinations that can be made: {error}", ("excluding",)
        ) from None
    for line in sorted(tuple(int(level) for level in line) for line in array):
        chosen = dict(zip(varying, line, strict=True))
        yield tuple(factor.levels[chosen.get(i, 0)] for i, factor in enumerate(factors))


def _spread(combine: SpreadSample, part: Part, factors: Sequence[Factor], seed: int) -> Iterator[Row]:
    crossed = [factor for factor in factors if factor.name not in part.vary]
    varied = [factor for factor in factors if factor.name in part.vary]
    points = spread_sample(Spread(combine.by), len(varied), combine.count, seed)
    for files in itertools.product(*(factor.levels for factor in crossed)):
        for point in points:
            yield (*files, *(factor.at(float(share)) for factor, share in zip(varied, point, strict=True)))


def seeds_of(seeds: Seeds, run: int) -> tuple[int, ...]:
    """The seeds that a row is ridden with; ``run`` counts the rows of a part from 0."""
    if seeds.these is not None:
        return seeds.these
    if seeds.own:
        return (seeds.first + run,)
    return tuple(range(seeds.first, seeds.first + seeds.count))
