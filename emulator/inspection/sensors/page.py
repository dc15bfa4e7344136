"""What ``emulator sensors`` shows: tables for a terminal, and one page that needs nothing else.

No bar, curve or point is told by colour alone: parts of bars have their own hatching and words, curves their
dashes, what differs another mark and the word.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.console import Group, RenderableType
from rich.text import Text

from emulator.inspection.sensors.allan import allan_deviation
from emulator.inspection.sensors.budget import ErrorBudget, OutputBudget, allan_lengths
from emulator.inspection.sensors.capture import Record
from emulator.inspection.sensors.checks import MEAN_AGE, SETTLED_S, Row
from emulator.inspection.sensors.error_terms import WIRE_STEP, Channel
from emulator.inspection.sensors.lean_ride import LeanOnRide
from emulator.record.writer import write_whole
from emulator.report.drawing import BLUE, GREY, INK, ORANGE, PURPLE, Figure, plain_layout
from emulator.report.page import page_html
from emulator.report.terminal_table import terminal_table

_PATTERNS = ("", "/", "x", ".", "\\", "-", "+")
_FILLS = (BLUE, ORANGE, PURPLE, GREY)
_DASHES = ("solid", "dash", "dot")
_WITHIN_95 = math.sqrt(-2.0 * math.log(0.05))  # radius of 95 % over one sigma of two equal axes (Rayleigh)
_CIRCLE = 72


@dataclass(frozen=True)
class SensorPage:
    """What a page shows; ``rows``, ``rest`` and ``noise`` are there if it was measured.

    noise  of each inertial signal at rest, without what warming and the engine make of it
    ride   what the lean sensor makes of a recorded ride, if one was named
    """

    budget: ErrorBudget
    rows: tuple[Row, ...] = ()
    rest: Record | None = None
    noise: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    ride: LeanOnRide | None = None

    @property
    def differing(self) -> int:
        """Rows that differ."""
        return sum(not row.agrees for row in self.rows)


def write_sensors(page: SensorPage, path: Path) -> None:
    """Write the page. Raises RunFailed if the file can't be written."""
    write_whole(path, sensors_html(page))


# -- words and tables ----------------------------------------------------------------------------------------


def figure_of(value: float, digits: int = 4) -> str:
    """A number in as many digits; a dash for what is not known."""
    if math.isnan(value):
        return "–"
    return "any" if math.isinf(value) else f"{value:.{digits}g}"


OUTPUT_HEADS = (
    "output",
    "mounted",
    "on the wire",
    "rate",
    "latency",
    "jitter",
    "sensor lag",
    "bus: own + wait",
)


def output_rows(budget: ErrorBudget) -> list[list[str]]:
    """One row for each output: where, how, how often, how old."""
    rows = []
    for o in budget.outputs:
        bus = "–"
        if not math.isnan(o.age.wire):
            bus = f"{o.age.wire:.2f} ms"
            if not math.isnan(o.age.wait):
                bus += f" + up to {o.age.wait:.2f} ms" if math.isfinite(o.age.wait) else " + without bound"
        # what is drawn leaves on ticks, so one sigma of what is kept is another
        jitter = f"{figure_of(o.age.sigma, 2)} ms ({o.age.jitter:g} drawn)" if o.age.jitter else "none"
        lag = f"{o.age.behind:.1f} ms" if o.age.behind else "none"
        if o.behind_when:
            lag += f" ({o.behind_when})"
        rows.append([o.name, o.where, o.wire, f"{o.rate_hz:g} Hz", f"{o.age.latency:g} ms", jitter, lag, bus])
    return rows


SIGNAL_HEADS = ("signal", "unit", "step", "range", "fixed", "one sigma", "made of")


def signal_rows(budget: ErrorBudget) -> list[list[str]]:
    """One row for each signal of the frames: resolution, range, errors."""
    rows = []
    for o in budget.outputs:
        if o.name == "gnss":
            continue
        for c in o.channels:
            unit = "" if c.unit == "1" else c.unit
            span = f"{figure_of(c.low, 6)} to {figure_of(c.high, 6)}"
            rows.append([c.signal, unit, figure_of(c.step), span, *_error_words(c)])
    return rows


def _error_words(c: Channel) -> list[str]:
    if not c.terms:
        return ["–", "–", "no error modelled"]
    fixed = figure_of(c.offset, 3) if any(t.kind == "fixed" for t in c.terms) else "–"
    parts = [
        f"{t.name} {figure_of(t.sigma, 3)}" + (" after 1 s" if t.kind == "walk" else "")
        for t in c.terms
        if t.kind != "fixed" and t.sigma > 0.0
    ]
    return [fixed, figure_of(c.sigma, 3), ", ".join(parts)]


CONDITION_HEADS = ("errors of", "hold")


def condition_rows(budget: ErrorBudget) -> list[list[str]]:
    """One row for each condition: the signals whose errors are as stated under it."""
    under: dict[str, list[str]] = {}
    for c in (c for o in budget.outputs if o.name != "gnss" for c in o.channels if c.terms):
        under.setdefault(c.holds or "always", []).append(c.signal)
    return [[", ".join(signals), condition] for condition, signals in under.items()]


LAG_HEADS = ("roll at", "lag", "of it filter", "of it where it sits", "with latency", "gain")


def lag_rows(budget: ErrorBudget) -> list[list[str]]:
    """One row for each frequency of the roll: how far the computed lean is behind it, and how large."""
    return [
        [
            f"{at.hertz:g} Hz",
            f"{at.lag_ms:.1f} ms",
            f"{at.filter_ms:.1f} ms",
            f"{at.lag_ms - at.filter_ms:.1f} ms",
            f"{at.lag_ms + budget.output_of('lean_rad').age.mean:.1f} ms",
            f"{at.gain:.3f}",
        ]
        for at in budget.lean_lags
    ]


RIDE_HEADS = ("lean on the ride", "rms error", "lag")


def ride_rows(ride: LeanOnRide) -> list[list[str]]:
    """Errors of the lean on a ride: as its motion makes them, part by part, and as they came out."""
    rows = [
        ["as its motion makes it", _degrees(ride.rms_rad), _lag_words(ride.lag_ms)],
        *([f"  {cause.name}", _degrees(cause.rms_rad), ""] for cause in ride.causes),
    ]
    if not math.isnan(ride.shown_rms_rad):
        rows.append(["as it came out", _degrees(ride.shown_rms_rad), _lag_words(ride.shown_lag_ms)])
    return rows


def _degrees(angle_rad: float) -> str:
    return f"{math.degrees(angle_rad):.3f}°"


def _lag_words(lag_ms: float) -> str:
    return "–" if math.isnan(lag_ms) else f"{lag_ms:.1f} ms"


GNSS_HEADS = ("fix", "east and north", "95 % within", "up", "speed", "course", "drift over")


def gnss_rows(budget: ErrorBudget) -> list[list[str]]:
    """One row for each kind of fix: one sigma of everything."""
    rows = []
    for i, (fix, a) in enumerate(budget.fixes):
        found = {c.signal: c for c in budget.output("gnss").channels if c.at == fix}
        course = found.get("gnss_course_rad")
        rows.append(
            [
                fix + (" (in use)" if i == 0 else ""),
                f"{figure_of(found['gnss_x_m'].sigma, 3)} m",
                f"{figure_of(_WITHIN_95 * found['gnss_x_m'].sigma, 3)} m",
                f"{figure_of(found['gnss_z_m'].sigma, 3)} m",
                f"{figure_of(found['gnss_speed_m_s'].sigma, 3)} m/s",
                "–" if course is None else f"{math.degrees(course.sigma):.2f}°",
                f"{a.correlation_time_s:g} s" if a.drift_m > 0.0 else "none",
            ]
        )
    return rows


ROW_HEADS = ("", "record", "output", "quantity", "configured", "measured", "has to lie in", "unit")


def check_rows(rows: Sequence[Row]) -> list[list[str]]:
    """The comparison, row by row."""
    out = []
    for r in rows:
        digits = 6
        span = figure_of(r.low, digits)
        if r.high != r.low:
            span += f" to {figure_of(r.high, digits)}"
        word = "agrees" if r.agrees else "differs"
        out.append(
            [
                *(word, r.record, r.output, r.quantity),
                *(figure_of(r.configured, digits), figure_of(r.measured, digits), span),
                "" if r.unit == "1" else r.unit,
            ]
        )
    return out


def summary(page: SensorPage) -> str:
    """How the comparison ended, in a sentence."""
    n = len(page.rows)
    if page.differing == 0:
        return f"All {n} rows agree with the configuration."
    return f"{page.differing} of {n} rows differ from the configuration."


def _speed_note(budget: ErrorBudget) -> str:
    note = f"Errors of lean, wheel speed and course are those at {budget.speed_words}."
    if budget.lean_lags:
        note += " What a ride's accelerations make of the lean is no part of them: --ride RUN tells."
    return note


def _gnss_note(budget: ErrorBudget) -> str:
    satellites = budget.output("gnss").channels[0].holds.partition(", ")[2]
    return f"Each with its fix, {satellites}; course at {budget.speed_words}."


def _lag_note(budget: ErrorBudget) -> str:
    return (
        f"Upright at {budget.speed_words}, rolled a little by the steering. A sensor that sits above the "
        "ground takes its own roll acceleration for lean."
    )


def _ride_note(ride: LeanOnRide) -> str:
    text = (
        f"{ride.run}: {ride.seconds:.0f} s free of the support. Error of the lean as it arrives, less the "
        "roll there is then. Parts come from one motion, so their squares do not add up to the whole."
    )
    if math.isnan(ride.shown_rms_rad):
        text += " It was ridden with another lean sensor, or keeps no lean: nothing came out to compare."
    return text


_BUS_NOTE = (
    "A bus whose bit rate the rig does not know adds what it adds (–). Waits are for this rig's own frames; "
    "the robot's come on top."
)


def console_tables(page: SensorPage) -> RenderableType:
    """The page's tables for a terminal."""
    b = page.budget
    parts: list[RenderableType] = [
        terminal_table("Outputs", OUTPUT_HEADS, output_rows(b)),
        terminal_table("Signals: resolution, range, errors at the receiver", SIGNAL_HEADS, signal_rows(b)),
        terminal_table("Conditions of these errors", CONDITION_HEADS, condition_rows(b)),
        terminal_table("GNSS: one sigma by kind of fix", GNSS_HEADS, gnss_rows(b)),
        Text(f"{_speed_note(b)} {_gnss_note(b)} {_BUS_NOTE}"),
    ]
    if b.lean_lags:
        parts += [
            Text(""),
            terminal_table("Lag of the computed lean", LAG_HEADS, lag_rows(b)),
            Text(_lag_note(b)),
        ]
    if page.ride is not None:
        parts += [
            Text(""),
            terminal_table("Lean on a ride", RIDE_HEADS, ride_rows(page.ride)),
            Text(_ride_note(page.ride)),
        ]
    if page.rows:
        parts += [
            Text(""),
            terminal_table("Measured beside configured", ROW_HEADS, check_rows(page.rows)),
            Text(summary(page), style="bold"),
        ]
    parts += [Text(note) for note in page.notes]
    return Group(*parts)


# -- figures -------------------------------------------------------------------------------------------------


def _bars(name: str, k: int, x: list[float], y: list[str], text: list[str], hover: str) -> dict[str, Any]:
    return {
        "type": "bar",
        "orientation": "h",
        "name": name,
        "x": x,
        "y": y,
        "text": text,
        "textposition": "inside",
        "insidetextanchor": "middle",
        "hovertemplate": hover,
        "marker": {
            "color": _FILLS[k % len(_FILLS)],
            "line": {"color": "#ffffff", "width": 1},
            "pattern": {
                "shape": _PATTERNS[k % len(_PATTERNS)],
                "fillmode": "overlay",
                "fgcolor": "#ffffff",
                "size": 7,
                "solidity": 0.15,
            },
        },
    }


def _bar_layout(x_title: str, count: int) -> dict[str, Any]:
    layout = plain_layout(x_title, "")
    layout |= {"barmode": "stack", "height": 110 + 26 * count}
    layout["yaxis"] |= {"autorange": "reversed", "ticks": ""}
    layout["legend"]["traceorder"] = "normal"
    return layout


def budget_figure(budget: ErrorBudget) -> Figure:
    """Share of each random term in the square of the error at the receiver, signal by signal."""
    channels = [
        c for o in budget.outputs for c in o.channels if c.at in ("", budget.fixes[0][0]) and c.sigma > 0.0
    ]
    names = list(dict.fromkeys(t.name for c in channels for t in c.terms if t.kind not in ("fixed", "walk")))
    data = []
    for k, name in enumerate(names):
        x, y, text = [], [], []
        for c in channels:
            square = sum(t.sigma**2 for t in c.terms if t.name == name and t.kind not in ("fixed", "walk"))
            share = 100.0 * square / c.sigma**2
            if share <= 0.0:
                continue
            x.append(round(share, 3))
            y.append(c.signal)
            text.append(f"{name} {figure_of(math.sqrt(square), 2)}" if share > 30.0 else "")
        data.append(_bars(name, k, x, y, text, f"{name}: %{{x:.1f}} % of the square<extra>%{{y}}</extra>"))
    layout = _bar_layout("share of the square / %", len(channels))
    layout["xaxis"]["range"] = [0, 100]
    return {"data": data, "layout": layout}


def age_figure(page: SensorPage) -> Figure:
    """How old each output's content is: latency, mean of the jitter, the sensor's own lag, the bus."""
    outputs = page.budget.outputs
    names = [o.name for o in outputs]

    def known(value: float) -> float:
        return round(value, 4) if math.isfinite(value) else 0.0

    parts: list[tuple[str, list[float]]] = [
        ("latency", [o.age.latency for o in outputs]),
        ("jitter and tick, mean", [known(max(0.0, o.age.mean - o.age.latency)) for o in outputs]),
        ("sensor lag", [known(o.age.behind) for o in outputs]),
        ("own time on the bus", [known(o.age.wire) for o in outputs]),
        ("longest wait for the bus", [known(o.age.wait) for o in outputs]),
    ]
    data = [
        _bars(
            name,
            k,
            x,
            names,
            [f"{v:.3g}" if v > 1.0 else "" for v in x],
            f"{name} %{{x:.3g}} ms<extra>%{{y}}</extra>",
        )
        for k, (name, x) in enumerate(parts)
        if any(x)
    ]
    measured = {r.output: r.measured for r in page.rows if r.quantity == MEAN_AGE}
    if measured:
        data.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": "measured mean age on leaving",
                "x": list(measured.values()),
                "y": list(measured),
                "marker": {
                    "symbol": "diamond",
                    "size": 11,
                    "color": "#ffffff",
                    "line": {"color": INK, "width": 2},
                },
                "hovertemplate": "measured %{x:.3f} ms<extra>%{y}</extra>",
            }
        )
    return {"data": data, "layout": _bar_layout("age / ms", len(outputs))}


def allan_figure(page: SensorPage, output: OutputBudget, unit: str) -> Figure:
    """Allan deviation of an output's signals over averaging time: configured, and as measured at rest."""
    data: list[dict[str, Any]] = []
    period_s = 1.0 / output.rate_hz
    shown: dict[tuple[float, ...], list[str]] = {}
    curves = {}
    for c in output.channels:
        lengths = allan_lengths(output.rate_hz)
        rounded = (t.sigma for t in c.terms if t.name == WIRE_STEP)
        noise = replace(c.noise, white=math.hypot(c.noise.white, *rounded))
        y = tuple(round(noise.deviation(m, period_s), 12) for m in lengths)
        shown.setdefault(y, []).append(c.signal)
        curves[y] = [m * period_s for m in lengths]
    for k, (y, signals) in enumerate(shown.items()):
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": f"configured: {', '.join(signals)}",
                "x": curves[y],
                "y": list(y),
                "line": {"color": INK, "dash": _DASHES[k % 3], "width": 2},
                "hovertemplate": "%{x:.3g} s: %{y:.3g}",
            }
        )
    for k, c in enumerate(output.channels):
        if c.signal in page.noise:
            values = page.noise[c.signal]
            lengths = [m for m in allan_lengths(output.rate_hz) if values.size // m >= 4]
            data.append(
                {
                    "type": "scatter",
                    "mode": "markers",
                    "name": f"measured: {c.signal}",
                    "x": [m * period_s for m in lengths],
                    "y": [float(f"{allan_deviation(values, m):.4g}") for m in lengths],
                    "marker": {
                        "symbol": ("circle-open", "square-open", "x-thin-open")[k % 3],
                        "size": 8,
                        "color": _FILLS[k % 3],
                        "line": {"width": 2},
                    },
                    "hovertemplate": "%{x:.3g} s: %{y:.3g}",
                }
            )
    layout = plain_layout("averaging time / s", f"Allan deviation / ({unit})")
    for axis in ("xaxis", "yaxis"):
        layout[axis] |= {"type": "log", "exponentformat": "power", "dtick": 1}
    return {"data": data, "layout": layout}


def fix_figure(page: SensorPage, k: int) -> Figure:
    """Circle that holds 95 % of the epochs of a kind of fix; for the one in use the measured ones in it."""
    fix, _ = page.budget.fixes[k]
    radius = _WITHIN_95 * page.budget.channel("gnss_x_m", fix).sigma
    angle = np.linspace(0.0, 2.0 * math.pi, _CIRCLE + 1)
    data: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": "95 %",
            "x": [float(f"{v:.5g}") for v in radius * np.cos(angle)],
            "y": [float(f"{v:.5g}") for v in radius * np.sin(angle)],
            "line": {"color": INK, "width": 2},
            "hoverinfo": "skip",
        }
    ]
    reach = 1.25 * radius
    if k == 0 and page.rest is not None:
        received = page.rest.outputs["gnss"].after(SETTLED_S)
        errors = received.values[:, :2] - np.nanmean(received.values[:, :2], axis=0)
        errors = errors[np.isfinite(errors).all(axis=1)][:: max(1, len(errors) // 600)]
        if len(errors):
            reach = max(reach, 1.05 * float(np.abs(errors).max()))
        data.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": "measured about their mean",
                "x": [float(f"{v:.4g}") for v in errors[:, 0]],
                "y": [float(f"{v:.4g}") for v in errors[:, 1]],
                "marker": {"symbol": "circle-open", "size": 4, "color": BLUE},
                "hoverinfo": "skip",
            }
        )
    layout = plain_layout("east / m", "north / m")
    layout |= {"height": 300, "showlegend": k == 0 and len(data) > 1}
    layout["xaxis"] |= {"range": [-reach, reach], "constrain": "domain"}
    layout["yaxis"] |= {"range": [-reach, reach], "scaleanchor": "x", "constrain": "domain"}
    return {"data": data, "layout": layout}


def rows_figure(rows: Sequence[Row]) -> Figure:
    """Where each measurement lies in the interval it has to lie in: -1 and 1 are its ends."""
    drawn = [r for r in rows if 0.0 < r.high - r.low < math.inf and math.isfinite(r.measured)]
    data = []
    for agrees, name, symbol, colour in (
        (True, "agrees", "circle", BLUE),
        (False, "differs", "x", "#a01818"),
    ):
        chosen = [r for r in drawn if r.agrees == agrees]
        if not chosen:
            continue
        at = [(2.0 * r.measured - r.high - r.low) / (r.high - r.low) for r in chosen]
        data.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": name,
                "x": [round(max(-3.0, min(3.0, v)), 4) for v in at],
                "y": [f"{r.record}: {r.output}, {r.quantity}" for r in chosen],
                "text": [
                    f"{figure_of(r.measured, 6)} {r.unit}, {figure_of(v, 3)} of the way"
                    for r, v in zip(chosen, at, strict=True)
                ],
                "hovertemplate": "%{text}<extra></extra>",
                "marker": {"symbol": symbol, "size": 8, "color": colour},
            }
        )
    layout = plain_layout("place in the interval; held at 3 beyond it", "")
    layout |= {"height": 130 + 15 * len(drawn)}
    layout["xaxis"] |= {"range": [-3.1, 3.1]}
    layout["yaxis"] |= {
        "range": [len(drawn) - 0.4, -0.6],
        "ticks": "",
        "tickfont": {"size": 9},
        "categoryorder": "array",
        "categoryarray": [f"{r.record}: {r.output}, {r.quantity}" for r in drawn],
    }
    layout["shapes"] = [
        {
            "type": "rect",
            **{"xref": "x", "yref": "paper", "x0": -1, "x1": 1, "y0": 0, "y1": 1},
            "fillcolor": "rgba(27,95,168,0.08)",
            "line": {"color": GREY, "width": 1, "dash": "dash"},
            "layer": "below",
        }
    ]
    return {"data": data, "layout": layout}


# -- page ----------------------------------------------------------------------------------------------------

_INERTIAL_UNITS = {"imu_rates": "rad/s", "imu_force": "m/s²"}


def sensors_html(page: SensorPage) -> str:
    """The whole page as one HTML document."""
    b = page.budget
    inertial = [o for o in b.outputs if o.name in _INERTIAL_UNITS and any(c.sigma > 0.0 for c in o.channels)]
    figures: dict[str, Figure] = {"budget": budget_figure(b), "age": age_figure(page)}
    figures |= {o.name: allan_figure(page, o, _INERTIAL_UNITS[o.name]) for o in inertial}
    fixes = []
    for k, (fix, _) in enumerate(b.fixes):
        figures[f"fix-{fix}"] = fix_figure(page, k)
        radius = figure_of(_WITHIN_95 * b.channel("gnss_x_m", fix).sigma, 3)
        fixes.append((f"fix-{fix}", f"{fix}: 95 % of epochs within {radius} m"))
    if page.rows:
        figures["rows"] = rows_figure(page.rows)
    return page_html(
        "sensors.html",
        f"Sensors of {b.rig}",
        figures,
        rig=b.rig,
        summary=summary(page) if page.rows else "",
        output_heads=OUTPUT_HEADS,
        outputs=output_rows(b),
        bus_note=_BUS_NOTE,
        speed_note=_speed_note(b),
        signal_heads=SIGNAL_HEADS,
        signals=signal_rows(b),
        condition_heads=CONDITION_HEADS,
        conditions=condition_rows(b),
        inertial=[o.name for o in inertial],
        noise_measured=bool(page.noise),
        gnss_heads=GNSS_HEADS,
        gnss=gnss_rows(b),
        gnss_note=_gnss_note(b),
        lag_heads=LAG_HEADS,
        lags=lag_rows(b),
        lag_note=_lag_note(b),
        ride_heads=RIDE_HEADS,
        ride=[] if page.ride is None else ride_rows(page.ride),
        ride_note="" if page.ride is None else _ride_note(page.ride),
        fixes=fixes,
        check_heads=ROW_HEADS,
        checks=check_rows(page.rows),
        remarks=page.notes,
    )
