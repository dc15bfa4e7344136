"""The report of one run: a single HTML file that needs nothing else.

Figures are drawn by plotly.js, inlined once (4.8 MB a file). Static SVG would be a tenth of that, but the
first thing an engineer does with 120 s at 1 kHz is to zoom into one second around a fault in all panels at
once, and SVG can't. Without JavaScript the verdict, tables and events are still there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from emulator.record.reader import Run, read_run
from emulator.record.writer import write_whole
from emulator.report.bands import event_bands
from emulator.report.drawing import Figure
from emulator.report.envelope import friction_figures, lean_figure
from emulator.report.from_above import plan_view
from emulator.report.narrative import what_happened
from emulator.report.over_time import notes_series, position_error_figure, time_series
from emulator.report.page import page_html
from emulator.report.sections import (
    PROCESSES,
    ROBOT,
    band_section,
    bus_section,
    criteria_rows,
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


def write_report(folder: Path | str) -> Path:
    """Write ``report.html`` into a run folder and return its path.

    Works on any readable run, also one cut short, without verdict or without certificate.
    Raises RecordError if the folder is no record, RunFailed if the file can't be written.
    """
    run = read_run(folder)
    path = run.folder / REPORT_FILE
    write_whole(path, report_html(run))
    return path


def report_html(run: Run) -> str:
    """The whole report as one HTML document."""
    verdict = verdict_of(run)
    criteria = verdict.criteria if verdict else []
    certificate = run.certificate or {}
    bands = event_bands(run)
    figures: dict[str, Figure] = {"plan": plan_view(run, bands, criteria)}
    series = time_series(run, bands, criteria)
    known = position_error_figure(run, bands, criteria)
    if known:
        series.append(("Error of the robot's own place", known))
    series += notes_series(run, bands)
    figures |= {f"time{i}": figure for i, (_, figure) in enumerate(series)}
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
        banner=_banner(run, verdict, what_happened(run, bands)),
        caution=CAUTION,
        facts=_facts(run),
        criteria=criteria_rows(criteria),
        laps=lap_section(verdict.laps if verdict else None),
        position=position_section(verdict.place if verdict else None),
        bands=band_section(bands),
        panels=[(f"time{i}", heading) for i, (heading, _) in enumerate(series)],
        tyres=[tyre for tyre, _ in friction],
        timing=timing_section(certificate),
        robot_heads=["frame", *(head for _, head, _ in ROBOT)],
        process_heads=["process", *(head for _, head, _ in PROCESSES)],
        bus=bus_section(bus) if "bus" in figures and bus else None,
        events=event_section(run.events),
        reproduction=reproduction_section(run),
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
    reasons: Sequence[str]
    losses: Sequence[str]
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
        verdict.reasons if verdict else [],
        run.losses,
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
