"""The report of one run: a single HTML file that needs nothing else, and a summary for the terminal.

Figures are drawn by plotly.js, inlined once (4.8 MB a file). Static SVG would be a tenth of that, but the
first thing an engineer does with 120 s at 1 kHz is to zoom into one second around a fault in all panels at
once, and SVG can't. Without JavaScript the verdict, tables and events are still there.
"""

from __future__ import annotations

import html
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from rich import box
from rich.console import Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from emulator.campaign.figures import (
    Band,
    Figure,
    fault_bands,
    lateness_histogram,
    place_figure,
    plan_view,
    time_series,
)
from emulator.campaign.laps import LapTimes, lap_rows
from emulator.campaign.page import document, figure_place
from emulator.campaign.place import PlaceKnowledge
from emulator.campaign.timing_figures import age_histograms, bus_figure
from emulator.campaign.verdict import CriterionResult, Verdict, verdict_from
from emulator.errors import RecordError
from emulator.record.reader import Event, Run, read_json_object, read_run
from emulator.record.writer import CERTIFICATE_FILE, VERDICT_FILE, write_whole

REPORT_FILE = "report.html"
CAUTION = (
    "Emulated signals. This tool is not a safety function: the hardware emergency stop, the guards and "
    "distance are (ISO 12100, ISO 13849-1, IEC 60204-1). Never connect the emulated bus to a bike that can "
    "move. Local rules and licensed practice decide."
)
MAX_EVENTS = 400
"""Events listed in a report; the rest are in events.jsonl, and the report says so."""

_MEANING = {
    "pass": ("PASS", "✓", "complete and valid, every criterion met"),
    "fail": ("FAIL", "✗", "valid, but the robot fell short"),
    "invalid": ("INVALID", "?", "can't be counted: the bench, not the robot"),
    "error": ("ERROR", "!", "the run broke down and says nothing"),
    "none": ("NO VERDICT", "–", "this run has not been judged"),
}
_STYLE = {"pass": "bold green", "fail": "bold red", "invalid": "bold magenta", "error": "bold yellow"}


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
    verdict = _verdict_of(run)
    criteria = verdict.criteria if verdict else []
    certificate = run.certificate or {}
    bands = fault_bands(run)
    figures: dict[str, Figure] = {"plan": plan_view(run, bands, criteria)}
    series = time_series(run, bands, criteria)
    known = place_figure(run, bands)
    if known:
        series.append(("Error of the robot's own place", known))
    figures |= {f"time{i}": figure for i, (_, figure) in enumerate(series)}
    histogram = lateness_histogram(certificate)
    if histogram:
        figures["lateness"] = histogram
    ages = age_histograms(certificate)
    if ages:
        figures["ages"] = ages
    bus = run.manifest.get("bus_budget")
    bars = bus_figure(bus)
    if bars:
        figures["bus"] = bars
    title = _title(run)
    parts = [
        _banner(run, verdict),
        f'<p class="caution"><strong>Caution.</strong> {_e(CAUTION)}</p>',
        _facts(run),
        _criteria_section(criteria),
        _laps_section(verdict.laps if verdict else None),
        _place_section(verdict.place if verdict else None),
        "<section><h2>Seen from above</h2>",
        figure_place("plan", "Plan view: target, true and estimated path"),
        _band_list(bands),
        "</section><section><h2>Over time</h2><p class='hint screen'>Zooming one panel zooms all; "
        "a double click shows the whole ride again. Estimate: the robot's own. "
        "Dashed bands: the scenario's events, numbered as above.</p>",
        *(
            f"<h3>{_e(heading)}</h3>{figure_place(f'time{i}', heading)}"
            for i, (heading, _) in enumerate(series)
        ),
        "</section>",
        _timing_section(certificate, histogram is not None, ages is not None),
        _bus_section(bus) if bars and bus else "",
        _events_section(run.events),
        _configuration(run.manifest),
    ]
    return document(title, parts, figures, style=_CSS, script=_SCRIPT)


def _e(value: object) -> str:
    return html.escape(str(value))


def _verdict_of(run: Run) -> Verdict | None:
    return None if run.verdict is None else verdict_from(run.verdict, str(run.folder / VERDICT_FILE))


def _title(run: Run) -> str:
    scenario = _name(run.manifest.get("scenario"))
    return f"{scenario} – {run.folder.name}" if scenario else run.folder.name


def _name(item: object) -> str:
    if isinstance(item, Mapping):
        return str(item.get("name") or "")
    return str(item) if isinstance(item, str) else ""


def _banner(run: Run, verdict: Verdict | None) -> str:
    key = verdict.result if verdict else "none"
    word, sign, meaning = _MEANING[key]
    reasons = "".join(f"<li>{_e(reason)}</li>" for reason in (verdict.reasons if verdict else []))
    losses = "".join(f"<li>Record cut short: {_e(loss)}</li>" for loss in run.losses)
    return (
        f"<header class='verdict {key}'><p class='run'>{_e(_title(run))}</p>"
        f"<h1><span class='sign' aria-hidden='true'>{sign}</span> {word}</h1>"
        f"<p class='meaning'>{_e(meaning)}</p><ul>{reasons}{losses}</ul></header>"
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
        + "".join(f"<div><dt>{_e(name)}</dt><dd>{_e(value)}</dd></div>" for name, value in facts)
        + "</dl>"
    )


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]], kind: str, numbers_from: int = 99) -> str:
    """A table of ready HTML cells; columns from ``numbers_from`` on are set right-aligned."""
    classes = ["num" if i >= numbers_from else "" for i in range(len(heads))]
    head = "".join(f"<th class='{c}' scope='col'>{h}</th>" for c, h in zip(classes, heads, strict=True))
    body = "".join(
        "<tr>"
        + "".join(
            f"<td class='{c}' data-head='{h}'>{cell}</td>"
            for c, h, cell in zip(classes, heads, row, strict=True)
        )
        + "</tr>"
        for row in rows
    )
    return (
        f"<div class='scroll'><table class='{kind}'><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table></div>"
    )


def _criteria_section(criteria: Sequence[CriterionResult]) -> str:
    if not criteria:
        return "<section><h2>Criteria</h2><p>None were judged.</p></section>"
    rows = [
        [
            _e(c.name),
            "<strong>✓ met</strong>" if c.passed else "<strong>✗ not met</strong>",
            _e(c.margin_text),
            _e(c.sentence),
        ]
        for c in criteria
    ]
    table = _table(["criterion", "met?", "margin", "what happened"], rows, "stack")
    return f"<section><h2>Criteria</h2>{table}</section>"


def _laps_section(laps: LapTimes | None) -> str:
    """Lap and sector times; nothing for a run that nobody timed."""
    if laps is None:
        return ""
    heads, rows = lap_rows(laps)
    cells = [[f"<strong>{_e(c)}</strong>" if best else _e(c) for c in row] for row, best in rows]
    table = _table([_e(head) for head in heads], cells, "wide laps", numbers_from=1)
    ends = ", ".join(f"{end:.0f}" for end in laps.sector_ends_m)
    note = f"<p>{_e(laps.note)}</p>" if laps.note else ""
    return (
        f"<section><h2>Lap and sector times</h2>{table}<p class='hint'>In seconds, from the true path. "
        f"Sectors end at stations {ends} m. Ideal: the bound that grip, power, wheel lift and lean set for "
        f"this vehicle on this line, as a quasi-steady motion.</p>{note}</section>"
    )


def _place_section(place: PlaceKnowledge | None) -> str:
    """How well the robot knew its place; nothing for a robot that never said."""
    if place is None:
        return ""
    return (
        f"<section><h2>Where the robot thought it was</h2><p>{_e(_sentence(place))}.</p>"
        f"<p class='hint'>{place.estimates:,} estimates, each compared with the true place "
        f"{place.age_ms:g} ms before its frame was taken (device_under_test.estimate_age_ms); "
        f"{place.fitted_age_ms:.2f} ms would fit this ride best. The last panel "
        "over time shows the error with the line at 2.5 cm, a figure of the trade.</p></section>"
    )


def _sentence(place: PlaceKnowledge) -> str:
    text = place.sentence
    return text[0].upper() + text[1:]


def _band_list(bands: Sequence[Band]) -> str:
    if not bands:
        return "<p>No faults were active.</p>"
    items = "".join(
        f"<li><strong>{_e(b.label)}</strong> {_e(b.name)}: {b.from_s:.1f} to {b.to_s:.1f} s</li>"
        for b in bands
    )
    return f"<ul class='bands' aria-label='faults'>{items}</ul>"


_TIMING: tuple[tuple[str, str, str], ...] = (
    ("rate_hz", "rate<br>Hz", "{:g}"),
    ("sent", "sent", "{:,.0f}"),
    ("lost", "lost", "{:.0f}"),
    ("late", "late", "{:.0f}"),
    ("kept_ppm", "period<br>error ppm", "{:+.1f}"),
    ("jitter_us_p99", "jitter<br>p99 µs", "{:.0f}"),
    ("latency_ms", "latency<br>ms", "{:.2f}"),
    ("age_ms_p50", "age<br>p50 ms", "{:.2f}"),
    ("age_ms_p99", "age<br>p99 ms", "{:.2f}"),
    ("age_ms_max", "age<br>max ms", "{:.2f}"),
)


_WHOLE: tuple[tuple[str, str, str], ...] = (
    ("rate_hz", "rate<br>Hz", "{:g}"),
    ("kept_hz", "kept<br>Hz", "{:.4f}"),
    ("kept_ppm", "period<br>error ppm", "{:+.1f}"),
    ("sent", "sent", "{:,.0f}"),
    ("lost", "lost", "{:.0f}"),
    ("late", "late", "{:.0f}"),
    ("disordered", "out of<br>order", "{:.0f}"),
    ("jitter_us_p50", "jitter<br>p50 µs", "{:.0f}"),
    ("jitter_us_p99", "<br>p99", "{:.0f}"),
    ("jitter_us_p999", "<br>p99.9", "{:.0f}"),
    ("jitter_us_max", "<br>max", "{:.0f}"),
    ("latency_ms", "latency<br>ms", "{:.2f}"),
    ("age_ms_p50", "age<br>p50 ms", "{:.2f}"),
    ("age_ms_p99", "<br>p99", "{:.2f}"),
    ("age_ms_p999", "<br>p99.9", "{:.2f}"),
    ("age_ms_max", "<br>max", "{:.2f}"),
)
"""The report's columns; the terminal has room for those of _TIMING."""


def _timing_rows(
    certificate: Mapping[str, Any], columns: Sequence[tuple[str, str, str]] = _TIMING
) -> list[list[str]]:
    outputs = certificate.get("outputs")
    if not isinstance(outputs, Mapping):
        return []
    return [
        [str(name), *(_formatted(kept, key, form) for key, _, form in columns)]
        for name, kept in outputs.items()
    ]


def _formatted(item: object, key: str, form: str) -> str:
    value = item.get(key) if isinstance(item, Mapping) else None
    return form.format(value) if isinstance(value, int | float) else "–"


def _bus_section(budget: Mapping[str, Any]) -> str:
    """What the bus had to carry, drawn and as a table."""
    rows = [
        [
            _e(f.get("name")),
            "robot" if f.get("from_robot") else "bench",
            f"0x{f['can_id']:x}" if isinstance(f.get("can_id"), int) else "–",
            *(_e(_formatted(f, key, form)) for key, _, form in _BUS),
            "yes" if f.get("in_time") else "<strong>no</strong>",
        ]
        for f in budget["frames"]
    ]
    heads = ["frame", "from", "id", *(head for _, head, _ in _BUS), "in<br>time?"]
    load, rate = (_formatted(budget, key, "{:g}") for key in ("load", "bit_rate"))
    share = f"{float(load) * 100.0:.1f} %" if load != "–" else "an unknown share"
    assumed = (
        " How often the robot sends is assumed: as the reference robot does."
        if budget.get("robot_periods_assumed")
        else ""
    )
    return (
        f"<section><h2>Bus budget</h2><p>At most {share} of {_e(rate)} bit/s.</p>"
        f"{figure_place('bus', 'Worst response time of every frame against its deadline')}"
        f"{_table(heads, rows, 'wide', numbers_from=2)}"
        "<p class='hint'>Worked out before the ride, in ms: at worst every more urgent frame goes first and "
        "a less urgent one has just begun; deadline: the frame's period. Worst age: from the time of "
        "validity until the frame is over. Off latency: arrival without the robot's frames, least to most."
        f"{assumed}</p></section>"
    )


_BUS: tuple[tuple[str, str, str], ...] = (
    ("bits", "bits", "{:.0f}"),
    ("time_ms", "time", "{:.3f}"),
    ("period_ms", "period", "{:g}"),
    ("worst_ms", "at worst", "{:.2f}"),
    ("deadline_ms", "dead-<br>line", "{:g}"),
    ("latency_ms", "latency", "{:g}"),
    ("worst_age_ms", "worst<br>age", "{:.2f}"),
    ("off_least_ms", "off<br>latency", "{:+.2f}"),
    ("off_most_ms", "to", "{:+.2f}"),
)


def _timing_section(certificate: Mapping[str, Any], histogram: bool, ages: bool) -> str:
    parts = ["<section><h2>Timing certificate</h2>"]
    rows = _timing_rows(certificate, _WHOLE)
    if rows:
        heads = ["output", *(head for _, head, _ in _WHOLE)]
        parts.append(_table(heads, ([_e(cell) for cell in row] for row in rows), "wide", numbers_from=1))
        parts.append(
            f"<p class='hint'>Age: from the time of validity until {_until(certificate)}; latency: the age "
            "promised. Jitter: how far intervals between samples were off.</p>"
        )
        if ages:
            parts.append(
                "<h3>How far ages were off</h3>"
                + figure_place("ages", "Histograms of age less latency, an output a row")
                + "<p class='hint'>Samples by age less latency, counts to a logarithmic scale.</p>"
            )
    else:
        parts.append("<p>There is no timing certificate.</p>")
    loop = certificate.get("loop")
    if isinstance(loop, Mapping):
        parts.append("<h3>Loop</h3>")
        spread = ("p50", "p99", "p999", "max")
        lines = [
            [name, *(_e(_formatted(loop.get(key), p, "{:.1f}")) for p in spread)]
            for key, name in (("lateness_us", "woke late by"), ("compute_us", "computing"))
        ]
        parts.append(
            _table(["µs", "p50", "p99", "p99.9", "max"], lines, "wide", numbers_from=1)
            + f"<p>{_e(_formatted(loop, 'ticks', '{:,.0f}'))} ticks, "
            f"{_e(_formatted(loop, 'overruns', '{:.0f}'))} overruns, "
            f"{_e(_formatted(loop, 'missed_ticks', '{:.0f}'))} missed ticks.</p>"
        )
    if histogram:
        parts.append(f"<h3>Lateness of the loop</h3>{figure_place('lateness', 'Histogram of loop lateness')}")
    parts.append("</section>")
    return "".join(parts)


def _until(certificate: Mapping[str, Any]) -> str:
    outputs = certificate.get("outputs")
    on_bus = isinstance(outputs, Mapping) and any(
        isinstance(kept, Mapping) and kept.get("wire_us") for kept in outputs.values()
    )
    return "its frame has arrived, by the bit rate of the bus" if on_bus else "handed to the bus"


def _events_section(events: Sequence[Event]) -> str:
    if not events:
        return "<section><h2>Events</h2><p>None.</p></section>"
    rows = (
        [f"{e.time_s:.3f}", _e(e.kind.replace("_", " ")), _e(e.name), _e(e.text)] for e in events[:MAX_EVENTS]
    )
    more = len(events) - MAX_EVENTS
    rest = f"<p>{more} more are in events.jsonl.</p>" if more > 0 else ""
    table = _table(["time / s", "kind", "name", "what"], rows, "events")
    return f"<section><h2>Events</h2>{table}{rest}</section>"


def _configuration(manifest: Mapping[str, Any]) -> str:
    rows = [[f"<code>{_e(key)}</code>", f"<code>{_e(value)}</code>"] for key, value in _flat(manifest)]
    return (
        "<section><h2>Configuration and hashes</h2><details><summary>Everything in the manifest "
        f"({len(rows)} entries)</summary>{_table(['entry', 'value'], rows, 'config')}</details></section>"
    )


def _flat(item: object, key: str = "") -> list[tuple[str, str]]:
    """Leaves of a document with their paths; long lists of numbers are counted, not listed."""
    if isinstance(item, Mapping):
        return [leaf for k, v in item.items() for leaf in _flat(v, f"{key}.{k}" if key else str(k))]
    if isinstance(item, list):
        if all(isinstance(v, int | float | None) for v in item):
            return [(key, json.dumps(item) if len(item) <= 12 else f"{len(item)} numbers")]
        return [leaf for i, v in enumerate(item) for leaf in _flat(v, f"{key}.{i}")]
    return [(key, item if isinstance(item, str) else json.dumps(item))]


# -- terminal --------------------------------------------------------------------------------------------


def console_summary(source: Path | str | Run) -> RenderableType:
    """Verdict, criteria, lap times and timing certificate as a rich renderable, for the end of a run.

    source   a run folder, of which only verdict.json and certificate.json are read, or a run in memory
    Raises RecordError if one of the two files is there and damaged, or the folder is not.
    """
    if isinstance(source, Run):
        verdict, certificate, folder = _verdict_of(source), source.certificate, source.folder
    else:
        folder = Path(source)
        if not folder.is_dir():
            raise RecordError(
                f"{folder} is not a run folder", advice="name a folder that holds manifest.json"
            )
        path = folder / VERDICT_FILE
        verdict = verdict_from(read_json_object(path), str(path)) if path.exists() else None
        path = folder / CERTIFICATE_FILE
        certificate = read_json_object(path) if path.exists() else None
    key = verdict.result if verdict else "none"
    word, sign, meaning = _MEANING[key]
    text = Text.assemble((f"{sign} {word}", _STYLE.get(key, "bold")), f"  {meaning}")
    for reason in verdict.reasons if verdict else []:
        text.append(f"\n· {reason}")
    parts: list[RenderableType] = [Panel(text, title=Text(folder.name), title_align="left")]
    if verdict and verdict.criteria:
        table = Table(box=box.SIMPLE_HEAD, title="Criteria", title_justify="left")
        for head, side in (
            ("criterion", "left"),
            ("met?", "left"),
            ("margin", "right"),
            ("what happened", "left"),
        ):
            table.add_column(head, justify="right" if side == "right" else "left")
        for c in verdict.criteria:
            met = Text("✓ met", "green") if c.passed else Text("✗ not met", "bold red")
            table.add_row(Text(c.name), met, c.margin_text, Text(c.sentence))
        parts.append(table)
    if verdict and verdict.laps:
        parts.append(_laps_table(verdict.laps))
    if verdict and verdict.place:
        parts.append(Text(f"{_sentence(verdict.place)}.\n"))
    rows = _timing_rows(certificate or {})
    if rows:
        table = Table(
            box=box.SIMPLE_HEAD,
            title="Timing certificate",
            title_justify="left",
            padding=(0, 1, 0, 0),
            pad_edge=False,
        )
        table.add_column("output", no_wrap=True)
        for _, head, _ in _TIMING:
            table.add_column(head.replace("<br>", "\n"), justify="right")
        for row in rows:
            table.add_row(*(Text(cell) for cell in row))
        parts.append(table)
    else:
        parts.append(Text("There is no timing certificate."))
    return Group(*parts)


def _laps_table(laps: LapTimes) -> RenderableType:
    heads, rows = lap_rows(laps)
    table = Table(box=box.SIMPLE_HEAD, title="Lap and sector times / s", title_justify="left")
    for i, head in enumerate(heads):
        table.add_column(head, justify="left" if i in (0, len(heads) - 1) else "right")
    for cells, best in rows:
        table.add_row(*(Text(cell, "bold" if best else "") for cell in cells))
    return Group(table, Text(laps.note)) if laps.note else table


# -- page ------------------------------------------------------------------------------------------------

_CSS = """
:root{--ink:#1c2430;--soft:#5a6573;--rule:#d5dae1;--paper:#fff;--tone:#5a6573}
*{box-sizing:border-box}
body{margin:0;background:#eef1f4;color:var(--ink);
font:16px/1.5 system-ui,-apple-system,"Segoe UI","DejaVu Sans",sans-serif}
main{max-width:1080px;margin:0 auto;padding:1rem}
section,.facts,.caution{background:var(--paper);border:1px solid var(--rule);border-radius:6px;
padding:1rem 1.2rem;margin:0 0 1rem}
.verdict{background:var(--paper);border:1px solid var(--rule);border-left:14px solid var(--tone);
border-radius:6px;padding:1rem 1.2rem;margin:0 0 1rem}
.verdict.pass{--tone:#1b5fa8}.verdict.fail{--tone:#b3261e;border-left-style:double}
.verdict.invalid{--tone:#8c3a80;border-left-style:dashed}.verdict.error{--tone:#1c2430;border-left-style:dotted}
.verdict h1{margin:0;font-size:2.4rem;line-height:1.2;letter-spacing:.03em;color:var(--tone)}
.run{margin:0;color:var(--soft);overflow-wrap:anywhere}
.meaning{margin:.1rem 0 .4rem;font-weight:600}
.verdict ul{margin:0;padding-left:1.2rem}.verdict li{margin:.2rem 0;overflow-wrap:anywhere}
.caution{border:2px solid var(--ink);padding:.6rem 1.2rem}
h2{margin:0 0 .6rem;font-size:1.25rem}h3{margin:1rem 0 0;font-size:1rem}
.facts{display:flex;flex-wrap:wrap;gap:.4rem 2rem}
.facts div{min-width:0}.facts dt{color:var(--soft);font-size:.8rem}
.facts dd{margin:0;font-weight:600;overflow-wrap:anywhere}
.scroll{overflow-x:auto;max-width:100%}
table{border-collapse:collapse;width:100%;font-size:.92rem}
th,td{text-align:left;vertical-align:top;padding:.35rem .7rem .35rem 0;border-bottom:1px solid var(--rule)}
th{color:var(--soft);font-weight:600;vertical-align:bottom}
.num{text-align:right;white-space:nowrap;font-variant-numeric:tabular-nums}
.stack td:nth-child(-n+3){white-space:nowrap}
.events td:first-child{text-align:right;font-variant-numeric:tabular-nums}
code{font:0.85rem/1.4 ui-monospace,"DejaVu Sans Mono",monospace;overflow-wrap:anywhere}
.config{table-layout:fixed}
.laps .num:last-child{text-align:left;white-space:normal}
.hint{color:var(--soft);font-size:.9rem;margin:.4rem 0}
.figure{width:100%;min-height:230px}#plan{min-height:520px}
.figure .modebar{top:auto!important;bottom:0!important} /* above the figure, beside its heading */
.wide th:first-child,.wide td:first-child{position:sticky;left:0;background:var(--paper)}
.bands{margin:.6rem 0 0;padding:0;list-style:none;columns:2}
summary{cursor:pointer}
@media(max-width:640px){
main{padding:.5rem}section,.verdict,.facts,.caution{padding:.7rem .8rem}
.verdict h1{font-size:2rem}.bands{columns:1}
.stack thead{display:none}.stack,.stack tbody,.stack tr,.stack td{display:block}
.stack tr{border-bottom:1px solid var(--rule);padding:.4rem 0}
.stack td{border:0;padding:.1rem 0;white-space:normal!important}
.stack td:nth-child(3)::before{content:attr(data-head) " ";color:var(--soft)}
.events{min-width:30rem}section h3{padding-right:8.5rem}}
@media print{
body{background:#fff;font-size:11pt}main{max-width:none;padding:0}.screen{display:none}
section,.verdict,.facts,.caution{border-radius:0}
.figure,tr,h2,h3{break-inside:avoid}h2,h3{break-after:avoid}
.verdict{-webkit-print-color-adjust:exact;print-color-adjust:exact}
.modebar{display:none!important}}
"""

_SCRIPT = """
(() => {
const figures = JSON.parse(document.getElementById("figures").textContent);
const touch = matchMedia("(pointer: coarse)").matches;
// The buttons are listed one by one: plotly's own set holds one that uploads the data.
const config = {responsive: true, displaylogo: false, showSendToCloud: false, showTips: false,
  modeBarButtons: [["zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "resetScale2d"]]};
const timePanels = [];
for (const [key, figure] of Object.entries(figures)) {
  const place = document.getElementById(key);
  place.replaceChildren();
  // A finger on a figure scrolls the page; the buttons above the figure still zoom.
  if (touch) figure.layout.dragmode = false;
  Plotly.newPlot(place, figure.data, figure.layout, config);
  if (key.startsWith("time")) timePanels.push(place);
}
let linking = false;
for (const source of timePanels) source.on("plotly_relayout", change => {
  if (linking) return;
  let update = null;
  if ("xaxis.range[0]" in change)
    update = {"xaxis.range": [change["xaxis.range[0]"], change["xaxis.range[1]"]]};
  else if ("xaxis.range" in change) update = {"xaxis.range": change["xaxis.range"].slice()};
  else if (change["xaxis.autorange"]) update = {"xaxis.autorange": true};
  if (!update) return;
  linking = true;
  Promise.all(timePanels.filter(p => p !== source).map(p => Plotly.relayout(p, {...update})))
    .finally(() => { linking = false; });
});
const all = () => Object.keys(figures).map(key => document.getElementById(key));
let closed = [];
addEventListener("beforeprint", () => {
  closed = [...document.querySelectorAll("details:not([open])")];
  closed.forEach(d => { d.open = true; });
  all().forEach(p => Plotly.relayout(p, {width: 660}));
});
addEventListener("afterprint", () => {
  closed.forEach(d => { d.open = false; });
  all().forEach(p => Plotly.relayout(p, {width: null, autosize: true}));
});
})();
"""
