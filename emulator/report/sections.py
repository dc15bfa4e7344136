"""The sections of a run's report as HTML, and the words and figures they share with the terminal."""

from __future__ import annotations

import json
import shlex
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from emulator.criteria.base import CriterionResult
from emulator.record.lap_times import LapTimes
from emulator.record.localisation import PositionError
from emulator.record.reader import Event, Run
from emulator.report.bands import Band
from emulator.report.marks import criterion_label
from emulator.report.page import Html, escape, figure_place, html_table
from emulator.report.terminal import formatted, position_error_sentence, timing_rows
from emulator.verdict.laps import lap_rows

MAX_EVENTS = 400
"""Events listed in a report; the rest are in events.jsonl, and the report says so."""
MAX_BANDS = 60
"""Stretches listed under the plan; events that come and go have many."""
FOLDED_FROM = 25
"""A longer list of events is folded."""


def criteria_section(criteria: Sequence[CriterionResult]) -> str:
    """Every criterion with its margin and what happened."""
    if not criteria:
        return "<section><h2>Criteria</h2><p>None were judged.</p></section>"
    rows = [
        [
            Html(f"<strong>{criterion_label(i)}</strong> {escape(c.name)}"),
            Html("<strong>✓ met</strong>" if c.passed else "<strong>✗ not met</strong>"),
            c.margin_text,
            c.sentence,
        ]
        for i, c in enumerate(criteria)
    ]
    table = html_table(["criterion", "met?", "margin", "what happened"], rows, "stack")
    return f"<section><h2>Criteria</h2>{table}</section>"


def laps_section(laps: LapTimes | None) -> str:
    """Lap and sector times; nothing for a run that nobody timed."""
    if laps is None:
        return ""
    heads, rows = lap_rows(laps)
    cells = [[Html(f"<strong>{escape(c)}</strong>") if best else c for c in row] for row, best in rows]
    table = html_table(heads, cells, "wide laps cards", numbers_from=1)
    ends = ", ".join(f"{end:.0f}" for end in laps.sector_ends_m)
    note = f"<p>{escape(laps.note)}</p>" if laps.note else ""
    return (
        f"<section><h2>Lap and sector times</h2>{table}<p class='hint'>In seconds, from the true path. "
        f"Sectors end at stations {ends} m. Ideal: the bound that grip, power, wheel lift and lean set for "
        f"this vehicle on this line, as a quasi-steady motion.</p>{note}</section>"
    )


def position_error_section(place: PositionError | None) -> str:
    """How well the robot knew its place; nothing for a robot that never said."""
    if place is None:
        return ""
    return (
        f"<section><h2>Where the robot thought it was</h2><p>{escape(position_error_sentence(place))}.</p>"
        f"<p class='hint'>{place.estimates:,} estimates, each compared with the true place "
        f"{place.age_ms:g} ms before its frame was taken (device_under_test.estimate_age_ms); "
        f"{place.fitted_age_ms:.2f} ms would fit this ride best. The last panel "
        "over time shows the error with the line at 2.5 cm, a figure of the trade.</p></section>"
    )


def band_list(bands: Sequence[Band]) -> str:
    """The bands of the figures by name and time."""
    if not bands:
        return "<p>No events of the scenario were active.</p>"
    items = "".join(
        f"<li><strong>{escape(b.label)}</strong> {escape(b.name)}"
        f"{f' ({escape(b.kind)})' if b.kind else ''}: {b.from_s:.1f}"
        f"{f' to {b.to_s:.1f}' if b.to_s > b.from_s else ''} s</li>"
        for b in bands[:MAX_BANDS]
    )
    more = len(bands) - MAX_BANDS
    rest = f"<p>{more} more stretches are in the events below.</p>" if more > 0 else ""
    return f"<ul class='bands' aria-label='events of the scenario'>{items}</ul>{rest}"


def envelope_section(lean: bool, tyres: Sequence[str]) -> str:
    """Lean over speed and force over load of each tyre, as far as there are figures of them."""
    if not lean and not tyres:
        return ""
    parts = ["<section><h2>How near the limits</h2>"]
    if lean:
        parts.append(
            "<h3>Lean over speed</h3>"
            + figure_place("lean", "Lean over speed: ridden, planned, limits of grip and of the pegs")
            + "<p class='hint'>Ridden: every instant free of the support, thinned. Planned: the steady lean "
            "the target speed asks for along the line. Limit of grip: the greatest lean of a steady turn on "
            "a flat road of the scenario's grip; on a banked road, in transients and on patches it is "
            "another.</p>"
        )
    if tyres:
        places = "".join(
            f"<div><h3>{tyre.capitalize()} tyre</h3>"
            + figure_place(
                f"friction_{tyre}", f"Force over load of the {tyre} tyre beside its friction ellipse"
            )
            + "</div>"
            for tyre in tyres
        )
        parts.append(
            f"<div class='side'>{places}</div><p class='hint'>Force over load in the road's plane; at the "
            "ellipse all of the tyre slides. Below 50 N of load nothing is drawn.</p>"
        )
    return "".join([*parts, "</section>"])


_WHOLE: tuple[tuple[str, str, str], ...] = (
    ("rate_hz", "rate\nHz", "{:g}"),
    ("kept_hz", "kept\nHz", "{:.4f}"),
    ("kept_ppm", "period\nerror ppm", "{:+.1f}"),
    ("sent", "sent", "{:,.0f}"),
    ("lost", "lost", "{:.0f}"),
    ("late", "late", "{:.0f}"),
    ("disordered", "out of\norder", "{:.0f}"),
    ("jitter_us_p50", "jitter\np50 µs", "{:.0f}"),
    ("jitter_us_p99", "\np99", "{:.0f}"),
    ("jitter_us_p999", "\np99.9", "{:.0f}"),
    ("jitter_us_max", "\nmax", "{:.0f}"),
    ("latency_ms", "latency\nms", "{:.2f}"),
    ("age_ms_p50", "age\np50 ms", "{:.2f}"),
    ("age_ms_p99", "\np99", "{:.2f}"),
    ("age_ms_p999", "\np99.9", "{:.2f}"),
    ("age_ms_max", "\nmax", "{:.2f}"),
)
"""The report's columns; the terminal has room for those of TIMING."""


def bus_section(budget: Mapping[str, Any]) -> str:
    """What the bus had to carry, drawn and as a table."""
    fast = any(f.get("fast_bits") for f in budget["frames"])
    columns = [c for c in _BUS if fast or c[0] != "fast_bits"]
    rows = [
        [
            str(f.get("name")),
            "robot" if f.get("from_robot") else "bench",
            f"0x{f['can_id']:x}" if isinstance(f.get("can_id"), int) else "–",
            *(formatted(f, key, form) for key, _, form in columns),
            "yes" if f.get("in_time") else Html("<strong>no</strong>"),
        ]
        for f in budget["frames"]
    ]
    heads = ["frame", "from", "id", *(head for _, head, _ in columns), "in\ntime?"]
    load, rate = formatted(budget, "load", "{:g}"), formatted(budget, "bit_rate", "{:.0f} bit/s")
    share = f"{float(load) * 100.0:.1f} %" if load != "–" else "an unknown share"
    if fast:
        rate += f" (fast bits of CAN FD frames: {formatted(budget, 'data_bit_rate', '{:.0f} bit/s')})"
    assumed = (
        " How often the robot sends is assumed: as the reference robot does."
        if budget.get("robot_periods_assumed")
        else ""
    )
    return (
        f"<section><h2>Bus budget</h2><p>At most {share} of {escape(rate)}.</p>"
        f"{figure_place('bus', 'Worst response time of every frame against its deadline')}"
        f"{html_table(heads, rows, 'wide cards', numbers_from=2)}"
        "<p class='hint'>Worked out before the ride, in ms: at worst every more urgent frame goes first and "
        "a less urgent one has just begun; deadline: the frame's period. Worst age: from the time of "
        "validity until the frame is over. Off latency: arrival without the robot's frames, least to most."
        f"{assumed}</p></section>"
    )


_BUS: tuple[tuple[str, str, str], ...] = (
    ("bits", "bits", "{:.0f}"),
    ("fast_bits", "fast\nbits", "{:.0f}"),
    ("time_ms", "time", "{:.3f}"),
    ("period_ms", "period", "{:g}"),
    ("worst_ms", "at worst", "{:.2f}"),
    ("deadline_ms", "dead-\nline", "{:g}"),
    ("latency_ms", "latency", "{:g}"),
    ("worst_age_ms", "worst\nage", "{:.2f}"),
    ("off_least_ms", "off\nlatency", "{:+.2f}"),
    ("off_most_ms", "to", "{:+.2f}"),
)


def timing_section(certificate: Mapping[str, Any], histogram: bool, ages: bool) -> str:
    """What each output promised and kept, and how the loop woke."""
    parts = ["<section><h2>Timing certificate</h2>"]
    rows = timing_rows(certificate, _WHOLE)
    if rows:
        heads = ["output", *(head for _, head, _ in _WHOLE)]
        parts.append(html_table(heads, rows, "wide cards", numbers_from=1))
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
    if isinstance(loop, Mapping) and not loop.get("ticks"):
        parts.append("<p>No tick of the loop was timed: on the stepped clock there is no lateness.</p>")
    elif isinstance(loop, Mapping):
        parts.append("<h3>Loop</h3>")
        spread = ("p50", "p99", "p999", "max")
        lines = [
            [name, *(formatted(loop.get(key), p, "{:.1f}") for p in spread)]
            for key, name in (("lateness_us", "woke late by"), ("compute_us", "computing"))
        ]
        parts.append(
            html_table(["µs", "p50", "p99", "p99.9", "max"], lines, "wide", numbers_from=1)
            + f"<p>{escape(formatted(loop, 'ticks', '{:,.0f}'))} ticks, "
            f"{escape(formatted(loop, 'overruns', '{:.0f}'))} overruns, "
            f"{escape(formatted(loop, 'missed_ticks', '{:.0f}'))} missed ticks.</p>"
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


def events_section(events: Sequence[Event]) -> str:
    """The event log; a long one is folded, and can be searched where scripts run."""
    if not events:
        return "<section><h2>Events</h2><p>None.</p></section>"
    rows = [[f"{e.time_s:.3f}", e.kind.replace("_", " "), _told(e)] for e in events[:MAX_EVENTS]]
    more = len(events) - MAX_EVENTS
    rest = f"<p>{more} more are in events.jsonl.</p>" if more > 0 else ""
    table = html_table(["time / s", "kind", "what"], rows, "events")
    search = (
        "<p class='screen search' hidden><label>Show only rows with "
        "<input type='search' data-rows='events' autocomplete='off'></label> "
        "<span aria-live='polite'></span></p>"
    )
    if len(rows) > FOLDED_FROM:
        counts = Counter(e.kind.replace("_", " ") for e in events)
        kinds = ", ".join(f"{n} {escape(kind)}" for kind, n in counts.most_common())
        table = f"{search}<details><summary>{len(events)} events: {kinds}</summary>{table}{rest}</details>"
        rest = ""
    return f"<section><h2>Events</h2>{table}{rest}</section>"


def _told(event: Event) -> str:
    """Name and text in one, without saying anything twice."""
    if not event.text or event.name.startswith(event.text):
        return event.name
    return event.text if event.text.startswith(event.name) else f"{event.name}: {event.text}"


def reproduction_section(run: Run) -> str:
    """The commands that ride the same again, the hashes of what it was made from, and the whole manifest."""
    manifest = run.manifest
    rows = [
        [Html(f"<code>{escape(key)}</code>"), Html(f"<code>{escape(value)}</code>")]
        for key, value in _flat(manifest)
    ]
    parts = ["<section><h2>To ride it again</h2>"]
    commands = commands_of(run)
    if commands:
        lines = "".join(f"<pre><code>{escape(line)}</code></pre>" for line in commands)
        same = (
            "The same files, seed and program give the same bytes."
            if manifest.get("stage") == "virtual"
            else "The same files and seed make the same bench; the robot's frames come as they come."
        )
        parts.append(f"{lines}<p class='hint'>{same}</p>")
    files, code = manifest.get("files"), manifest.get("code")
    told = manifest.get("given")
    given = told if isinstance(told, Mapping) else {}
    if isinstance(files, Mapping):
        hashes = [
            [str(name), str(given.get(name, "")), Html(f"<code>{escape(h)}</code>")]
            for name, h in files.items()
        ]
        if isinstance(code, Mapping):
            hashes += [
                [f"program: {key}", "", Html(f"<code>{escape(value)}</code>")] for key, value in code.items()
            ]
        parts.append(html_table(["what", "file", "SHA-256, or version"], hashes, "config cards"))
    parts.append(
        f"<details><summary>Everything in the manifest ({len(rows)} entries)</summary>"
        f"{html_table(['entry', 'value'], rows, 'config')}</details></section>"
    )
    return "".join(parts)


def commands_of(run: Run) -> list[str]:
    """Shell lines that ride the same scenario on the same rig; none if the record names not both files."""
    given = run.manifest.get("given")
    if not isinstance(given, Mapping) or not {"rig", "scenario"} <= given.keys():
        return []
    words = ["emulator", "run", str(given["scenario"]), "--rig", str(given["rig"])]
    words += ["--seed", str(run.manifest.get("seed", 0))]
    parameters = run.manifest.get("parameters")
    if isinstance(parameters, Mapping):
        for name, value in parameters.items():
            words += ["--set", f"{name}={value}"]
    if run.manifest.get("stage") == "virtual":
        words.append("--virtual")
    return [shlex.join(words)]


def _flat(item: object, key: str = "") -> list[tuple[str, str]]:
    """Leaves of a document with their paths; long lists of numbers are counted, not listed."""
    if isinstance(item, Mapping):
        return [leaf for k, v in item.items() for leaf in _flat(v, f"{key}.{k}" if key else str(k))]
    if isinstance(item, list):
        if all(isinstance(v, int | float | None) for v in item):
            return [(key, json.dumps(item) if len(item) <= 12 else f"{len(item)} numbers")]
        return [leaf for i, v in enumerate(item) for leaf in _flat(v, f"{key}.{i}")]
    return [(key, item if isinstance(item, str) else json.dumps(item))]
