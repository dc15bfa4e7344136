"""The night as JSON: keys that stay, figures as numbers, what was expected as a field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from emulator.campaign.comparison.compare import FALSE_ALARMS, METHOD, Comparison
from emulator.campaign.comparison.pairs import Pair
from emulator.campaign.comparison.ridden import Ridden
from emulator.campaign.page.groups import RunGroup, clock_times
from emulator.campaign.page.morning import Morning
from emulator.campaign.page.words import drawn_of, headline, repeat_command
from emulator.campaign.store.bench_use import BenchUse

FORMAT = 1
"""Changes when a key changes its meaning or goes; a new key does not change it."""
EXIT_STATUS = {"as expected": 0, "surprises": 1, "does not count": 2, "stopped": 5}
"""By status of a night; 3 and 4 are those of the command line."""


def plain_of(morning: Morning) -> dict[str, Any]:
    """Everything; see emulator/guide/morning-page.md for what the keys mean."""
    night = morning.night
    return {
        **_head(morning),
        "folder": str(night.folder),
        "plan": str(night.plan),
        "bikes_drawn": None
        if (drawn := drawn_of(night.every_ride)) is None
        else {key: value for key, value in drawn._asdict().items() if key != "values"},
        "surprises": [
            *(_group(morning, group, "worse") for group in morning.worse),
            *(_group(morning, group, "better") for group in morning.better),
        ],
        "does_not_count": [_uncounted(group) for group in morning.uncounted],
        "could_not_be_ridden": [_uncounted(group) for group in morning.broken],
        "not_ridden": [
            {
                "scenario": group.scenario,
                "disturbance": group.disturbance,
                "cases": [case.case_id for case in group.cases],
            }
            for group in morning.missing
        ],
        "acknowledged": [
            {
                **one.entry.model_dump(mode="json"),
                "expired": one.expired,
                "cases": [row.case_id for row in one.rows],
            }
            for one in morning.borne
        ],
        "comparison": None
        if morning.comparison is None
        else plain_comparison(morning.comparison, morning.baseline),
        "repeats": {
            "rides": morning.repeats.rides,
            "flaky": [
                {"cases": [row.case_id for row in one.rows], "failed": one.failed}
                for one in morning.repeats.flaky
            ],
            "not_reproducible": [row.case_id for row in morning.repeats.not_reproducible],
        },
        "nights": list(morning.nights),
        "grew_thin": [asdict(one) for one in morning.thinning],
        "map": [
            {"scenario": scenario, "disturbance": disturbance, **asdict(cell)}
            for (scenario, disturbance), cell in morning.map.cells.items()
        ],
        "coverage": asdict(morning.tried),
        "edges": [asdict(edge) for edge in morning.edges],
        "answers": [asdict(answer) for answer in night.answers],
        "unanswered": list(night.unanswered),
        "bears_less": [asdict(one) for one in morning.shrinking],
        "runs": [_run(row) for row in night.rows],
    }


def message_of(morning: Morning) -> dict[str, Any]:
    """What one MQTT message holds: the sentence, the counts, and the causes of surprises."""
    return {
        **_head(morning),
        "surprises": [
            {
                "direction": direction,
                "cause": group.cause,
                "cause_kind": group.cause_kind,
                "runs": len(group.rows),
            }
            for direction, groups in (("worse", morning.worse), ("better", morning.better))
            for group in groups
        ],
    }


def _head(morning: Morning) -> dict[str, Any]:
    night, counts = morning.night, morning.counts
    return {
        "format": FORMAT,
        "campaign": night.name,
        "status": morning.status,
        "exit_status": EXIT_STATUS[morning.status],
        "sentence": headline(morning).sentence,
        "counts": {**asdict(counts), "surprises": counts.surprises},
        "regressions": morning.regressions,
        "unexpected_answers": [answer.label for answer in morning.unexpected],
        "state": night.state,
        "began": None if night.began is None else night.began.isoformat(),
        "bench": None if night.bench is None else _bench(night.bench),
        "versions": {of: list(night.version(of)) for of in ("tool", "model", "robot_version", "processor")},
    }


def _bench(use: BenchUse) -> dict[str, Any]:
    again, notices = (
        [{"text": text, "began": [time.isoformat() for time in times]} for text, times in told.items()]
        for told in (use.again, use.notices)
    )
    return {"rides": use.rides, "ridden_again": again, "wear": dict(use.wear), "notices": notices}


def _group(morning: Morning, group: RunGroup, direction: str) -> dict[str, Any]:
    thinnest = group.thinnest
    return {
        "direction": direction,
        "cause_kind": group.cause_kind,
        "cause": group.cause,
        "whose": group.whose,
        "thinnest_percent": None if thinnest is None else thinnest.percent,
        "thinnest": None if thinnest is None else thinnest.thinnest,
        "example": group.example.case_id,
        "label": group.example.label,
        "command": repeat_command(morning.night, group.example),
        "cases": [row.case_id for row in group.rows],
    }


def _uncounted(group: RunGroup) -> dict[str, Any]:
    return {
        "result": group.result,
        "cause_kind": group.cause_kind,
        "cause": group.cause,
        "whose": group.whose,
        "clock_utc": clock_times(group.began),
        "cases": [row.case_id for row in group.rows],
    }


def _run(row: Ridden) -> dict[str, Any]:
    return {
        "case": row.case_id,
        "number": row.number,
        "label": row.label,
        "scenario": row.scenario,
        "disturbance": row.disturbance,
        "seed": row.seed,
        "repeat": row.repeat,
        "result": row.result,
        "expectation": {"expected": row.expected or None, "as_expected": row.as_expected},
        "thinnest": row.thinnest or None,
        "thinnest_percent": row.percent,
        "requirements": list(row.requirements),
        "kept": row.kept,
    }


def plain_comparison(found: Comparison, baseline: str) -> dict[str, Any]:
    """A comparison with the baseline of that name."""
    return {
        "baseline": baseline,
        "method": METHOD,
        "false_alarms": FALSE_ALARMS,
        "pairs": len(found.pairs),
        "compared": found.compared,
        "changed_since": len(found.changed_since),
        "new_failures": _pairs(found.new_failures),
        "fixed": _pairs(found.fixed),
        "no_longer_counted": _pairs(found.no_longer_counted),
        "only_before": [row.case_id for row in found.only_before],
        "only_now": [row.case_id for row in found.only_now],
        "findings": [asdict(finding) for finding in found.findings],
        "answers": [
            {
                "label": one.now.label,
                "unit": one.now.unit,
                "before": one.before.borne,
                "now": one.now.borne,
                "change_points": one.change,
            }
            for one in found.answers
        ],
        "versions": [asdict(change) for change in found.versions],
        "drift": None if found.drift is None else asdict(found.drift),
    }


def _pairs(pairs: Sequence[Pair]) -> list[dict[str, Any]]:
    return [
        {
            "case": one.now.case_id,
            "baseline_case": one.before.case_id,
            "label": one.now.label,
            "changed": list(one.changed),
            "before_percent": one.before.percent,
            "now_percent": one.now.percent,
        }
        for one in pairs
    ]
