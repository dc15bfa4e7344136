"""Campaigns put together for one version of a robot's software. Nothing in here decides anything.

A row belongs to a version if its robot said so. What was not ridden or could not be has no robot: it is told
for every campaign that is looked at.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from emulator.campaign.comparison.acknowledged import sort_out
from emulator.campaign.comparison.ridden import Margin, Ridden, thinnest_of
from emulator.campaign.evidence.asked import AskedOfRobot, asked_of_robot
from emulator.campaign.page.groups import RunGroup, by_cause
from emulator.campaign.page.night import Night
from emulator.config.campaign.acknowledged import Entry

NO_DECISION = (
    "This page decides nothing. It puts together what was recorded; whether this software may go to the "
    "track is decided by people who know what these rides do not show."
)

PARTS, QUESTIONS = "parts", "questions"
"""Who asked for a run."""
NOT_ANSWERED = "not answered"
"""What a gap of questions is called."""


@dataclass(frozen=True)
class RiddenWith:
    """Runs of one stage, rig, vehicle, model and tool; files by name and the hash of their contents.

    asked_by  the plan's parts, or its questions: those look for what is lost, and failures are no news
    """

    asked_by: str
    stage: str
    rig: str
    rig_sha256: str
    vehicle_sha256: str
    model: str
    tool: str
    runs: int
    passed: int
    failed: int
    no_evidence: int
    first: date | None
    last: date | None


@dataclass(frozen=True)
class Requirement:
    """What was ridden for one requirement.

    planned  cases of it; ``runs`` say something about the robot
    """

    name: str
    scenarios: tuple[str, ...]
    stages: tuple[str, ...]
    planned: int
    runs: int
    passed: int
    failed: int
    percent: float | None


@dataclass(frozen=True)
class ScenarioMargin:
    """Thinnest margin of one criterion of a scenario at a stage.

    runs    that say something about the robot; ``missed`` of them missed it
    margin  thinnest in ``unit``; ``case_id`` and ``campaign`` say where
    """

    scenario: str
    stage: str
    criterion: str
    runs: int
    missed: int
    margin: float | None
    limit: float | None
    unit: str
    percent: float | None
    case_id: str
    campaign: str


@dataclass(frozen=True)
class Deviation:
    """Runs that failed or came out other than expected.

    reason, name  of who bears it, or what the scenario expects; empty where nobody has said anything
    until         last day on which that holds; None: it has no end, or nobody has said anything
    """

    campaign: str
    group: RunGroup
    reason: str
    name: str
    until: date | None
    expired: bool = False


@dataclass(frozen=True)
class Gap:
    """Cases of a campaign that say nothing: ``what`` is invalid, stopped, error or not ridden.

    Or its questions that have no answer: not answered.
    """

    campaign: str
    what: str
    count: int
    cause: str
    example: str


@dataclass(frozen=True)
class Evidence:
    """All of it; ``without_requirement``: runs of the robot whose scenario carries none."""

    robot_version: str
    campaigns: tuple[str, ...]
    ridden: tuple[RiddenWith, ...]
    requirements: tuple[Requirement, ...]
    without_requirement: int
    margins: tuple[ScenarioMargin, ...]
    answers: tuple[AskedOfRobot, ...]
    gaps: tuple[Gap, ...]
    deviations: tuple[Deviation, ...]


def robot_versions(nights: Iterable[Night]) -> tuple[str, ...]:
    """Versions that robots of these campaigns told; an empty one for robots that told none."""
    return tuple(sorted({row.robot_version for night in nights for row in night.every_ride if row.of_robot}))


def gather(nights: Sequence[Night], entries: Sequence[Sequence[Entry]], robot_version: str) -> Evidence:
    """Everything of that version. ``entries``: of each campaign's list of what is acknowledged."""
    rows = {night.folder: _of_version(night.rows, robot_version) for night in nights}
    of_robot = [row for found in rows.values() for row in found if row.of_robot]
    named = [(night.name, row) for night in nights for row in rows[night.folder]]
    return Evidence(
        robot_version,
        tuple(night.name for night in nights),
        (
            *_ridden_with(PARTS, [row for found in rows.values() for row in found]),
            *_ridden_with(QUESTIONS, [r for n in nights for r in _of_version(n.searched, robot_version)]),
        ),
        _requirements(nights, of_robot),
        sum(not row.requirements for row in of_robot),
        _margins(named),
        asked_of_robot(nights, robot_version),
        tuple(gap for night in nights for gap in _gaps(night, rows[night.folder])),
        tuple(
            one
            for night, own in zip(nights, entries, strict=True)
            for one in _deviations(night, rows[night.folder], own)
        ),
    )


def _of_version(rows: Sequence[Ridden], version: str) -> list[Ridden]:
    return [row for row in rows if row.robot_version == version and row.expected]


def _ridden_with(asked_by: str, rows: Sequence[Ridden]) -> tuple[RiddenWith, ...]:
    groups: dict[tuple[str, ...], list[Ridden]] = {}
    for row in rows:
        groups.setdefault((row.stage, row.rig, *row.contents[1:], row.model, row.tool), []).append(row)
    made = []
    for (stage, rig, rig_sha256, vehicle_sha256, model, tool), found in sorted(groups.items()):
        days = sorted(row.began.date() for row in found if row.began is not None)
        results = [row.result for row in found]
        passed, failed = results.count("pass"), results.count("fail")
        made.append(
            RiddenWith(
                *(asked_by, stage, rig, rig_sha256, vehicle_sha256, model, tool, len(found), passed, failed),
                len(found) - passed - failed,
                days[0] if days else None,
                days[-1] if days else None,
            )
        )
    return tuple(made)


def _requirements(nights: Sequence[Night], of_robot: Sequence[Ridden]) -> tuple[Requirement, ...]:
    planned: dict[str, int] = {}
    for night in nights:
        for case in night.planned:
            for name in case.requirements or ():
                planned[name] = planned.get(name, 0) + 1
    made = []
    for name in sorted(planned.keys() | {name for row in of_robot for name in row.requirements}):
        found = [row for row in of_robot if name in row.requirements]
        thinnest = thinnest_of(found)
        made.append(
            Requirement(
                name,
                tuple(sorted({row.scenario for row in found})),
                tuple(sorted({row.stage for row in found})),
                planned.get(name, len(found)),
                len(found),
                sum(row.result == "pass" for row in found),
                sum(row.result == "fail" for row in found),
                None if thinnest is None else thinnest.percent,
            )
        )
    return tuple(made)


def _margins(named: Sequence[tuple[str, Ridden]]) -> tuple[ScenarioMargin, ...]:
    groups: dict[tuple[str, str, str], list[tuple[str, Ridden, Margin]]] = {}
    for campaign, row in named:
        if row.of_robot:
            for one in row.criteria:
                groups.setdefault((row.scenario, row.stage, one.name), []).append((campaign, row, one))
    made = []
    for (scenario, stage, criterion), found in sorted(groups.items()):
        # a criterion that was missed without a margin, as by a fall, is thinner than any margin
        campaign, row, thinnest = min(found, key=lambda one: _thinness(one[2]))
        made.append(
            ScenarioMargin(
                *(scenario, stage, criterion, len(found), sum(not one.met for *_, one in found)),
                *(thinnest.margin, thinnest.limit, thinnest.unit, thinnest.percent),
                *(row.case_id, campaign),
            )
        )
    return tuple(made)


def _thinness(one: Margin) -> tuple[bool, bool, float]:
    return one.met, one.margin is not None, one.margin if one.margin is not None else 0.0


def _gaps(night: Night, rows: Sequence[Ridden]) -> list[Gap]:
    silent = [row for row in rows if not row.of_robot]
    broken = [row for row in night.rows if not row.expected]  # nobody rode: they have no robot either
    gaps = [
        Gap(night.name, group.result, len(group.rows), group.cause, group.example.label)
        for group in by_cause([*silent, *broken])
    ]
    missing = night.not_ridden
    if missing:
        gaps.append(Gap(night.name, "not ridden", len(missing), f"campaign: {night.ended}", missing[0].label))
    if unanswered := night.unanswered:
        cause = f"questions without an answer; campaign: {night.ended}"
        gaps.append(Gap(night.name, NOT_ANSWERED, len(unanswered), cause, unanswered[0]))
    return gaps


def _deviations(night: Night, rows: Sequence[Ridden], entries: Sequence[Entry]) -> list[Deviation]:
    surprises = [row for row in rows if row.surprise]
    left, borne = sort_out(surprises, entries, night.day or date.min)
    expired = {row.number for one in borne if one.expired for row in one.rows}
    found = [
        Deviation(night.name, group, "", "", None)
        for group in by_cause(r for r in left if r.number not in expired)
    ]
    for one in borne:
        entry = one.entry
        found += [
            Deviation(night.name, group, entry.reason, entry.name, entry.until, one.expired)
            for group in by_cause(one.rows)
        ]
    as_expected = [row for row in rows if row.result == "fail" and not row.surprise]
    found += [
        Deviation(night.name, group, group.example.expectation, "the scenario", None)
        for group in by_cause(as_expected)
    ]
    return found
