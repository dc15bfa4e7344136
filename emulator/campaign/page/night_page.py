"""The morning page: one HTML file that needs nothing else, for a screen, a phone and paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from emulator.campaign.comparison.compare import METHOD, Comparison
from emulator.campaign.comparison.pairs import Pair
from emulator.campaign.comparison.ridden import Ridden, by_group
from emulator.campaign.page.drawings import drawn_course, drawn_edge
from emulator.campaign.page.edges import MarginTable, margin_tables, margin_words
from emulator.campaign.page.groups import RunGroup, clock_times
from emulator.campaign.page.margin_map import MapCell
from emulator.campaign.page.morning import Morning
from emulator.campaign.page.tried import Tried
from emulator.campaign.page.words import (
    KIND_WORDS,
    LOOK,
    RUN_SIGN,
    SIGN,
    answer_pair_words,
    bench_words,
    comparison_words,
    counted_words,
    course_words,
    coverage_words,
    drawn_of,
    drawn_words,
    drift_words,
    factor_words,
    flaky_words,
    group_name,
    headline,
    percent,
    points,
    repeat_command,
    thinnest_words,
    version_words,
)
from emulator.campaign.store.answers import Answer
from emulator.core.outside.visible_text import visible
from emulator.report.page import page_html

_BANDS = ((0.0, "m0"), (5.0, "m1"), (15.0, "m2"), (40.0, "m3"))
"""Look of a cell whose margin is below so many percent; above the last one it is plain."""
MOST_THIN = 20
"""Groups that grew thin and are shown: of hundreds chance alone makes half fall."""
FINDING_HEADS = ("group", "of", "which way", "worse", "better", "pairs", "median change", "chance")


def night_html(morning: Morning) -> str:
    """The whole page as one HTML document."""
    night = morning.night
    head = headline(morning)
    values: dict[str, Any] = {
        "look": LOOK[morning.status],
        "sign": SIGN[morning.status],
        "word": head.word,
        "sentence": head.sentence,
        "facts": _facts(morning),
        "worse": [_surprise(morning, group) for group in morning.worse],
        "better": [_surprise(morning, group) for group in morning.better],
        "uncounted": [_when(group) for group in morning.uncounted],
        "broken": [_when(group) for group in morning.broken],
        "missing": [
            (len(group.cases), group.scenario, group.disturbance, group.cases[0].label)
            for group in morning.missing
        ],
        "missing_heading": (
            f"{counted_words(morning.counts.not_ridden, 'case')} without a run (campaign: {night.ended})"
        ),
        "comparison": None
        if morning.comparison is None
        else _comparison(morning.comparison, morning.baseline),
        "repeats": _repeats(morning),
        "nights": morning.nights,
        "thinning": [
            {
                **asdict(drawn_course(one.percents)),
                "scenario": one.scenario,
                "disturbance": one.disturbance,
                "fell": points(-one.fall) + (", every night" if one.every_night else ""),
                "cases": one.cases,
            }
            for one in morning.thinning[:MOST_THIN]
        ],
        "thinning_more": _more(len(morning.thinning) - MOST_THIN),
        "shrinking": [course_words(one) for one in morning.shrinking],
        "unanswered": morning.night.unanswered,
        "answers": [_answer(one) for one in morning.night.answers if one.speed_km_h is None],
        "margins": [_margins(table) for table in margin_tables(morning.night.answers)],
        "map": {"disturbances": morning.map.disturbances, "rows": _map_rows(morning)},
        "coverage": _coverage(morning.tried, coverage_words(morning)),
        "edges": [drawn_edge(edge) for edge in morning.edges],
        "acknowledged": [
            (
                one.entry.about,
                counted_words(len(one.rows), "run") + (", EXPIRED" if one.expired else ""),
                one.entry.reason,
                one.entry.name,
                one.entry.until.isoformat(),
            )
            for one in morning.borne
        ],
        "each": [
            (group_name(*group), [(_run_text(row), row.surprise) for row in rows])
            for group, rows in by_group(night.rows).items()
        ],
        "runs": [_found(row) for row in night.rows],
    }
    return page_html("campaign/morning.html", _title(morning), {}, **values, parts=_parts(values))


def _title(morning: Morning) -> str:
    day = morning.night.day
    return f"Campaign {morning.night.name}" + (f", {day.day} {day:%B} {day.year}" if day else "")


def _parts(values: dict[str, Any]) -> list[tuple[str, str]]:
    """Sections that are there: key and name."""
    parts = (
        ("surprises", "Surprises", values["worse"] or values["better"]),
        ("uncounted", "Does not count", values["uncounted"]),
        ("not-ridden", "Not ridden", values["broken"] or values["missing"]),
        ("baseline", "Baseline", values["comparison"]),
        ("repeats", "Repeats", values["repeats"]),
        ("thin", "Grew thin", values["thinning"] or values["shrinking"]),
        ("answers", "Answers", values["answers"] or values["margins"] or values["unanswered"]),
        ("map", "Margins", values["map"]["rows"]),
        ("coverage", "Coverage", values["map"]["rows"]),
        ("edges", "Edges", values["edges"]),
        ("acknowledged", "Acknowledged", values["acknowledged"]),
        ("runs-of-the-night", "Every run", True),
    )
    return [(key, name) for key, name, there in parts if there]


def _facts(morning: Morning) -> list[tuple[str, str]]:
    night, counts = morning.night, morning.counts
    facts = [
        ("planned", f"{counts.planned:,}"),
        ("count", f"{counts.counted:,}"),
        ("passed", f"{counts.passed:,}"),
        ("failed", f"{counts.failed:,}"),
        ("surprises", f"{counts.surprises:,}"),
        ("acknowledged", f"{counts.acknowledged:,}"),
        ("invalid or stopped", f"{counts.invalid + counts.stopped:,}"),
        ("not ridden", f"{counts.errors + counts.not_ridden:,}"),
    ]
    if night.began is not None and night.last_began is not None:
        facts.append(("began (UTC)", f"{night.began:%Y-%m-%d %H:%M}"))
        facts.append(("last ride began", f"{night.last_began:%Y-%m-%d %H:%M}"))
    for name, of in (("tool", "tool"), ("model", "model"), ("robot", "robot_version"), ("on", "processor")):
        if versions := night.version(of):
            facts.append((name, ", ".join(versions)))
    if (drawn := drawn_of(night.every_ride)) is not None:
        facts.append(("bikes", drawn_words(drawn)))
    if night.bench is not None:
        facts += [("on the bench", line) for line in bench_words(night.bench)]
    return [*facts, ("state", night.ended)]


def _surprise(morning: Morning, group: RunGroup) -> dict[str, Any]:
    example = group.example
    return {
        "runs": counted_words(len(group.rows), "run"),
        "whose": group.whose or "nobody",
        "cause": group.cause,
        "lines": [
            f"First: {example.label}, margin {percent(example.percent)}. In all: {thinnest_words(group)}."
        ],
        "command": repeat_command(morning.night, example),
    }


def _when(group: RunGroup) -> dict[str, Any]:
    times = clock_times(group.began) or "at a time that was not kept"
    return {
        "runs": f"{counted_words(len(group.rows), 'run')} {group.result}",
        "whose": group.whose or "nobody",
        "cause": group.cause,
        "lines": [f"Began {times}. First: {group.example.label}, case {group.example.case_id}."],
        "command": "",
    }


def _comparison(found: Comparison, baseline: str) -> dict[str, Any]:
    lists = (
        ("that newly fail", found.new_failures),
        ("that are fixed", found.fixed),
        ("that counted then and do not now", found.no_longer_counted),
    )
    return {
        "summary": comparison_words(found, baseline),
        "finding_heads": FINDING_HEADS,
        "findings": [
            (
                group_name(one.scenario, one.disturbance),
                "margins" if one.kind == "margins" else KIND_WORDS[one.kind],
                one.direction,
                one.worse,
                one.better,
                one.pairs,
                points(one.shift),
                f"{one.probability:.1g}",
            )
            for one in found.findings
        ],
        "lists": [
            (f"{counted_words(len(pairs), 'run')} {name}", [_pair(one) for one in pairs])
            for name, pairs in lists
            if pairs
        ],
        "lines": [
            *(f"Bears less: {answer_pair_words(one)}." for one in found.borne_less),
            *(f"Bears more: {answer_pair_words(one)}." for one in found.borne_more),
            f"Only then: {counted_words(len(found.only_before), 'case')}. "
            f"Only now: {counted_words(len(found.only_now), 'case')}.",
            *(version_words(change) for change in found.versions),
            drift_words(found.drift),
            f"Method: {METHOD}.",
        ],
    }


def _answer(answer: Answer) -> dict[str, Any]:
    """One that is no margin over speed."""
    return {
        "label": answer.label,
        "sentence": answer.sentence,
        "loud": answer.as_expected is False,
        "how": f"{counted_words(answer.rides, 'ride')}; {answer.method}.",
        "saved": answer.saved,
        "command": answer.command or "",
    }


def _margins(table: MarginTable) -> dict[str, Any]:
    """Rows with a figure for every speed and the course of those that have one."""
    rows = []
    for row in table.rows:
        borne = [answer.borne for answer in row.answers if answer is not None and answer.borne is not None]
        course = drawn_course(borne) if len(borne) == len(row.answers) > 1 else None
        what = f"{row.what} / {row.unit}" if row.unit else row.what
        rows.append((what, [margin_words(answer) for answer in row.answers], course))
    return {"question": table.question, "speeds": [f"{v:g}" for v in table.speeds_km_h], "rows": rows}


def _more(count: int) -> str:
    more = counted_words(count, "more group")
    return f"{more} fell by less; campaign_result.json has all." if count > 0 else ""


def _pair(one: Pair) -> tuple[str, ...]:
    return (
        *(one.now.case_id, one.now.label, percent(one.before.percent), percent(one.now.percent)),
        ", ".join(one.changed) or "no",
    )


def _repeats(morning: Morning) -> list[str]:
    found = morning.repeats
    return [
        *(f"Flaky: {flaky_words(one)}." for one in found.flaky),
        *(
            f"{row.label}: repeats on the stepped clock recorded other signals, which is a defect."
            for row in found.not_reproducible
        ),
    ]


def _map_rows(morning: Morning) -> list[tuple[str, list[tuple[str, str, str] | None]]]:
    found = morning.map
    return [
        (scenario, [_cell(found.cells.get((scenario, name))) for name in found.disturbances])
        for scenario in found.scenarios
    ]


def _cell(cell: MapCell | None) -> tuple[str, str, str] | None:
    """Look, margin and counts of a cell; None where no case was planned."""
    if cell is None:
        return None
    signs = ((cell.failed, "✗"), (cell.not_counted, "?"), (cell.not_ridden, "–"))
    counts = " ".join([str(cell.counted), *(f"{sign}{count}" for count, sign in signs if count)])
    if not cell.counted:
        return "mx", "none", counts
    if cell.failed and (cell.percent is None or cell.percent >= 0.0):
        return "m0", "✗", counts  # a fall keeps no margin, and is thinner than any
    if cell.percent is None:
        return "m4", "·", counts
    look = next((name for below, name in _BANDS if cell.percent < below), "m4")
    return look, _short(cell.percent), counts


def _short(value: float) -> str:
    """A margin in few characters."""
    text = f"{value:.0f}" if abs(value) >= 10 else f"{value:.1f}"
    return text.replace("-", "−")


def _run_text(row: Ridden) -> str:
    """One run in few characters: its margin and a sign for what is not a pass."""
    margin = "" if not row.of_robot else "·" if row.percent is None else _short(row.percent)
    return f"{margin}{RUN_SIGN.get(row.result, '!')}"


def _found(row: Ridden) -> Sequence[str]:
    """A run in the list that is searched: case, run, result, expected, margin."""
    expected = {True: "yes", False: f"no: {row.expected} expected", None: ""}[row.as_expected]
    found = (row.case_id, row.label, row.result, expected, percent(row.percent))
    return [visible(text) for text in found]


def _coverage(found: Tried, sentence: str) -> dict[str, Any]:
    return {
        "sentence": sentence,
        "factors": [factor_words(factor) for factor in found.factors],
        "missing": found.missing_pairs,
    }
