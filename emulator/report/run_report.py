"""The report of one run: a single HTML file that needs nothing else.

Its figures are drawn in the browser from the numbers it carries (``figures.columns``, ``assets/``): the
first thing an engineer does with two minutes at 1 kHz is to look at one second around a fault in all panels.
Without JavaScript the verdict, tables and events are still there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from emulator.record.reader import Run, read_run, with_documents
from emulator.record.writer import write_whole
from emulator.report.bands import event_bands, shown_bands
from emulator.report.beside import beside
from emulator.report.figures.detail import MOST_INSTANTS, AROUND_ms, FAST_ms, SLOW_ms
from emulator.report.figures.drawing import Figure
from emulator.report.figures.envelope import friction_figures, lean_figure
from emulator.report.figures.from_above import plan_view
from emulator.report.figures.from_frames import sent_in_frames, unrecorded_hits, where_to_look
from emulator.report.figures.over_time import (
    events_and_pose,
    instants,
    notes_series,
    position_error_figure,
    time_series,
)
from emulator.report.narrative import what_happened
from emulator.report.page import page_html
from emulator.report.sections import (
    PROCESSES,
    ROBOT,
    band_section,
    bus_section,
    criteria_section,
    event_section,
    lap_section,
    position_section,
    reproduction_section,
    timing_section,
)
from emulator.report.terminal import Meaning, meaning_of, verdict_of, what_to_do
from emulator.report.timing import age_histograms, bus_figure, lateness_histogram
from emulator.verdict.expectation import AS_USUAL
from emulator.verdict.judge import Verdict, who_rode

REPORT_FILE = "report.html"
CAUTION = (
    "Emulated signals. This tool is not a safety function: the hardware emergency stop, the guards and "
    "distance are (ISO 12100, ISO 13849-1, IEC 60204-1). Never connect the emulated bus to a bike that can "
    "move. Local rules and licensed practice decide."
)


def write_report(folder: Path | str, beside: Path | str | None = None, signals: Run | None = None) -> Path:
    """Write ``report.html`` into a run folder and return its path; ``beside``: another run to draw over it.

    signals  the run as it was read before its documents were written, so that only they are read again
    Works on any readable run, also one cut short, without verdict or without certificate.
    Raises RecordError if a folder is no record, or the other one of another line, RunFailed if the file can't
    be written.
    """
    run = read_run(folder) if signals is None else with_documents(signals)
    path = run.folder / REPORT_FILE
    write_whole(path, report_html(run, None if beside is None else read_run(beside)))
    return path


def report_html(run: Run, other: Run | None = None) -> str:
    """The whole report as one HTML document; ``other``: a run of the same line to draw over this one."""
    verdict = verdict_of(run)
    criteria = verdict.criteria if verdict else []
    certificate = run.certificate or {}
    bands = event_bands(run)
    figures: dict[str, Figure] = {"plan": plan_view(run, bands, criteria)}
    sent = sent_in_frames(run, unrecorded_hits(run))
    series = time_series(run, bands, criteria, sent)
    known = position_error_figure(run, criteria)
    if known:
        series.append(("Error of the robot's position estimate / (cm)", known))
    series += notes_series(run)
    marked = {mark["text"]: f"time{i}" for i, (_, f) in enumerate(series) for mark in f.get("marks", ())}
    figures |= {f"time{i}": figure for i, (_, figure) in enumerate(series)}
    compared = [] if other is None else beside(run, other)
    figures |= {f"station{i}": figure for i, (_, figure) in enumerate(compared)}
    friction = friction_figures(run)
    bus = run.manifest.get("bus_budget")
    maybe = {
        "lean": lean_figure(run),
        **{f"friction_{tyre}": figure for tyre, figure in friction},
        "lateness": lateness_histogram(certificate),
        "ages": age_histograms(certificate),
        "bus": bus_figure(bus),
    }
    figures |= {key: figure for key, figure in maybe.items() if figure is not None}
    return page_html(
        "run_report.html",
        _title(run),
        figures,
        events_and_pose(run, shown_bands(bands)),
        banner=_banner(run, verdict, what_happened(run, bands)),
        caution=CAUTION,
        facts=_facts(run),
        criteria=criteria_section(verdict, marked),
        laps=lap_section(verdict.laps if verdict else None),
        position=position_section(verdict.place if verdict else None),
        bands=band_section(bands),
        detail=_detail(len(dict.fromkeys(instants(run, bands, criteria)))),
        elsewhere=where_to_look(run, sent),
        panels=[(f"time{i}", heading) for i, (heading, _) in enumerate(series)],
        beside=[(f"station{i}", heading) for i, (heading, _) in enumerate(compared)],
        other="" if other is None else other.folder.name,
        tyres=[tyre for tyre, _ in friction],
        timing=timing_section(certificate),
        robot_heads=["frame", *(head for _, head, _ in ROBOT)],
        process_heads=["process", *(head for _, head, _ in PROCESSES)],
        bus=bus_section(bus) if "bus" in figures and bus else None,
        events=event_section(run.events),
        reproduction=reproduction_section(run),
    )


def _detail(count: int) -> str:
    """To what detail the panels were kept, in words."""
    left_out = f", of {count} the {MOST_INSTANTS} gravest" if count > MOST_INSTANTS else ""
    return (
        f"Kept here: {AROUND_ms:g} ms before and after what happened (events, worst instants{left_out}) in "
        f"full; elsewhere rates, steering, torque and forces every {FAST_ms} ms, the rest every "
        f"{SLOW_ms} ms, and what stands out between."
    )


def _title(run: Run) -> str:
    scenario, rider = _name(run.manifest.get("scenario")), who_rode(run.manifest).partition(" (")[0]
    ridden = f"{scenario}, ridden by {rider}" if rider else scenario
    return f"{ridden} – {run.folder.name}" if scenario else run.folder.name


def _name(item: object) -> str:
    if isinstance(item, Mapping):
        return str(item.get("name") or "")
    return str(item) if isinstance(item, str) else ""


@dataclass(frozen=True)
class _Banner:
    """What comes first: the verdict in a word, why, and what happened to the bike."""

    result: str
    meaning: Meaning
    began: Sequence[str]
    followed: Sequence[str]
    losses: Sequence[str]
    left_out: Sequence[str]
    narrative: Sequence[str]
    what_to_do: str
    notes: Sequence[str]
    expectation: str
    traceback: str


def _banner(run: Run, verdict: Verdict | None, happened: Sequence[str]) -> _Banner:
    advice = what_to_do(verdict)
    return _Banner(
        verdict.result if verdict else "none",
        meaning_of(verdict),
        verdict.reasons[: len(verdict.reasons) - len(verdict.followed)] if verdict else [],
        verdict.followed if verdict else [],
        run.losses,
        run.left_out,
        happened,
        advice[:1].upper() + advice[1:],
        verdict.notes if verdict else [],
        verdict.expectation if verdict and verdict.expectation != AS_USUAL else "",
        verdict.traceback if verdict else "",
    )


def _facts(run: Run) -> list[tuple[str, object]]:
    facts: list[tuple[str, object]] = []
    if len(run.tick):
        seconds = (run.tick[-1] - max(int(run.tick[0]), 0) + 1) / 1000
        facts.append(("ride", f"{seconds:.1f} s"))
        station = run.signals.get("line.station_m", np.empty(0))
        station = station[np.isfinite(station)]
        if len(station):
            facts.append(("line covered", f"{station.max():.0f} m"))
    facts.append(("bus frames", len(run.frames.tick)))
    for key in ("stage", "rig", "vehicle", "robot", "seed", "started_utc", "version"):
        value = run.manifest.get(key)
        rider = who_rode(run.manifest) if key == "robot" else ""
        shown = rider or _name(value) or (value if isinstance(value, int | float) else "")
        if shown != "":
            facts.append((key.replace("_", " "), shown))
    return facts
