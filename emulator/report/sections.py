"""What the sections of a run's report say, as plain values for their templates (``templates/run/``)."""

from __future__ import annotations

import json
import shlex
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

from emulator.record.lap_times import LapTimes
from emulator.record.localisation import PositionError
from emulator.record.reader import Event, Run
from emulator.report.bands import Band
from emulator.report.marks import criterion_label
from emulator.report.page import Cell
from emulator.report.terminal import (
    disturbed_sentence,
    formatted,
    left_out_sentence,
    nearest_sentence,
    position_error_sentence,
    thinnest,
    timing_rows,
)
from emulator.verdict.judge import Verdict
from emulator.verdict.laps import lap_rows

MAX_EVENTS = 400
"""Events listed in a report; the rest are in events.jsonl, and the report says so."""
MAX_BANDS = 60
"""Stretches listed under the plan; events that come and go have many."""
FOLDED_FROM = 25
"""A longer list of events is folded."""

Rows: TypeAlias = list[list[str | Cell]]


@dataclass(frozen=True)
class CriteriaSection:
    """Every criterion with its margin and what happened; ``note``: why it says nothing, if it doesn't."""

    rows: Rows
    note: str


def criteria_section(verdict: Verdict | None, panels: Mapping[str, str]) -> CriteriaSection:
    """Every criterion, in the scenario's order; of a ride that does not count none is ticked.

    panels  key of the panel that marks it, by the criterion's short name
    """
    criteria = verdict.criteria if verdict else []
    counts = verdict is None or verdict.result in ("pass", "fail")
    least = thinnest(criteria) if len(criteria) > 1 else None
    rows: Rows = []
    for i, c in enumerate(criteria):
        label, percent = criterion_label(i), c.margin_percent
        met = ("met" if c.passed else "not met") if not counts else "✓ met" if c.passed else "✗ not met"
        if verdict is not None and c.name in verdict.undecided:
            met = "undecided"
        at = c.worst_time_s
        margin = c.margin_text + ("" if percent is None else f" ({percent:.0f} %)")
        rows.append(
            [
                Cell(
                    c.name,
                    strong=label,
                    leads_to=None if at is None else (at - 1.0, at + 1.0),
                    panel=panels.get(label, ""),
                ),
                Cell(strong=met) if counts else met,
                Cell("thinnest", strong=margin) if i == least else margin,
                c.sentence,
            ]
        )
    return CriteriaSection(rows, "" if counts or not criteria else _NO_EVIDENCE)


_NO_EVIDENCE = "This ride does not count: what its criteria came to says nothing about the robot."


@dataclass(frozen=True)
class LapSection:
    """Lap and sector times; ``sector_ends`` are stations [m]."""

    heads: Sequence[str]
    rows: Rows
    sector_ends: Sequence[str]
    note: str


def lap_section(laps: LapTimes | None) -> LapSection | None:
    """Lap and sector times, the best lap's stand out; None for a run that nobody timed."""
    if laps is None:
        return None
    heads, rows = lap_rows(laps)
    cells: Rows = [[Cell(strong=cell) if best else cell for cell in row] for row, best in rows]
    return LapSection(heads, cells, [f"{end:.0f}" for end in laps.sector_ends_m], laps.note)


@dataclass(frozen=True)
class PositionSection:
    """How far the robot's estimate of its position was off."""

    sentence: str
    estimates: str
    age_ms: str
    fitted_age_ms: str


def position_section(place: PositionError | None) -> PositionSection | None:
    """How far the robot's estimate of its position was off; None for a robot that never said."""
    if place is None:
        return None
    return PositionSection(
        position_error_sentence(place),
        f"{place.estimates:,}",
        f"{place.age_ms:g}",
        f"{place.fitted_age_ms:.2f}",
    )


@dataclass(frozen=True)
class BandSection:
    """The bands of the figures by name and time, and how many more there are."""

    shown: Sequence[Band]
    more: int


def band_section(bands: Sequence[Band]) -> BandSection:
    """The bands of the figures by name and time."""
    return BandSection(bands[:MAX_BANDS], max(len(bands) - MAX_BANDS, 0))


@dataclass(frozen=True)
class BusSection:
    """What the bus had to carry.

    share          of its time, at most
    rate           bit rate; ``fast_rate`` that of the data of CAN FD frames, empty if there are none
    robot_assumed  how often the robot sends is not told, but assumed
    planned        whether worst responses know the outputs' plan
    """

    share: str
    rate: str
    fast_rate: str
    heads: Sequence[str]
    rows: Rows
    robot_assumed: bool
    planned: bool


def bus_section(budget: Mapping[str, Any]) -> BusSection:
    """What the bus had to carry, frame by frame."""
    fast = any(f.get("fast_bits") for f in budget["frames"])
    columns = [c for c in _BUS if fast or c[0] != "fast_bits"]
    rows: Rows = [
        [
            str(f.get("name")),
            "robot" if f.get("from_robot") else "bench",
            f"0x{f['can_id']:x}" if isinstance(f.get("can_id"), int) else "–",
            *(formatted(f, key, form) for key, _, form in columns),
            "yes" if f.get("in_time") else Cell(strong="no"),
        ]
        for f in budget["frames"]
    ]
    load = formatted(budget, "load", "{:g}")
    return BusSection(
        share=f"{float(load) * 100.0:.1f} %" if load != "–" else "an unknown share",
        rate=formatted(budget, "bit_rate", "{:.0f} bit/s"),
        fast_rate=formatted(budget, "data_bit_rate", "{:.0f} bit/s") if fast else "",
        heads=["frame", "from", "id", *(head for _, head, _ in columns), "in\ntime?"],
        rows=rows,
        robot_assumed=bool(budget.get("robot_periods_assumed")),
        planned=bool(budget.get("plan_known")),
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


@dataclass(frozen=True)
class LoopSection:
    """How the loop woke and computed; no ``rows`` where no tick was timed."""

    rows: Sequence[Sequence[str]]
    ticks: str
    overruns: str
    missed_ticks: str


@dataclass(frozen=True)
class TimingSection:
    """What each output promised and kept; no ``rows`` where there is no certificate.

    measured  the same of what nothing is judged by
    until    what ages last until, in words
    nearest  which promise was kept with the least to spare, a sentence
    left_out, disturbed  sentences on samples that are in no figure, empty for none
    """

    heads: Sequence[str]
    rows: Sequence[Sequence[str]]
    measured_heads: Sequence[str]
    measured: Sequence[Sequence[str]]
    until: str
    nearest: str
    left_out: str
    disturbed: str
    loop: LoopSection | None
    robot: Sequence[Sequence[str]]
    processes: Sequence[Sequence[str]]


def timing_section(certificate: Mapping[str, Any]) -> TimingSection:
    """What each output promised and kept, and how the loop woke."""
    return TimingSection(
        ["output", *(head for _, head, _ in _JUDGED)],
        timing_rows(certificate, _JUDGED),
        ["output", *(head for _, head, _ in _MEASURED)],
        timing_rows(certificate, _MEASURED),
        _until(certificate),
        nearest_sentence(certificate),
        left_out_sentence(certificate),
        disturbed_sentence(certificate),
        _loop(certificate.get("loop")),
        _rows_of(certificate.get("robot_frames"), ROBOT),
        _rows_of(certificate.get("processes"), PROCESSES),
    )


_UNTIL = {
    "arbitrated": "its frame has arrived on the virtual bus, where everybody's frames compete",
    "computed": "its frame has arrived, computed from the bit rate and the bench's own frames before it: "
    "when it did is not measured",
    "unknown": "its frame was handed to the bus: when it arrived is not known",
}


def _until(certificate: Mapping[str, Any]) -> str:
    """What ages last until; of a certificate of earlier versions by whether it knows a frame's time."""
    outputs = certificate.get("outputs")
    on_bus = isinstance(outputs, Mapping) and any(
        isinstance(kept, Mapping) and kept.get("wire_us") for kept in outputs.values()
    )
    return _UNTIL.get(str(certificate.get("arrival")), _UNTIL["computed" if on_bus else "unknown"])


ROBOT: tuple[tuple[str, str, str], ...] = (
    ("accepted", "taken", "{:,.0f}"),
    ("damaged", "damaged", "{:,.0f}"),
    ("repeated", "repeated", "{:,.0f}"),
    ("lost", "lost", "{:,.0f}"),
    ("silence_ms_max", "longest\nsilence ms", "{:.0f}"),
    ("silence_ms_allowed", "allowed\nms", "{:g}"),
    ("silence_end_s", "it ended\nat s", "{:.1f}"),
)
"""Columns of the robot's frames."""
PROCESSES: tuple[tuple[str, str, str], ...] = (
    ("promise_ms", "promised\nms", "{:g}"),
    ("longest_ms", "longest\nstall ms", "{:.1f}"),
    ("count", "stalls", "{:,.0f}"),
    ("lag_ms", "a row\nwaited ms", "{:.0f}"),
    ("delay_p50_us", "a frame waited\nat most p50 µs", "{:.0f}"),
    ("delay_p99_us", "\np99", "{:.0f}"),
    ("delay_max_us", "\nmax", "{:.0f}"),
)
"""Columns of the bench's processes; only the virtual bus holds frames."""


def _rows_of(items: object, columns: Sequence[tuple[str, str, str]]) -> list[list[str]]:
    return [
        [str(name), *(formatted(item, key, form) for key, _, form in columns)]
        for name, item in (items.items() if isinstance(items, Mapping) else ())
    ]


def _loop(loop: object) -> LoopSection | None:
    if not isinstance(loop, Mapping):
        return None
    spread = ("p50", "p99", "p999", "max")
    rows = [
        [name, *(formatted(loop.get(key), p, "{:.1f}") for p in spread)]
        for key, name in (("lateness_us", "wake-up lateness"), ("compute_us", "computing"))
    ]
    return LoopSection(
        rows if loop.get("ticks") else [],
        formatted(loop, "ticks", "{:,.0f}"),
        formatted(loop, "overruns", "{:.0f}"),
        formatted(loop, "missed_ticks", "{:.0f}"),
    )


_JUDGED: tuple[tuple[str, str, str], ...] = (
    ("rate_hz", "promised\nHz", "{:g}"),
    ("latency_ms", "promised\nlatency ms", "{:.2f}"),
    ("sent", "sent", "{:,.0f}"),
    ("lost", "lost", "{:.0f}"),
    ("disordered", "out of\norder", "{:.0f}"),
    ("kept_ppm", "period\nerror ppm", "{:+.1f}"),
    ("age_ms_p50", "age\np50 ms", "{:.2f}"),
    ("age_ms_p99", "\np99", "{:.2f}"),
    ("age_ms_max", "\nmax", "{:.2f}"),
    ("silence_ms_max", "longest\nsilence ms", "{:.1f}"),
)
"""What the verdict looks at, with what was promised; what is allowed stands behind what was kept."""
_MEASURED: tuple[tuple[str, str, str], ...] = (
    ("late", "late", "{:.0f}"),
    ("jitter_us_p50", "jitter\np50 µs", "{:.0f}"),
    ("jitter_us_p99", "\np99", "{:.0f}"),
    ("jitter_us_max", "\nmax", "{:.0f}"),
    ("age_ms_p999", "age\np99.9 ms", "{:.2f}"),
)
"""What nothing is judged by."""


@dataclass(frozen=True)
class EventSection:
    """The event log: time [s], kind and what of those listed; how many ``more`` are not; whether folded."""

    rows: Sequence[tuple[float, str, str]]
    more: int
    folded: bool
    kinds: Sequence[str]


def event_section(events: Sequence[Event]) -> EventSection:
    """The event log; a long one is folded, and can be searched where scripts run."""
    rows = [(e.time_s, e.kind.replace("_", " "), _told(e)) for e in events[:MAX_EVENTS]]
    counts = Counter(e.kind.replace("_", " ") for e in events)
    kinds = [f"{n} {kind}" for kind, n in counts.most_common()]
    return EventSection(rows, len(events) - len(rows), len(rows) > FOLDED_FROM, kinds)


def _told(event: Event) -> str:
    """Name and text in one, without saying anything twice."""
    if not event.text or event.name.startswith(event.text):
        return event.name
    return event.text if event.text.startswith(event.name) else f"{event.name}: {event.text}"


@dataclass(frozen=True)
class ReproductionSection:
    """What a run was made from.

    commands    that ride the same again; ``same_bytes``: to the byte
    hashes      what, file, hash; None if the record has none
    entries     the whole manifest, flat
    """

    commands: Sequence[str]
    same_bytes: bool
    hashes: Rows | None
    entries: Rows


def reproduction_section(run: Run) -> ReproductionSection:
    """The commands that ride the same again, the hashes of what it was made from, and the whole manifest."""
    manifest = run.manifest
    files, code = manifest.get("files"), manifest.get("code")
    told = manifest.get("given")
    given = told if isinstance(told, Mapping) else {}
    hashes: Rows | None = None
    if isinstance(files, Mapping):
        hashes = [[str(name), str(given.get(name, "")), Cell(str(h), code=True)] for name, h in files.items()]
        if isinstance(code, Mapping):
            hashes += [[f"program: {key}", "", Cell(str(value), code=True)] for key, value in code.items()]
    return ReproductionSection(
        commands_of(run),
        manifest.get("stage") == "virtual",
        hashes,
        [[Cell(key, code=True), Cell(value, code=True)] for key, value in _flat(manifest)],
    )


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
