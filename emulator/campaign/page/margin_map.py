"""Scenarios over disturbances: how thin it got in each, how much of it was ridden, and where no run is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from emulator.campaign.comparison.ridden import UNDISTURBED, Ridden, thinnest_of
from emulator.campaign.page.night import Planned


@dataclass(frozen=True)
class MapCell:
    """Runs of one scenario under one disturbance.

    percent   thinnest margin of those that count, in percent of its limit; None: none has one
    failed    of ``counted``
    surprises  of ``counted``, acknowledged ones among them
    """

    percent: float | None
    counted: int
    failed: int
    surprises: int
    not_counted: int
    not_ridden: int


@dataclass(frozen=True)
class MarginMap:
    """``cells`` by (scenario, disturbance); a pair that is not in it was not planned."""

    scenarios: tuple[str, ...]
    disturbances: tuple[str, ...]
    cells: dict[tuple[str, str], MapCell]

    @property
    def empty(self) -> int:
        """How many pairs of a scenario and a disturbance no case was planned for."""
        return len(self.scenarios) * len(self.disturbances) - len(self.cells)


def margin_map(planned: Sequence[Planned], rows: Sequence[Ridden]) -> MarginMap:
    """The map: scenarios in the plan's order, undisturbed first, then disturbances by name."""
    groups: dict[tuple[str, str], tuple[list[Ridden], list[Planned]]] = {}
    ridden = {row.number for row in rows}
    for case in planned:
        _, missing = groups.setdefault((case.scenario, case.disturbance), ([], []))
        if case.number not in ridden:
            missing.append(case)
    for row in rows:
        groups.setdefault(row.group, ([], []))[0].append(row)
    scenarios = tuple(dict.fromkeys(scenario for scenario, _ in groups))
    names = sorted({disturbance for _, disturbance in groups}, key=lambda name: (name != UNDISTURBED, name))
    return MarginMap(scenarios, tuple(names), {key: _cell(*found) for key, found in groups.items()})


def _cell(rows: Sequence[Ridden], missing: Sequence[Planned]) -> MapCell:
    counted = [row for row in rows if row.counted]
    thinnest = thinnest_of(counted)
    return MapCell(
        None if thinnest is None else thinnest.percent,
        len(counted),
        sum(row.result == "fail" for row in counted),
        sum(row.surprise for row in counted),
        len(rows) - len(counted),
        len(missing),
    )
