"""What a night comes to: one sentence, an exit status by rule, and everything a page tells, as plain values.

The rule, first that holds:

    surprises       a run that counts came out other than its scenario expects, in either direction, and
                    nobody has acknowledged it; or an answer to a question is not what the plan expects; or,
                    with a baseline, something got worse by more than chance
    stopped         a person ended it
    does not count  a run is invalid, broke down or was not ridden, or a question has no answer
    as expected     every case was ridden, counts, and came out as expected or is acknowledged
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from emulator.campaign.comparison.acknowledged import Borne, sort_out
from emulator.campaign.comparison.answers import AnswerCourse, shrinking
from emulator.campaign.comparison.compare import Comparison, compare
from emulator.campaign.comparison.repeats import Repeats, repeats_of
from emulator.campaign.comparison.ridden import Ridden
from emulator.campaign.page.edges import Edge
from emulator.campaign.page.groups import (
    MissingGroup,
    RunGroup,
    by_cause,
    direction_of,
    missing_groups,
)
from emulator.campaign.page.margin_map import MarginMap, margin_map
from emulator.campaign.page.night import Night, in_order
from emulator.campaign.page.thinning import Thinning, thinning
from emulator.campaign.page.tried import Tried, tried
from emulator.campaign.store.answers import Answer
from emulator.campaign.store.schema import ERROR
from emulator.config.campaign.acknowledged import Entry

Status = Literal["surprises", "stopped", "does not count", "as expected"]
AS_EXPECTED: Literal["as expected"] = "as expected"
STOPPED = "stopped"
"""State of a campaign that a person ended."""


@dataclass(frozen=True)
class Counts:
    """How many cases: ``planned`` is the sum of counted, invalid, stopped, errors and not_ridden.

    counted  those that can be held against what is expected of them
    """

    planned: int
    counted: int
    passed: int
    failed: int
    worse: int
    better: int
    acknowledged: int
    invalid: int
    stopped: int
    errors: int
    not_ridden: int

    @property
    def surprises(self) -> int:
        """Both directions; acknowledged ones are none."""
        return self.worse + self.better

    @property
    def no_evidence(self) -> int:
        """Cases that say nothing, for whatever reason."""
        return self.planned - self.counted


@dataclass(frozen=True)
class Morning:
    """Everything that is told of a night.

    worse, better  surprises by cause, those that nobody has acknowledged
    uncounted      invalid and stopped runs by cause; ``broken``: those that could not be ridden at all
    missing        cases without a row
    shrinking      edges and margins that grew less over the nights
    nights         names of the earlier nights and this one, in the order of ``thinning``'s percents
    baseline       name of what ``comparison`` compares with
    """

    night: Night
    status: Status
    counts: Counts
    worse: tuple[RunGroup, ...]
    better: tuple[RunGroup, ...]
    uncounted: tuple[RunGroup, ...]
    broken: tuple[RunGroup, ...]
    missing: tuple[MissingGroup, ...]
    borne: tuple[Borne, ...]
    map: MarginMap
    tried: Tried
    repeats: Repeats
    edges: tuple[Edge, ...]
    nights: tuple[str, ...]
    thinning: tuple[Thinning, ...]
    shrinking: tuple[AnswerCourse, ...]
    baseline: str
    comparison: Comparison | None

    @property
    def unexpected(self) -> tuple[Answer, ...]:
        """Answers that are not what the plan expects."""
        return tuple(answer for answer in self.night.answers if answer.as_expected is False)

    @property
    def regressions(self) -> int:
        """How many groups got worse against the baseline by more than chance."""
        return len(self.comparison.regressions) if self.comparison else 0


def morning_of(
    night: Night,
    *,
    entries: Sequence[Entry] = (),
    edges: Sequence[Edge] = (),
    baseline: Night | None = None,
    earlier: Sequence[Night] = (),
) -> Morning:
    """All of it. Entries hold by the day of the night (UTC), so that an old page comes out the same again."""
    surprises = [row for row in night.rows if row.surprise]
    left, borne = sort_out(surprises, entries, night.day or date.min)
    worse = by_cause(row for row in left if direction_of(row) == "worse")
    better = by_cause(row for row in left if direction_of(row) == "better")
    comparison = None
    if baseline is not None:
        comparison = compare(baseline.rows, night.rows, baseline.answers, night.answers)
    counts = _counts(night, left, len(surprises) - len(left))
    regressed = comparison is not None and bool(comparison.regressions)
    return Morning(
        night,
        _status(night, counts, regressed=regressed),
        counts,
        worse,
        better,
        by_cause(row for row in night.rows if not row.counted and row.result != ERROR),
        by_cause(row for row in night.rows if not row.counted and row.result == ERROR),
        missing_groups(night.not_ridden),
        borne,
        margin_map(night.planned, night.rows),
        tried(night.planned, night.rows),
        repeats_of(night.rows),
        tuple(edges),
        tuple(one.name for one in (*in_order(earlier), night)),
        thinning(night, earlier),
        shrinking([one.answers for one in in_order(earlier)], night.answers),
        "" if baseline is None else baseline.name,
        comparison,
    )


def _counts(night: Night, surprises: Sequence[Ridden], acknowledged: int) -> Counts:
    results = [row.result for row in night.rows]
    silent = [row.result for row in night.rows if not row.counted]
    worse = sum(direction_of(row) == "worse" for row in surprises)
    counted = sum(row.counted for row in night.rows)
    return Counts(
        planned=len(night.rows) + len(night.not_ridden),
        counted=counted,
        passed=results.count("pass"),
        failed=results.count("fail"),
        worse=worse,
        better=len(surprises) - worse,
        acknowledged=acknowledged,
        invalid=silent.count("invalid"),
        stopped=silent.count("stopped"),
        errors=silent.count(ERROR),
        not_ridden=len(night.not_ridden),
    )


def _status(night: Night, counts: Counts, *, regressed: bool) -> Status:
    if counts.surprises or regressed or any(answer.as_expected is False for answer in night.answers):
        return "surprises"
    if night.state == STOPPED:
        return "stopped"
    return "does not count" if counts.no_evidence or night.unanswered else AS_EXPECTED
