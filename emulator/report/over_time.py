"""The ride over time, a panel a subject: what was asked, was so, was sent, was thought."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from emulator.core.signals import INDEX, SIGNALS
from emulator.criteria.base import POSITION_PANEL, CriterionResult
from emulator.record.localisation import KNOWN_TO_M, position_errors
from emulator.record.reader import Run
from emulator.report.bands import Band, band_marks
from emulator.report.drawing import BLUE, GREY, INK, ORANGE, Figure, keep_extremes, plain, plain_layout, typed
from emulator.report.marks import (
    criterion_label,
    limit_around,
    limit_lines,
    subject,
    worst_mark,
)


@dataclass(frozen=True)
class _Trace:
    """How one signal is drawn: name in the record, legend text, scale to the shown unit."""

    signal: str
    label: str
    scale: float
    colour: str
    dash: str = "solid"
    steps: bool = False
    right: bool = False
    marker: str = ""


@dataclass(frozen=True)
class _Panel:
    title: str
    unit: str
    traces: tuple[_Trace, ...]
    right_unit: str = ""
    from_zero: bool = False


_KMH, _DEG, _BAR, _PERCENT, _RPM = 3.6, 180 / math.pi, 1e-5, 100.0, 30 / math.pi

_PANELS: tuple[_Panel, ...] = (
    _Panel(
        "Speed",
        "km/h",
        (
            _Trace("line.target_speed_m_s", "target", _KMH, GREY, "dash"),
            _Trace("truth.speed_m_s", "true", _KMH, INK),
            _Trace("robot.estimate_speed_m_s", "estimate", _KMH, ORANGE, "dot"),
        ),
    ),
    _Panel(
        "Roll, positive to the right",
        "degrees",
        (
            _Trace("output.lean_rad", "lean sensor", _DEG, BLUE, "dash"),
            _Trace("truth.roll_rad", "true", _DEG, INK),
            _Trace("robot.estimate_roll_rad", "estimate", _DEG, ORANGE, "dot"),
        ),
    ),
    _Panel(
        "Wheel speeds as sent",
        "km/h",
        (
            _Trace("truth.speed_m_s", "true speed", _KMH, INK),
            _Trace("output.wheel_front_m_s", "front wheel", _KMH, BLUE, "dash"),
            _Trace("output.wheel_rear_m_s", "rear wheel", _KMH, ORANGE, "dot"),
        ),
    ),
    _Panel(
        "Offset from the line, positive to its left",
        "m",
        (_Trace("line.offset_m", "offset", 1.0, INK),),
    ),
    _Panel(
        "Steering torque",
        "N m",
        (
            _Trace("actuator.steering_torque_Nm", "on the bike", 1.0, INK),
            _Trace("robot.steering_torque_Nm", "from the robot", 1.0, ORANGE, "dot"),
        ),
    ),
    _Panel(
        "Steering angle, positive to the left",
        "degrees",
        (
            _Trace("truth.steer_rad", "true", _DEG, INK),
            _Trace("output.steering_angle_rad", "sensor", _DEG, BLUE, "dash"),
        ),
    ),
    _Panel(
        "Throttle (left axis) and brakes (right)",
        "%",
        (
            _Trace("actuator.throttle", "throttle", _PERCENT, INK),
            _Trace("actuator.front_brake_Pa", "front brake", _BAR, BLUE, "dash", right=True),
            _Trace("actuator.rear_brake_Pa", "rear brake", _BAR, ORANGE, "dot", right=True),
        ),
        "bar",
        True,
    ),
    _Panel(
        "Engine speed (left axis) and gear (right)",
        "1/min",
        (
            _Trace("truth.engine_rad_s", "engine", _RPM, INK),
            _Trace("truth.gear", "gear", 1.0, ORANGE, "dash", steps=True, right=True),
        ),
        "gear",
        True,
    ),
    _Panel(
        "Friction use, 1 when sliding",
        "",
        (
            _Trace("truth.friction_use_front", "front", 1.0, BLUE),
            _Trace("truth.friction_use_rear", "rear", 1.0, ORANGE, "dot"),
        ),
        from_zero=True,
    ),
)


_UNITS = {"m/s": ("km/h", _KMH), "rad": ("degrees", _DEG), "rad/s": ("degrees/s", _DEG), "Pa": ("bar", _BAR)}


def time_series(
    run: Run, bands: Sequence[Band], criteria: Sequence[CriterionResult]
) -> list[tuple[str, Figure]]:
    """(heading, figure) of each panel of signals over time [s]; speeds in km/h, angles in degrees.

    A signal that the record lacks, or that is nowhere finite, is said so in the legend rather than left out.
    A signal that a criterion bounds and no panel shows gets a panel of its own.
    """
    panels = list(_PANELS)
    drawn = {trace.signal for panel in panels for trace in panel.traces} | {POSITION_PANEL, ""}
    for c in criteria:
        signal, _ = subject(c)
        if signal not in drawn and signal in INDEX:
            drawn.add(signal)
            panels.append(_panel_of(signal))
    taken: set[int] = set()
    out = []
    for panel in panels:
        shown = {trace.signal: trace for trace in panel.traces}
        here = [(i, c) for i, c in enumerate(criteria) if i not in taken and subject(c)[0] in shown]
        taken |= {i for i, _ in here}
        out.append((panel.title, _panel(run, panel, bands, here)))
    return out


def _panel_of(signal: str) -> _Panel:
    told = SIGNALS[INDEX[signal]]
    unit, scale = _UNITS.get(told.unit, ("" if told.unit == "1" else told.unit, 1.0))
    return _Panel(
        f"{told.meaning[:1].upper()}{told.meaning[1:]}", unit, (_Trace(signal, signal, scale, INK),)
    )


def _panel(
    run: Run, panel: _Panel, bands: Sequence[Band], criteria: Sequence[tuple[int, CriterionResult]]
) -> Figure:
    marks = band_marks(bands)
    time_s = run.time_s
    data = []
    for trace in panel.traces:
        values = run.signals.get(trace.signal)
        label = trace.label
        if values is None or not np.isfinite(values).any():
            values, label = np.full(len(time_s), np.nan), f"{trace.label}: not recorded"
        # Steps are thinned like the rest: an edge is an extreme of its stretch.
        rows = keep_extremes(values)
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": plain(label),
                "x": typed(time_s[rows]),
                "y": typed(values[rows] * trace.scale),
                "line": {
                    "color": trace.colour,
                    "width": 1.6,
                    "dash": trace.dash,
                    "shape": "hv" if trace.steps else "linear",
                },
                "yaxis": "y2" if trace.right else "y",
                "hovertemplate": "%{y:.4~g}",
                "connectgaps": False,
            }
        )
    traces = {trace.signal: trace for trace in panel.traces}
    for number, c in criteria:
        signal, bounds = subject(c)
        trace = traces[signal]
        unit, axis = (panel.right_unit, "y2") if trace.right else (panel.unit, "y")
        if c.limit is not None and bounds:
            limit = c.limit * trace.scale
            name = criterion_label(number)
            if bounds == "around":
                data += limit_around(run, signal, limit, f"{name} ±{limit:.4g} {unit}", scale=trace.scale)
            else:
                sign = "±" if bounds == "both" else "≥ " if bounds == "lower" else "≤ "
                words = f"{name} {sign}{limit:.4g} {unit}"
                data += limit_lines(run, limit, words, bounds, c=c, axis=axis)
        truth = "truth.speed_m_s" if bounds == "around" else signal
        data += worst_mark(run, truth, number, c, scale=trace.scale, axis=axis)
    layout = _over_time(run, panel.unit)
    if panel.from_zero:
        layout["yaxis"] |= {"rangemode": "tozero"}
    if panel.right_unit:
        layout["yaxis2"] = {
            "overlaying": "y",
            "side": "right",
            "title": {"text": panel.right_unit, "standoff": 6},
            "rangemode": "tozero",
            "showgrid": False,
            "zeroline": False,
            "tickmode": "auto",
            "nticks": 6,
        }
        if panel.right_unit == "gear":
            layout["yaxis2"] |= {"dtick": 1}
    layout |= marks
    return {"data": data, "layout": layout}


def _over_time(run: Run, unit: str) -> dict[str, Any]:
    """Layout of a panel over the ride's time; the same margins for all, so that instants stand in line."""
    layout = plain_layout("time into the ride / s", unit, 230)
    layout["hovermode"] = "x unified"
    layout["margin"] |= {"l": 54, "r": 46}
    layout["yaxis"] |= {"automargin": False}
    if len(run.time_s):
        layout["xaxis"] |= {"range": [float(run.time_s[0]), float(run.time_s[-1])]}
    return layout


def position_error_figure(
    run: Run, bands: Sequence[Band], criteria: Sequence[CriterionResult] = ()
) -> Figure | None:
    """Error of the robot's own place [cm] over time, along and across, with what it was asked to know it to.

    If nobody asked: with what the trade knows it to.
    """
    errors = position_errors(run)
    if errors is None:
        return None
    marks = band_marks(bands)
    asked = [
        (i, c) for i, c in enumerate(criteria) if subject(c)[0] == POSITION_PANEL and c.limit is not None
    ]
    data: list[Figure] = []
    time_s = run.time_s[errors.rows]
    for values, name, colour, dash in (
        (errors.along_m, "along", INK, "solid"),
        (errors.across_m, "across (left +)", BLUE, "dot"),
    ):
        rows = keep_extremes(values)
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": name,
                "x": typed(time_s[rows]),
                "y": typed(values[rows] * 100),
                "line": {"color": colour, "width": 1.4, "dash": dash},
                "hovertemplate": "%{y:.1f} cm",
            }
        )
    for number, c in asked:
        limit = (c.limit or 0.0) * 100
        data += limit_lines(run, limit, f"{criterion_label(number)} ±{limit:.3g} cm", c=c)
    if not asked:
        data += limit_lines(run, KNOWN_TO_M * 100, f"±{KNOWN_TO_M * 100:g} cm")
    return {"data": data, "layout": _over_time(run, "cm") | marks}


def notes_series(run: Run, bands: Sequence[Band]) -> list[tuple[str, Figure]]:
    """(heading, figure) of each name that the robot's own software noted numbers under, in their order."""
    out = []
    for name in sorted(run.notes):
        tick, values = run.notes[name]
        rows = keep_extremes(values)
        line = {
            "type": "scatter",
            "mode": "lines",
            "name": plain(name),
            "x": typed(tick[rows] * 1e-3),
            "y": typed(values[rows]),
            "line": {"color": ORANGE, "width": 1.4, "shape": "hv"},
            "hovertemplate": "%{y:.4~g}",
            "connectgaps": False,
        }
        out.append(
            (
                f"Noted by the robot: {name}",
                {"data": [line], "layout": _over_time(run, "") | band_marks(bands)},
            )
        )
    return out
