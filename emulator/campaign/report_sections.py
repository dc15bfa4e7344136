"""The sections of a run's report as HTML, and the words and figures they share with the terminal."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from emulator.campaign.event_bands import Band
from emulator.campaign.laps import LapTimes, lap_rows
from emulator.campaign.page import Html, escape, figure_place, html_table
from emulator.campaign.place import PlaceKnowledge
from emulator.campaign.run_summary import formatted, margin_text, place_sentence, timing_rows
from emulator.campaign.verdict import CriterionResult
from emulator.record.reader import Event

MAX_EVENTS = 400
"""Events listed in a report; the rest are in events.jsonl, and the report says so."""


def criteria_section(criteria: Sequence[CriterionResult]) -> str:
    """Every criterion with its margin and what happened."""
    if not criteria:
        return "<section><h2>Criteria</h2><p>None were judged.</p></section>"
    rows = [
        [
            c.name,
            Html("<strong>✓ met</strong>" if c.passed else "<strong>✗ not met</strong>"),
            margin_text(c),
            c.sentence,
        ]
        for c in criteria
    ]
    table = html_table(["criterion", "met?", "margin", "what happened"], rows, "stack")
    return f"<section><h2>Criteria</h2>{table}</section>"


def laps_section(laps: LapTimes | None) -> str:
    """Lap and sector times; nothing for a run that nobody timed."""
    if laps is None:
        return ""
    heads, rows = lap_rows(laps)
    cells = [[Html(f"<strong>{escape(c)}</strong>") if best else c for c in row] for row, best in rows]
    table = html_table(heads, cells, "wide laps", numbers_from=1)
    ends = ", ".join(f"{end:.0f}" for end in laps.sector_ends_m)
    note = f"<p>{escape(laps.note)}</p>" if laps.note else ""
    return (
        f"<section><h2>Lap and sector times</h2>{table}<p class='hint'>In seconds, from the true path. "
        f"Sectors end at stations {ends} m. Ideal: the bound that grip, power, wheel lift and lean set for "
        f"this vehicle on this line, as a quasi-steady motion.</p>{note}</section>"
    )


def place_section(place: PlaceKnowledge | None) -> str:
    """How well the robot knew its place; nothing for a robot that never said."""
    if place is None:
        return ""
    return (
        f"<section><h2>Where the robot thought it was</h2><p>{escape(place_sentence(place))}.</p>"
        f"<p class='hint'>{place.estimates:,} estimates, each compared with the true place "
        f"{place.age_ms:g} ms before its frame was taken (device_under_test.estimate_age_ms); "
        f"{place.fitted_age_ms:.2f} ms would fit this ride best. The last panel "
        "over time shows the error with the line at 2.5 cm, a figure of the trade.</p></section>"
    )


def band_list(bands: Sequence[Band]) -> str:
    """The bands of the figures by name and time."""
    if not bands:
        return "<p>No faults were active.</p>"
    items = "".join(
        f"<li><strong>{escape(b.label)}</strong> {escape(b.name)}: {b.from_s:.1f} to {b.to_s:.1f} s</li>"
        for b in bands
    )
    return f"<ul class='bands' aria-label='faults'>{items}</ul>"


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
    rows = [
        [
            str(f.get("name")),
            "robot" if f.get("from_robot") else "bench",
            f"0x{f['can_id']:x}" if isinstance(f.get("can_id"), int) else "–",
            *(formatted(f, key, form) for key, _, form in _BUS),
            "yes" if f.get("in_time") else Html("<strong>no</strong>"),
        ]
        for f in budget["frames"]
    ]
    heads = ["frame", "from", "id", *(head for _, head, _ in _BUS), "in\ntime?"]
    load, rate = (formatted(budget, key, "{:g}") for key in ("load", "bit_rate"))
    share = f"{float(load) * 100.0:.1f} %" if load != "–" else "an unknown share"
    assumed = (
        " How often the robot sends is assumed: as the reference robot does."
        if budget.get("robot_periods_assumed")
        else ""
    )
    return (
        f"<section><h2>Bus budget</h2><p>At most {share} of {escape(rate)} bit/s.</p>"
        f"{figure_place('bus', 'Worst response time of every frame against its deadline')}"
        f"{html_table(heads, rows, 'wide', numbers_from=2)}"
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
        parts.append(html_table(heads, rows, "wide", numbers_from=1))
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
    """The event log."""
    if not events:
        return "<section><h2>Events</h2><p>None.</p></section>"
    rows = ([f"{e.time_s:.3f}", e.kind.replace("_", " "), e.name, e.text] for e in events[:MAX_EVENTS])
    more = len(events) - MAX_EVENTS
    rest = f"<p>{more} more are in events.jsonl.</p>" if more > 0 else ""
    table = html_table(["time / s", "kind", "name", "what"], rows, "events")
    return f"<section><h2>Events</h2>{table}{rest}</section>"


def configuration_section(manifest: Mapping[str, Any]) -> str:
    """The manifest, leaf by leaf."""
    rows = [
        [Html(f"<code>{escape(key)}</code>"), Html(f"<code>{escape(value)}</code>")]
        for key, value in _flat(manifest)
    ]
    return (
        "<section><h2>Configuration and hashes</h2><details><summary>Everything in the manifest "
        f"({len(rows)} entries)</summary>{html_table(['entry', 'value'], rows, 'config')}</details></section>"
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
