"""Which rows of two campaigns are the same case."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from emulator.campaign.comparison.ridden import Ridden

CONTENTS = ("scenario", "rig", "vehicle")


@dataclass(frozen=True)
class Pair:
    """A case of the baseline and the same one now.

    changed  what of its contents is another since: scenario, rig or vehicle; empty for the very same case
    """

    before: Ridden
    now: Ridden
    changed: tuple[str, ...] = ()

    @cached_property
    def counts(self) -> bool:
        """Whether both say something about the robot."""
        return self.before.of_robot and self.now.of_robot

    @cached_property
    def newly_fails(self) -> bool:
        """Whether what did not fail does now."""
        return self.counts and self.before.result != "fail" and self.now.result == "fail"

    @cached_property
    def fixed(self) -> bool:
        """Whether what failed no longer does."""
        return self.counts and self.before.result == "fail" and self.now.result != "fail"

    @cached_property
    def change(self) -> float | None:
        """By how much its thinnest margin rose, in points of percent; infinite where a fall has none.

        None where one does not count or a passed run has no margin at all.
        """
        before, now = self.before.rank, self.now.rank
        if not self.counts or before is None or now is None:
            return None
        return 0.0 if before == now else now - before


@dataclass(frozen=True)
class Paired:
    """All pairs in the order of the cases now, and what has no partner."""

    pairs: tuple[Pair, ...]
    only_before: tuple[Ridden, ...]
    only_now: tuple[Ridden, ...]


def pair(before: Sequence[Ridden], now: Sequence[Ridden]) -> Paired:
    """Pairs by identity; else by place in a plan (scenario's name, factors, seed, repeat): changed since."""
    by_id = {row.case_id: row for row in before}
    same = {row.case_id for row in now if row.case_id in by_id}
    by_place = {row.place: row for row in before if row.case_id not in same}
    pairs, only_now, used = [], [], set(same)
    for row in now:
        if row.case_id in same:
            pairs.append(Pair(by_id[row.case_id], row))
        elif (partner := by_place.pop(row.place, None)) is not None:
            used.add(partner.case_id)
            pairs.append(Pair(partner, row, _changed(partner, row)))
        else:
            only_now.append(row)
    return Paired(tuple(pairs), tuple(row for row in before if row.case_id not in used), tuple(only_now))


def _changed(before: Ridden, now: Ridden) -> tuple[str, ...]:
    """What is another; 'values' where every file is the same but what a plan lays over them is not."""
    parts = zip(CONTENTS, before.contents, now.contents, strict=True)
    return tuple(name for name, one, other in parts if one != other) or ("values",)
