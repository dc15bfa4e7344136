"""The report of one run: a single HTML file that needs nothing else.

Figures are drawn by plotly.js, inlined once (4.8 MB a file). Static SVG would be a tenth of that, but the
first thing an engineer does with 120 s at 1 kHz is to zoom into one second around a fault in all panels at
once, and SVG can't. Without JavaScript the verdict, tables and events are still there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from emulator.record.reader import Run, read_run
from emulator.record.writer import write_whole
from emulator.report.bands import event_bands
from emulator.report.drawing import Figure
from emulator.report.envelope import friction_figures, lean_figure
from emulator.report.from_above import plan_view
from emulator.report.narrative import what_happened
from emulator.report.over_time import position_error_figure, time_series
from emulator.report.page import document, escape, figure_place
from emulator.report.sections import (
    band_list,
    bus_section,
    criteria_section,
    envelope_section,
    events_section,
    laps_section,
    position_error_section,
    reproduction_section,
    timing_section,
)
from emulator.report.terminal import MEANING, verdict_of
from emulator.report.timing import age_histograms, bus_figure, lateness_histogram
from emulator.verdict.expectation import AS_USUAL
from emulator.verdict.judge import Verdict

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
    parts = [
        _banner(run, verdict, what_happened(run, bands)),
        f'<p class="caution"><strong>Caution.</strong> {escape(CAUTION)}</p>',
        _facts(run),
        criteria_section(criteria),
        laps_section(verdict.laps if verdict else None),
        position_error_section(verdict.place if verdict else None),
        "<section><h2>Seen from above</h2>",
        figure_place("plan", "Plan view: target, true and estimated path"),
        band_list(bands),
        "</section><section><h2>Over time</h2><p class='hint screen'>Zooming one panel zooms all; "
        "a double click shows the whole ride again. With the keyboard: Tab to a panel, arrows move, + and - "
        "zoom, Home shows all. Estimate: the robot's own. Bands F: the scenario's events, as above; "
        "C: criteria, their limits and worst instants.</p>",
        *(
            f"<h3>{escape(heading)}</h3>{figure_place(f'time{i}', heading)}"
            for i, (heading, _) in enumerate(series)
        ),
        "</section>",
        envelope_section("lean" in figures, [tyre for tyre, _ in friction]),
        timing_section(certificate, "lateness" in figures, "ages" in figures),
        bus_section(bus) if "bus" in figures and bus else "",
        events_section(run.events),
        reproduction_section(run),
    ]
    return document(_title(run), parts, figures)


def _title(run: Run) -> str:
    scenario = _name(run.manifest.get("scenario"))
    return f"{scenario} – {run.folder.name}" if scenario else run.folder.name


def _name(item: object) -> str:
    if isinstance(item, Mapping):
        return str(item.get("name") or "")
    return str(item) if isinstance(item, str) else ""


def _banner(run: Run, verdict: Verdict | None, happened: Sequence[str]) -> str:
    key = verdict.result if verdict else "none"
    word, sign, meaning = MEANING[key]
    reasons = "".join(f"<li>{escape(reason)}</li>" for reason in (verdict.reasons if verdict else []))
    losses = "".join(f"<li>Record cut short: {escape(loss)}</li>" for loss in run.losses)
    told = f"<p><strong>What happened.</strong> {escape(' '.join(happened))}</p>" if happened else ""
    if verdict and verdict.expectation not in ("", AS_USUAL):
        told += f"<p><strong>For regression.</strong> {escape(verdict.expectation)}</p>"
    return (
        f"<header class='verdict {key}'><p class='run'>{escape(_title(run))}</p>"
        f"<h1><span class='sign' aria-hidden='true'>{sign}</span> {word}</h1>"
        f"<p class='meaning'>{escape(meaning)}</p><ul>{reasons}{losses}</ul>{told}</header>"
    )


def _facts(run: Run) -> str:
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
        shown = _name(value) or (value if isinstance(value, int | float) else "")
        if shown != "":
            facts.append((key.replace("_", " "), shown))
    return (
        "<dl class='facts'>"
        + "".join(f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>" for name, value in facts)
        + "</dl>"
    )
