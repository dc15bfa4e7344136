"""The ride over time, a panel a subject: what was asked, was so, was sent, was thought."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from emulator.campaign.drawing import (
    BLUE,
    GREY,
    INK,
    ORANGE,
    PURPLE,
    Figure,
    keep_extremes,
    plain,
    plain_layout,
    typed,
)
from emulator.campaign.event_bands import Band, band_marks
from emulator.campaign.place import KNOWN_TO_M, place_errors
from emulator.campaign.verdict import CriterionResult
from emulator.record.reader import Run


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
    limits: bool = False


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
        "°",
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
        limits=True,
    ),
    _Panel(
        "Steering torque",
        "N m",
        (
            _Trace("actuator.steering_torque_Nm", "acting on the bike", 1.0, INK),
            _Trace("robot.steering_torque_Nm", "from the robot", 1.0, ORANGE, "dot"),
        ),
    ),
    _Panel(
        "Steering angle, positive to the left",
        "°",
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


def time_series(
    run: Run, bands: Sequence[Band], criteria: Sequence[CriterionResult]
) -> list[tuple[str, Figure]]:
    """(heading, figure) of each panel of signals over time [s]; speeds in km/h, angles in degrees.

    A signal that the record lacks, or that is nowhere finite, is said so in the legend rather than left out.
    """
    limits = [c.limit for c in criteria if c.kind == "distance_from_line" and c.limit is not None]
    return [(panel.title, _panel(run, panel, bands, limits if panel.limits else [])) for panel in _PANELS]


def _panel(run: Run, panel: _Panel, bands: Sequence[Band], limits: Sequence[float]) -> Figure:
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
    for limit in limits:
        _mark_limit(marks, limit, f"limit {limit:g} m")
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
            "automargin": True,
            "zeroline": False,
        }
        if panel.right_unit == "gear":
            layout["yaxis2"] |= {"dtick": 1}
    layout |= marks
    return {"data": data, "layout": layout}


def _mark_limit(marks: dict[str, list[dict[str, Any]]], limit: float, words: str) -> None:
    """A line at the limit and one at its negative; the words stand at the upper one."""
    for value, text in ((limit, words), (-limit, "")):
        marks["shapes"].append(
            {
                "type": "line",
                "xref": "paper",
                "yref": "y",
                "x0": 0,
                "x1": 1,
                "y0": value,
                "y1": value,
                "line": {"color": PURPLE, "width": 1.4, "dash": "longdash"},
            }
        )
        marks["annotations"].append(
            {
                "xref": "paper",
                "yref": "y",
                "x": 1,
                "y": value,
                "xanchor": "right",
                "yanchor": "bottom",
                "text": text,
                "showarrow": False,
                "font": {"size": 11, "color": PURPLE},
            }
        )


def _over_time(run: Run, unit: str) -> dict[str, Any]:
    """Layout of a panel over the ride's time."""
    layout = plain_layout("time into the ride / s", unit, 230)
    layout["hovermode"] = "x unified"
    if len(run.time_s):
        layout["xaxis"] |= {"range": [float(run.time_s[0]), float(run.time_s[-1])]}
    return layout


def place_figure(run: Run, bands: Sequence[Band]) -> Figure | None:
    """Error of the robot's own place [cm] over time, along and across, with what the trade knows it to."""
    errors = place_errors(run)
    if errors is None:
        return None
    marks = band_marks(bands)
    _mark_limit(marks, KNOWN_TO_M * 100, f"{KNOWN_TO_M * 100:g} cm")
    time_s = run.time_s[errors.rows]
    data = []
    for values, name, colour, dash in (
        (errors.along_m, "along the heading", INK, "solid"),
        (errors.across_m, "across, positive to the left", BLUE, "dot"),
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
    return {"data": data, "layout": _over_time(run, "cm") | marks}
