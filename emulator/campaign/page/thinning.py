"""What grew thin over the nights: thinnest margins of the same cases, night after night.

It is told, not proven: chance makes some of many groups fall. What chance does not explain is said by the
comparison with a baseline (emulator.campaign.comparison.compare).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from emulator.campaign.comparison.pairs import pair
from emulator.campaign.comparison.ridden import Ridden, by_group, thinnest_of
from emulator.campaign.page.night import Night, in_order

LEAST_FALL_POINTS = 2.0
"""Less is not told: in points of percent of the limit."""


@dataclass(frozen=True)
class Thinning:
    """A scenario under a disturbance whose thinnest margin tonight is below that of every night before.

    percents  thinnest margin of each night, the latest last, over cases that count on all of them
    cases     how many those are
    """

    scenario: str
    disturbance: str
    percents: tuple[float, ...]
    cases: int

    @property
    def fall(self) -> float:
        """By how many points it fell since the first of these nights."""
        return self.percents[0] - self.percents[-1]

    @property
    def every_night(self) -> bool:
        """Whether it fell from each night to the next."""
        return all(b < a for a, b in zip(self.percents, self.percents[1:], strict=False))


def thinning(night: Night, earlier: Sequence[Night]) -> tuple[Thinning, ...]:
    """Groups that grew thin, the largest fall first; none without earlier nights."""
    before = in_order(earlier)
    if not before:
        return ()
    partners = [
        {p.now.number: p.before for p in pair(other.rows, night.rows).pairs if p.counts} for other in before
    ]
    found = []
    for (scenario, disturbance), rows in by_group(night.rows).items():
        common = [row for row in rows if row.of_robot and all(row.number in of for of in partners)]
        nights: list[list[Ridden]] = [[of[row.number] for row in common] for of in partners]
        thinnest = [thinnest_of(of) for of in [*nights, common]]
        percents = [row.percent for row in thinnest if row is not None and row.percent is not None]
        if len(percents) == len(before) + 1:
            one = Thinning(scenario, disturbance, tuple(percents), len(common))
            if one.fall >= LEAST_FALL_POINTS and percents[-1] < min(percents[:-1]):
                found.append(one)
    return tuple(sorted(found, key=lambda one: -one.fall))
