"""The ride over time, a panel a subject: what was asked, was so, was sent, was thought."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.core.outside.visible_text import visible
from emulator.core.signals import INDEX, OUTPUT, OUTPUTS
from emulator.criteria.base import POSITION_PANEL, CriterionResult
from emulator.record.localisation import KNOWN_TO_M, position_errors
from emulator.record.occurrence import scenario_events
from emulator.record.reader import Run
from emulator.report.bands import Band
from emulator.report.figures.columns import Column, fitting_step
from emulator.report.figures.detail import full_rate, kept_rows
from emulator.report.figures.drawing import BLUE, INK, ORANGE, Figure, curve, strip
from emulator.report.figures.from_frames import Sent, unrecorded_hits
from emulator.report.figures.panels import PANELS, PanelOf, Trace, panel_of, shown_unit, signals_hit
from emulator.report.marks import corridor, criterion_label, limit_lines, looked_at, subject, worst_mark
from emulator.report.narrative import TOLD

_MS = 1e-3  # [s] instants are carried to
_TURNING = ("truth.roll_rad", "truth.heading_rad")  # a bike that rolls over goes on turning
_POSE_ms = 50
_AT_ONCE = 1 << 17  # rows of a long log


def instants(run: Run, bands: Sequence[Band], criteria: Sequence[CriterionResult]) -> list[float]:
    """Instants [s] round which the record is kept at its full rate, the gravest first."""
    happened = [e.time_s for kind in TOLD for e in run.events if e.kind == kind]
    tripped = [e.time_s for e in run.events if e.kind in ("trip", "end")]
    worst = [c.worst_time_s for c in criteria if c.worst_time_s is not None]
    return [*tripped, *happened[:10], *worst, *(at for b in bands for at in (b.from_s, b.to_s))]


def time_series(
    run: Run,
    bands: Sequence[Band],
    criteria: Sequence[CriterionResult],
    sent: Mapping[str, Sent] = MappingProxyType({}),
) -> list[tuple[str, Figure]]:
    """(heading, panel) of the signals over time [s], those first that the scenario hit.

    sent  outputs that were hit and are in their frames alone, by name

    A signal that the record lacks, or that is nowhere finite, is said so in the legend rather than left out;
    a panel of which the record has nothing is left out, unless something was to hit it.
    """
    hit = _hit(run)
    panels = list(PANELS)
    drawn = {trace.signal for panel in panels for trace in panel.traces} | {POSITION_PANEL, ""}
    for signal in [*hit, *(subject(c)[0] for c in criteria)]:
        if signal not in drawn and signal in INDEX:
            drawn.add(signal)
            panels.append(panel_of(signal))
    whole = full_rate(run.tick, instants(run, bands, criteria))
    taken: set[int] = set()
    found: list[tuple[bool, str, Figure]] = []
    for panel in panels:
        shown, idle = {trace.signal for trace in panel.traces}, False
        if panel.unless is not None and _idle(run, panel.unless):
            shown, idle = {panel.unless[0]}, True  # the rest has panels of its own
        here = [(i, c) for i, c in enumerate(criteria) if i not in taken and subject(c)[0] in shown]
        taken |= {i for i, _ in here}
        of = sorted({label for signal in shown for label in hit.get(signal, ())}, key=_number_in)
        if not of and not here and (idle or not any(_recorded(run, signal) for signal in shown)):
            continue
        found.append((not of, *_panel(run, panel, here, of, whole)))
    unrecorded = unrecorded_hits(run)
    for signal, values in sent.items():
        found.append((False, *_sent_panel(run, signal, values, unrecorded[signal])))
    found.sort(key=lambda item: item[0])
    return [(heading, figure) for _, heading, figure in found]


def _number_in(label: str) -> int:
    return int(label[1:])


def _hit(run: Run) -> dict[str, list[str]]:
    """Labels of the scenario's faults by the signal they act on."""
    out: dict[str, list[str]] = {}
    for number, event in enumerate(scenario_events(run)):
        for signal in signals_hit(event):
            out.setdefault(signal, []).append(f"F{number + 1}")
    return out


def _idle(run: Run, unless: tuple[str, str]) -> bool:
    """Whether a signal is another one, or 0 where there is none, all along; also if it is not recorded."""
    it, other = run.signals.get(unless[0]), run.signals.get(unless[1])
    return it is None or np.array_equal(it, np.zeros_like(it) if other is None else other, equal_nan=True)


def _recorded(run: Run, signal: str) -> bool:
    values = run.signals.get(signal)
    return values is not None and bool(np.isfinite(values).any())


def _panel(
    run: Run,
    panel: PanelOf,
    criteria: Sequence[tuple[int, CriterionResult]],
    hit: Sequence[str],
    whole: NDArray[np.bool_],
) -> tuple[str, Figure]:
    curves = [_trace(run, panel, trace, whole) for trace in panel.traces]
    limits: list[dict[str, Any]] = []
    marks: list[dict[str, Any]] = []
    by_signal = {trace.signal: trace for trace in panel.traces}
    for number, c in criteria:
        signal, bounds = subject(c)
        factor = by_signal[signal].factor
        if c.limit is not None and bounds:
            limit, name = c.limit * factor, criterion_label(number)
            if bounds == "around":
                words = f"{name} ±{limit:.4g} {panel.unit}".rstrip()
                curves += corridor(run, signal, limit, words, c, factor)
            else:
                line = limit_lines(run, signal, limit, "", bounds, c)
                sign = "±" if len(line["y"]) > 1 else "≥ " if bounds == "lower" else "≤ "
                limits.append(line | {"name": f"{name} {sign}{limit:.4g} {panel.unit}".rstrip()})
        truth = "truth.speed_m_s" if bounds == "around" else signal
        marks += worst_mark(run, truth, number, c, factor)
    ends = _ends(run)
    figure = strip(
        panel.unit, curves, limits=limits, marks=marks, zero=panel.zero, whole=panel.whole, range=ends,
        heading=panel.title, hit=list(hit),
    )  # fmt: skip
    heading = panel.title + (f" / ({panel.unit})" if panel.unit else "")
    return (f"{heading}, hit by {', '.join(hit)}" if hit else heading), figure


def _sent_panel(run: Run, signal: str, sent: Sent, hit: Sequence[str]) -> tuple[str, Figure]:
    """A value that is in its frames alone, as they carried it."""
    told = OUTPUTS[OUTPUT[signal]]
    unit, factor = shown_unit(told.unit)
    curve_of = _over_time(
        f"sent, {signal} in frame {sent.frame}", sent.time_s, sent.values * factor, BLUE, "solid", steps=True
    )
    ends = _ends(run)
    title = f"{told.meaning[:1].upper()}{told.meaning[1:]}"
    figure = strip(unit, [curve_of], range=ends, heading=title, hit=list(hit))
    return f"{title}{f' / ({unit})' if unit else ''}, hit by {', '.join(hit)}", figure


def _trace(run: Run, panel: PanelOf, trace: Trace, whole: NDArray[np.bool_]) -> Figure:
    values, label = run.signals.get(trace.signal), trace.label
    if values is None or not np.isfinite(values).any():
        values, label = np.full(len(run.tick), np.nan), f"{trace.label}: not recorded"
    if trace.signal in _TURNING:
        values = _unwrapped(values)
    rows, held = kept_rows(values, run.tick, fast=panel.fast, whole=whole)
    shown = values[rows] * trace.factor
    return _over_time(label, run.time_ns[rows] / 1e9, shown, trace.colour, trace.dash, steps=held)


def _ends(run: Run) -> list[float]:
    """First and last instant [s]."""
    return (run.time_ns[[0, -1]] / 1e9).tolist() if len(run.tick) else [0.0, 1.0]


def _over_time(
    name: str,
    time_s: NDArray[np.float64],
    values: NDArray[np.float64],
    colour: str,
    dash: str,
    *,
    steps: bool = False,
) -> Figure:
    y = Column(values, max(fitting_step(values), 1e-6))
    return curve(name, Column(time_s, _MS), y, colour, dash=dash, steps=steps)


def _unwrapped(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """An angle [rad] without jumps of a whole turn; as ``numpy.unwrap``, which takes seven times its size."""
    out = values.copy()
    there = np.isfinite(out)
    known = out if there.all() else out[there]
    jumps = _jumps(known)
    steps = known[jumps] - known[jumps - 1]
    whole = (steps + math.pi) % (2.0 * math.pi) - math.pi
    whole[(whole == -math.pi) & (steps > 0.0)] = math.pi
    turned = np.concatenate([[0.0], np.cumsum(whole - steps)])
    for first in range(0, len(known) if len(jumps) else 0, _AT_ONCE):
        part = known[first : first + _AT_ONCE]
        part += turned[np.searchsorted(jumps, np.arange(first, first + len(part)), side="right")]
    if known is not out:
        out[there] = known
    return out


def _jumps(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Rows at which an angle jumps by half a turn and more."""
    parts = [
        np.flatnonzero(np.abs(np.diff(values[first : first + _AT_ONCE + 1])) >= math.pi) + first + 1
        for first in range(0, len(values) - 1, _AT_ONCE)
    ]
    return np.concatenate([np.empty(0, np.int64), *parts])


def pose(run: Run) -> dict[str, Column] | None:
    """Where the bike is and how it leans, every 50 ms, for the mark on the plan and the view from behind.

    t [s], x, y, station [m], roll, steer [degrees], speed [km/h]; None if the record has no path.
    """
    if not all(_recorded(run, f"truth.{a}_m") for a in "xy"):
        return None
    rows = np.flatnonzero(np.diff(run.tick // _POSE_ms, prepend=-1) > 0)
    out = {"t": Column(run.time_s[rows], _MS)}
    for key, name, factor, step in (
        ("x", "truth.x_m", 1.0, 0.01),
        ("y", "truth.y_m", 1.0, 0.01),
        ("station", "line.station_m", 1.0, 0.1),
        ("roll", "truth.roll_rad", 180.0 / math.pi, 0.1),
        ("steer", "truth.steer_rad", 180.0 / math.pi, 0.1),
        ("speed", "truth.speed_m_s", 3.6, 0.1),
    ):
        values = run.signals.get(name, np.full(len(run.tick), np.nan))
        out[key] = Column(np.nan_to_num(values[rows] * factor), step)
    return out


def position_error_figure(run: Run, criteria: Sequence[CriterionResult] = ()) -> Figure | None:
    """Error of the position estimate [cm] over time, along and across, with what it was asked to keep to.

    If nobody asked: with what is usual.
    """
    errors = position_errors(run)
    if errors is None:
        return None
    asked = [
        (i, c) for i, c in enumerate(criteria) if subject(c)[0] == POSITION_PANEL and c.limit is not None
    ]
    time_s = run.time_s[errors.rows]
    curves = []
    for values, name, colour, dash in (
        (errors.along_m, "along", INK, "solid"),
        (errors.across_m, "across (left +)", BLUE, "dash"),
    ):
        rows, _ = kept_rows(values, run.tick[errors.rows], fast=False)
        curves.append(_over_time(name, time_s[rows], values[rows] * 100, colour, dash))
    limits = []
    for number, c in asked:
        limit = (c.limit or 0.0) * 100
        words = f"{criterion_label(number)} ±{limit:.3g} cm"
        limits.append({"name": words, "x": list(looked_at(run, c)), "y": [limit, -limit]})
    ends = [float(run.time_s[0]), float(run.time_s[-1])]
    if not asked:
        usual = KNOWN_TO_M * 100
        limits.append({"name": f"±{usual:g} cm", "x": ends, "y": [usual, -usual]})
    return strip("cm", curves, limits=limits, heading="Error of the position estimate", range=ends)


def notes_series(run: Run) -> list[tuple[str, Figure]]:
    """(heading, panel) of each name that the robot's own software noted numbers under, in their order."""
    out = []
    for name in sorted(run.notes):
        tick, values = run.notes[name]
        rows, _ = kept_rows(values, tick, fast=True)
        noted = _over_time(
            name, np.asarray(tick[rows] * 1e-3, np.float64), values[rows], ORANGE, "solid", steps=True
        )
        heading = f"Noted by the robot: {visible(name)}"
        out.append((heading, strip("", [noted], heading=heading)))
    return out


def events_and_pose(run: Run, bands: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """What goes by time beside the panels."""
    return {"bands": list(bands), "pose": pose(run)}
