"""A run in words: what its verdict means, its margins, its timing; and all of it on a terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.text import Text

from emulator.core.errors import RecordError
from emulator.core.trip_reasons import trip_reason
from emulator.criteria.base import CriterionResult
from emulator.record.documents import read_certificate, read_json_object, read_outcome
from emulator.record.lap_times import LapTimes
from emulator.record.localisation import PositionError
from emulator.record.reader import Run
from emulator.record.writer import CERTIFICATE_FILE, OUTCOME_FILE, VERDICT_FILE
from emulator.report.terminal_table import folded, terminal_table
from emulator.verdict.attribution import SUPERVISOR_GONE, stop_cause
from emulator.verdict.expectation import AS_USUAL
from emulator.verdict.judge import Verdict, verdict_from
from emulator.verdict.laps import lap_rows

_STYLE = {
    "pass": "bold green",
    "fail": "bold red",
    "invalid": "bold magenta",
    "stopped": "bold blue",
    "error": "bold",
}
"""The colours of the pages (``assets/page.css``), as near as a terminal has them."""


class Meaning(NamedTuple):
    """A result as people read it: its word, its sign, what it says."""

    word: str
    sign: str
    sentence: str


def meaning_of(verdict: Verdict | None) -> Meaning:
    """What a verdict, or that there is none, says."""
    if verdict is None:
        return Meaning("NO VERDICT", "–", "this run has not been judged")
    if verdict.result == "pass":
        return Meaning("PASS", "✓", "complete and valid, every criterion met")
    if verdict.result == "fail":
        return Meaning("FAIL", "✗", f"valid, but {_failing(verdict)}")
    if verdict.result == "invalid":
        return Meaning("INVALID", "?", f"does not count: {_whose(verdict)}")
    if verdict.result == "stopped":
        return Meaning("STOPPED", "■", "somebody ended the ride; nothing had gone wrong by then")
    return Meaning("ERROR", "!", "the run broke down and says nothing")


def _failing(verdict: Verdict) -> str:
    """What the robot did not do."""
    began = [cause for cause in verdict.causes if not cause.follows]
    missed = len(verdict.missed)
    if began and began[0].whose == "scenario":
        return "what the scenario did to the bus ended the ride"
    if began:
        return "the robot did not complete the ride"
    if not missed:
        return "the ride was not completed"
    count = len(verdict.criteria)
    return f"the robot missed {missed} of {count} {'criterion' if count == 1 else 'criteria'}"


def _whose(verdict: Verdict) -> str:
    """Whose it was that a run does not count."""
    if verdict.causes and verdict.causes[0].whose == "unknown":
        return "nobody can tell whether robot or bench began it"
    if verdict.timing_missed:
        return "the bench missed its timing"
    return "it was the bench" if verdict.causes else "the reasons follow"


def what_to_do(verdict: Verdict | None) -> str:
    """What the bench engineer should do about a trip, or a ride that does not count; else empty."""
    if verdict is None:
        return ""
    trip = trip_reason(verdict.trip_code)
    if trip is None or not trip.what_to_do:
        return _about_no_evidence(verdict)
    if any(cause.whose == "scenario" for cause in verdict.causes):
        return "neither robot nor bench is to blame: the scenario asks whether the ride bears it"
    if trip.whose == "robot" and not any(cause.whose == "robot" for cause in verdict.causes):
        return (
            "look at the bench first: `emulator host` says what this machine can promise, the "
            "certificate what stood still and when"
        )
    return trip.what_to_do


def _about_no_evidence(verdict: Verdict) -> str:
    """What to do about a ride that does not count and that did not trip."""
    if verdict.result == "error":
        return "mend what the first reason names, then ride again"
    if verdict.result != "invalid":
        return ""
    if verdict.timing_missed:
        return (
            "see in the timing certificate which promise was not kept and when, let `emulator host` say what "
            "this machine can promise, then ride again"
        )
    if verdict.causes and verdict.causes[0].whose == "unknown":
        return "rule out what the first reason leaves open, then ride again"
    if not verdict.causes:  # a log, or a run of which nothing was asked: nobody's fault
        return "see to what the first reason names, then import or ride again"
    return "mend on the bench what the first reason names, then ride again"


def _why_not_judged(folder: Path) -> str:
    """What the loop left behind of a run whose supervisor did not live to judge it; empty for nothing."""
    outcome = read_outcome(folder) if (folder / OUTCOME_FILE).exists() else {}
    return stop_cause(outcome, "").text if outcome.get("stopped_by") == SUPERVISOR_GONE else ""


def verdict_of(run: Run) -> Verdict | None:
    """The verdict of a run in memory, None if it was not judged. Raises RecordError if it is damaged."""
    return None if run.verdict is None else verdict_from(run.verdict, str(run.folder / VERDICT_FILE))


def position_error_sentence(place: PositionError) -> str:
    """How far the robot's estimate of its position was off, as a sentence begins."""
    text = place.sentence
    return text[0].upper() + text[1:]


TIMING: tuple[tuple[str, str, str], ...] = (
    ("rate_hz", "rate\nHz", "{:g}"),
    ("sent", "sent", "{:,.0f}"),
    ("lost", "lost", "{:.0f}"),
    ("kept_ppm", "period\nerror ppm", "{:+.1f}"),
    ("latency_ms", "latency\nms", "{:.2f}"),
    ("age_ms_p50", "age\np50 ms", "{:.2f}"),
    ("age_ms_p99", "age\np99 ms", "{:.2f}"),
    ("age_ms_max", "age\nmax ms", "{:.2f}"),
    ("silence_ms_max", "longest\nsilence ms", "{:.1f}"),
)
"""Columns of the terminal: key, heading, form. What the certificate tells is allowed stands beside."""


def timing_rows(
    certificate: Mapping[str, Any], columns: Sequence[tuple[str, str, str]] = TIMING
) -> list[list[str]]:
    """A row for each output, its name first; a dash where the certificate tells no number.

    A figure that had a limit to keep shows the most that was allowed behind it.
    """
    outputs = certificate.get("outputs")
    if not isinstance(outputs, Mapping):
        return []
    return [
        [str(name), *(_beside_allowed(kept, key, form) for key, _, form in columns)]
        for name, kept in outputs.items()
    ]


def _beside_allowed(kept: object, key: str, form: str) -> str:
    """A figure, and behind it what it may be: at most, or from and to."""
    shown = formatted(kept, key, form)
    told = kept.get("allowed") if isinstance(kept, Mapping) else None
    allowed = told.get(key) if isinstance(told, Mapping) else None
    if key == "disordered" and isinstance(told, Mapping) and shown != "–":
        allowed = 0  # samples of one output never overtake each other, whatever the tolerances
    if isinstance(allowed, list) and len(allowed) == 2 and all(isinstance(v, int | float) for v in allowed):
        return f"{shown} ({allowed[0]:.3g} to {allowed[1]:.3g})"
    if not isinstance(allowed, int | float):
        return shown
    return f"{shown} ≤ {allowed:,.0f}" if allowed >= 1000 else f"{shown} ≤ {allowed:.3g}"


_JUDGED = {
    "kept_ppm": "mean period",
    "age_ms_p50": "median age",
    "age_ms_p99": "age at p99",
    "age_ms_max": "oldest sample",
    "silence_ms_max": "longest silence",
}


def nearest_sentence(certificate: Mapping[str, Any]) -> str:
    """Which promise was kept with the least to spare; empty where none was judged."""
    found = []
    outputs = certificate.get("outputs")
    for name, kept in outputs.items() if isinstance(outputs, Mapping) else ():
        allowed = kept.get("allowed") if isinstance(kept, Mapping) else None
        for key, words in _JUDGED.items():
            value, most = kept.get(key), allowed.get(key) if isinstance(allowed, Mapping) else None
            low, high = most if isinstance(most, list) and len(most) == 2 else (None, most)
            if not isinstance(value, int | float) or not isinstance(high, int | float):
                continue
            middle = 0.0 if low is None else (low + high) / 2.0
            if high > middle:
                found.append((abs(value - middle) / (high - middle), f"{name}, {words}"))
    if not found:
        return ""
    share, what = max(found)
    return f"Least to spare: {what}, {100.0 * share:.0f} % of what is allowed."


def formatted(item: object, key: str, form: str) -> str:
    """A number of a document in that form, or a dash."""
    value = item.get(key) if isinstance(item, Mapping) else None
    return form.format(value) if isinstance(value, int | float) else "–"


LEFT_OUT = {
    "frame_fault": "planted by a fault of the frame, or given another time by one",
    "bus_fault": "behind frames that the scenario put on the bus",
    "never_arrived": "never arrived",
}
"""Reasons for which samples are in no age, rate or jitter, in words."""


def left_out_sentence(certificate: Mapping[str, Any]) -> str:
    """Which samples the ages leave out and why; empty if they hold all that were sent."""
    outputs, told = certificate.get("outputs"), []
    for name, kept in outputs.items() if isinstance(outputs, Mapping) else ():
        counts = kept.get("left_out") if isinstance(kept, Mapping) else None
        reasons = [
            f"{counts[key]:,} {words}"
            for key, words in LEFT_OUT.items()
            if isinstance(counts, Mapping) and isinstance(counts.get(key), int) and counts[key]
        ]
        if reasons:
            told.append(f"{name} {', '.join(reasons)} (of {kept.get('sent', 0):,})")
    return f"Left out of ages, rate and jitter: {'; '.join(told)}." if told else ""


def disturbed_sentence(certificate: Mapping[str, Any]) -> str:
    """How old samples were that came behind frames the scenario put on the bus; empty without any."""
    outputs, told = certificate.get("outputs"), []
    for name, kept in outputs.items() if isinstance(outputs, Mapping) else ():
        ages = kept.get("disturbed") if isinstance(kept, Mapping) else None
        if isinstance(ages, Mapping):
            p50, p99, most = (formatted(ages, f"age_ms_{key}", "{:.2f}") for key in ("p50", "p99", "max"))
            late = formatted(ages, "late", "{:,.0f}")
            told.append(f"{name} p50 {p50}, p99 {p99}, at most {most} ms, {late} late")
    return f"Ages behind the scenario's frames: {'; '.join(told)}." if told else ""


def _robot_frames(certificate: Mapping[str, Any]) -> Text | None:
    """The robot's frames in a sentence: the longest silence of each beside what is allowed."""
    frames = certificate.get("robot_frames")
    told = [
        f"{name} {heard['silence_ms_max']:.0f} ms ≤ {heard['silence_ms_allowed']:g}"
        for name, heard in (frames.items() if isinstance(frames, Mapping) else ())
        if heard.get("silence_ms_max") is not None and heard.get("silence_ms_allowed") is not None
    ]
    return folded(f"Longest silence of the robot's frames: {', '.join(told)}.") if told else None


def console_summary(source: Path | str | Run) -> RenderableType:
    """Verdict, criteria, lap times and timing certificate as a rich renderable, for the end of a run.

    source   a run folder, of which only verdict.json and certificate.json are read, or a run in memory
    Raises RecordError if one of the two files is there and damaged, or the folder is not.
    """
    if isinstance(source, Run):
        verdict, certificate, folder = verdict_of(source), source.certificate, source.folder
    else:
        folder = Path(source)
        if not folder.is_dir():
            raise RecordError(
                f"{folder} is not a run folder", advice="name a folder that holds manifest.json"
            )
        path = folder / VERDICT_FILE
        verdict = verdict_from(read_json_object(path), str(path)) if path.exists() else None
        path = folder / CERTIFICATE_FILE
        certificate = read_certificate(folder) if path.exists() else None
    meaning = meaning_of(verdict)
    style = _STYLE[verdict.result] if verdict else "bold"
    head = folded("").append(f"{meaning.sign} {meaning.word}", style).append(f"  {meaning.sentence}")
    lines = [f"· {reason}" for reason in (verdict.reasons if verdict else [])]
    if verdict and verdict.robot:
        lines.append(f"ridden by {verdict.robot}")
    if verdict and verdict.traceback:
        lines.append(verdict.traceback.rstrip())
    if verdict is None and (why := _why_not_judged(folder)):
        lines.append(f"· {why}")
    if advice := what_to_do(verdict):
        lines.append(f"→ {advice}")
    lines += [f"seen, too: {note}" for note in (verdict.notes if verdict else [])]
    if verdict and verdict.expectation not in ("", AS_USUAL):
        lines.append(f"({verdict.expectation})")
    parts: list[RenderableType] = [folded(folder.name, "dim"), head]
    parts += [Padding(folded(line), (0, 0, 0, 2)) for line in lines]
    parts.append(Text(""))
    if verdict and verdict.criteria:
        parts.append(_criteria_table(verdict))
    if verdict and verdict.laps:
        parts.append(_laps_table(verdict.laps))
    if verdict and verdict.place:
        parts.append(folded(f"{position_error_sentence(verdict.place)}.\n"))
    kept = timing_rows(certificate or {})
    if kept:
        columns = ("output", *(head for _, head, _ in TIMING))
        parts.append(terminal_table("Timing certificate", columns, kept, right=columns[1:]))
    else:
        parts.append(Text("There is no timing certificate."))
    left_out = (left_out_sentence(certificate or {}), disturbed_sentence(certificate or {}))
    parts += [folded(sentence) for sentence in left_out if sentence]
    if certificate and (robot := _robot_frames(certificate)):
        parts.append(robot)
    return Group(*parts)


def _criteria_table(verdict: Verdict) -> RenderableType:
    """Every criterion; of a ride that does not count none is ticked."""
    counts = verdict.result in ("pass", "fail")
    least = thinnest(verdict.criteria) if len(verdict.criteria) > 1 else None
    rows = []
    for i, c in enumerate(verdict.criteria):
        words = ("✓ met", "✗ not met") if counts else ("met", "not met")
        met = Text(words[0], "green" if counts else "") if c.passed else Text(words[1], "bold red")
        if c.name in verdict.undecided:
            met = Text("undecided", "yellow")
        percent = "" if c.margin_percent is None else f" ({c.margin_percent:.0f} %)"
        margin = Text(
            f"{c.margin_text}{percent}" + (" thinnest" if i == least else ""), "bold" if i == least else ""
        )
        rows.append((Text(c.name), met, margin, Text(c.sentence)))
    title = "Criteria" if counts else "Criteria (the ride does not count)"
    return terminal_table(title, ("criterion", "met?", "margin", "what happened"), rows, right=("margin",))


def thinnest(criteria: Sequence[CriterionResult]) -> int | None:
    """Number of the criterion with the least margin for its limit; None if none has one."""
    known = [(c.margin_percent, i) for i, c in enumerate(criteria) if c.margin_percent is not None]
    return min(known)[1] if known else None


def _laps_table(laps: LapTimes) -> RenderableType:
    heads, rows = lap_rows(laps)
    if not rows:
        return Text(laps.note)
    cells = [[Text(cell, "bold" if best else "") for cell in row] for row, best in rows]
    table = terminal_table("Lap and sector times / s", heads, cells, right=heads[1:-1])
    return Group(table, Text(laps.note)) if laps.note else table
