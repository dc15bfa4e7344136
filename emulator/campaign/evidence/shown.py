"""The evidence as one page that prints, and as plain values for JSON."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import date
from typing import Any

from emulator.campaign.evidence.asked import ALL_LEAVE_OUT, AskedOfRobot, interval
from emulator.campaign.evidence.gathered import (
    NO_DECISION,
    NOT_ANSWERED,
    PARTS,
    Deviation,
    Evidence,
    RiddenWith,
    ScenarioMargin,
)
from emulator.campaign.page.words import counted_words, percent
from emulator.criteria.base import limit_text, margin_text
from emulator.report.page import page_html

FORMAT = 1
"""Changes when a key changes its meaning or goes; a new key does not change it."""
RIDDEN = (
    "asked by",
    "stage",
    "rig",
    "rig's hash",
    "vehicle's hash",
    "model",
    "tool",
    "days",
    "runs",
    "passed",
    "failed",
    "no evidence",
)
REQUIREMENTS = (
    "requirement",
    "scenarios",
    "stages",
    "planned",
    "ridden",
    "passed",
    "failed",
    "thinnest margin",
)
MARGINS = (
    "scenario",
    "stage",
    "criterion",
    "runs",
    "missed",
    "thinnest margin",
    "limit",
    "in percent",
    "case",
)
ANSWERS = (
    "campaign",
    "question",
    "answer",
    "bounds",
    "expected",
    "who rode",
    "rides",
    "do not count",
    "how",
    "leaves out",
)
GAPS = ("campaign", "what", "cases", "why", "first")
DEVIATIONS = ("campaign", "runs", "result", "what happened", "first", "reason", "name", "until")
_HASH_DIGITS = 12


def evidence_html(evidence: Evidence) -> str:
    """The page as one HTML document."""
    return page_html(
        "campaign/evidence.html",
        f"Evidence for robot software {version_words(evidence)}",
        {},
        no_decision=NO_DECISION,
        summary=summary(evidence),
        campaigns=", ".join(evidence.campaigns),
        tables=[
            ("Ridden", "", RIDDEN, [_ridden(one) for one in evidence.ridden]),
            ("Requirements", _about_requirements(evidence), REQUIREMENTS, _requirements(evidence)),
            (
                "Open deviations",
                "Runs that failed or came out other than expected, with who bears it, why and until when.",
                DEVIATIONS,
                [_deviation(one) for one in evidence.deviations],
            ),
            (
                "Invalid and missing",
                "Cases that say nothing about this software; those that nobody rode have no version.",
                GAPS,
                [(one.campaign, one.what, f"{one.count:,}", one.cause, one.example) for one in evidence.gaps],
            ),
            (
                "Margins",
                "The thinnest of each criterion, by scenario and stage. Negative is beyond the limit.",
                MARGINS,
                [_margin(one) for one in evidence.margins],
            ),
            (
                "Questions",
                f"What the plans' searches found. {ALL_LEAVE_OUT}",
                ANSWERS,
                [_answer(one) for one in evidence.answers],
            ),
        ],
    )


def version_words(evidence: Evidence) -> str:
    """The version as it is shown."""
    return evidence.robot_version or "that tells no version"


def summary(evidence: Evidence) -> str:
    """What there is, in a sentence; no judgement."""
    of_parts = [one for one in evidence.ridden if one.asked_by == PARTS]
    runs = sum(one.runs - one.no_evidence for one in of_parts)
    failed = sum(one.failed for one in of_parts)
    stages = ", ".join(sorted({one.stage for one in evidence.ridden})) or "no"
    silent = sum(one.count for one in evidence.gaps if one.what != NOT_ANSWERED)
    unclaimed = sum(len(one.group.rows) for one in evidence.deviations if not one.reason or one.expired)
    return (
        f"{counted_words(runs, 'run')} of {counted_words(len(evidence.campaigns), 'campaign')} say something "
        f"about it ({stages} stage), {failed:,} failed; {unclaimed:,} open deviations that nobody has "
        f"acknowledged; {counted_words(silent, 'case')} invalid or missing.{_asked(evidence)}"
    )


def _asked(evidence: Evidence) -> str:
    """Of the summary what is about questions; nothing where none was asked."""
    if not evidence.answers:
        return ""
    against = sum(one.answer.as_expected is False for one in evidence.answers)
    told = f", {against:,} other than the plan expects" if against else ""
    return f" {counted_words(len(evidence.answers), 'answer')} to questions{told}."


def plain_evidence(evidence: Evidence) -> dict[str, Any]:
    """Everything as plain values with keys that stay; days as text."""
    plain = asdict(replace(evidence, deviations=()))
    plain["deviations"] = [
        {
            "campaign": one.campaign,
            "result": one.group.result,
            "cause_kind": one.group.cause_kind,
            "cause": one.group.cause,
            "whose": one.group.whose,
            "cases": [row.case_id for row in one.group.rows],
            "reason": one.reason,
            "name": one.name,
            "until": one.until,
            "expired": one.expired,
        }
        for one in evidence.deviations
    ]
    found: dict[str, Any] = _with_days(plain)
    return {"format": FORMAT, "decides": "nothing", "summary": summary(evidence), **found}


def _with_days(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, dict):
        return {key: _with_days(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_with_days(item) for item in value]
    return value


def _ridden(one: RiddenWith) -> tuple[str, ...]:
    days = " to ".join(dict.fromkeys(day.isoformat() for day in (one.first, one.last) if day is not None))
    hashes = (one.rig_sha256[:_HASH_DIGITS], one.vehicle_sha256[:_HASH_DIGITS])
    counts = (one.runs, one.passed, one.failed, one.no_evidence)
    return (
        one.asked_by,
        one.stage,
        one.rig,
        *hashes,
        one.model,
        one.tool,
        days,
        *(f"{count:,}" for count in counts),
    )


def _about_requirements(evidence: Evidence) -> str:
    rest = f"{counted_words(evidence.without_requirement, 'run')} of scenarios that carry none."
    never = sum(not one.runs for one in evidence.requirements)
    return (
        f"{never:,} of {counted_words(len(evidence.requirements), 'requirement')} without a run. "
        if never
        else ""
    ) + rest


def _requirements(evidence: Evidence) -> list[tuple[str, ...]]:
    return [
        (
            *(one.name, ", ".join(one.scenarios) or "none ridden", ", ".join(one.stages)),
            *(f"{count:,}" for count in (one.planned, one.runs, one.passed, one.failed)),
            percent(one.percent),
        )
        for one in evidence.requirements
    ]


def _margin(one: ScenarioMargin) -> tuple[str, ...]:
    margin = margin_text(one.margin, one.limit, one.unit)
    return (
        *(one.scenario, one.stage, one.criterion, f"{one.runs:,}", f"{one.missed:,}"),
        *(margin.replace("-", "−"), limit_text(one.limit, one.unit), percent(one.percent)),
        f"{one.case_id} ({one.campaign})",
    )


def _answer(one: AskedOfRobot) -> tuple[str, ...]:
    answer = one.answer
    expected = {True: "yes", False: "NO", None: "–"}[answer.as_expected]
    who = ", ".join(version or "tells no version" for version in one.robots)
    return (
        *(one.campaign, answer.label, answer.sentence, interval(answer) or "none", expected),
        *(f"{who} on {', '.join(one.rigs)}", f"{answer.rides:,}", f"{answer.not_counted:,}"),
        *(answer.method, one.leaves_out),
    )


def _deviation(one: Deviation) -> tuple[str, ...]:
    until = "" if one.until is None else one.until.isoformat() + (", EXPIRED" if one.expired else "")
    return (
        *(one.campaign, f"{len(one.group.rows):,}", one.group.result, one.group.cause),
        *(one.group.example.label, one.reason or "nobody has said anything", one.name or "–", until or "–"),
    )
