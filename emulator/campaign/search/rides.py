"""What a search asks for, as cases that are ridden, and what came out of them, as the search hears it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeAlias, TypeVar

from emulator.campaign.plan.case import Case, CaseFiles, case_id
from emulator.campaign.search.outcome import Generation, Outcome
from emulator.campaign.store.schema import COUNTING, Row

Point = TypeVar("Point")
RowsOf: TypeAlias = Callable[[Sequence[Case]], Sequence[Row]]
"""Rides cases; their rows in their order: emulator.campaign.riding.conduct.rows_of with its riders."""

COMPLETE = "complete"
"""How a ride ends that came to the end of its line."""
SWING = {"kind": "swing_dies_away", "name": "search: the swing dies away"}
"""Put into a scenario that is searched where growing oscillation counts as lost; with ``after``."""


@dataclass(frozen=True)
class Lost:
    """What counts as lost.

    fall      a fall
    criteria  names or kinds of criteria that must be met; None: all that the scenario has
    swing_after  event after which no swing may go on; empty: swings do not count
    watched_s    how long it is watched for that
    """

    fall: bool = True
    criteria: tuple[str, ...] | None = None
    swing_after: str = ""
    watched_s: float = 45.0

    def criteria_overlay(self) -> list[dict[str, Any]]:
        """Criteria that go over a scenario so that its rows tell."""
        if not self.swing_after:
            return []
        return [{**SWING, "after": self.swing_after, "watched_s": self.watched_s}]

    def outcome(self, row: Row) -> Outcome:
        """What a row says to a search."""
        why, id_ = str(row.get("cause") or row.get("expectation") or ""), str(row["case_id"])
        if row["result"] not in COUNTING:
            return Outcome(None, None, why, id_)
        watched = [c for c in row["criteria"] if self._watches(c)]
        percents = [float(c["percent"]) for c in watched if c["percent"] is not None]
        fell = bool(row.get("fell")) and self.fall
        if not fell and row.get("ended") == COMPLETE and any(map(_could_not_be_told, watched)):
            return Outcome(None, None, "the ride was over before its swing could be told", id_)
        missed = [str(c["name"]) for c in watched if c["met"] is False]
        failed = self.criteria is None and row["result"] == "fail"  # ran off its road, or was stopped
        lost = fell or bool(missed) or failed
        if fell or missed:
            why = "fell" if fell else f"missed {missed[0]}"
        return Outcome(lost, min(percents, default=None), why if lost else "", id_)

    def _watches(self, criterion: Mapping[str, Any]) -> bool:
        if self.swing_after and criterion["name"] == SWING["name"]:
            return True
        return self.criteria is None or any(criterion.get(key) in self.criteria for key in ("name", "kind"))


def _could_not_be_told(criterion: Mapping[str, Any]) -> bool:
    """Whether a ride says nothing of its swing: a criterion that was not judged has no margin."""
    return criterion["name"] == SWING["name"] and not criterion["met"] and criterion["percent"] is None


def rides_of(
    case: Case,
    events: Callable[[Point], Sequence[Mapping[str, Any]]],
    lost: Lost,
    files: CaseFiles,
    rows_of: RowsOf,
) -> Generation[Point]:
    """Rides of one case with further events, one ride a point, for a search.

    events  that a point stands for: they go over the case's scenario, those of a name in its place
    Raises ConfigError for files that can't be read.
    """

    def ride(points: Sequence[Point]) -> list[Outcome]:
        cases = [disturbed(case, events(point), lost, files, number) for number, point in enumerate(points)]
        return [lost.outcome(row) for row in rows_of(cases)]

    return ride


def disturbed(
    case: Case, events: Sequence[Mapping[str, Any]], lost: Lost, files: CaseFiles, number: int = 0
) -> Case:
    """A case with events in it, with the id of what it is then. Raises ConfigError."""
    before = case.scenario_overlay
    over = {
        **before,
        "events": [*before.get("events", ()), *map(dict, events)],
        "criteria": [*before.get("criteria", ()), *lost.criteria_overlay()],
    }
    made = replace(case, number=number, scenario_overlay={key: value for key, value in over.items() if value})
    return replace(made, id=case_id(made, files.contents(made)))
