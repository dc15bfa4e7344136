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
from emulator.report.figures.drawing import (
    BLUE,
    GREY,
    INK,
    ORANGE,
    PURPLE,
    RED,
    Figure,
    axis,
    bars,
    curve,
    plane,
)
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
            *_differing_table(page),
            Text(summary(page), style="bold"),
        ]
    parts += [Text(note) for note in page.notes]
    return Group(*parts)


def _differing_table(page: SensorPage) -> list[RenderableType]:
    """What differs; rows that agree are counted, and stand on the page."""
    rows = check_rows([r for r in page.rows if not r.agrees])
    return [terminal_table("Measured beside configured", ROW_HEADS, rows)] if rows else []


# -- figures -------------------------------------------------------------------------------------------------


def _stacked(x_title: str, rows: Sequence[str], parts: Sequence[Figure], **more: Any) -> Figure:
    return plane(axis(x_title, **more), axis(), [], rows=list(rows), bars=list(parts), stack=True)


def budget_figure(budget: ErrorBudget) -> Figure:
    """Share of each random term in the square of the error at the receiver, signal by signal."""
    channels = [
        c for o in budget.outputs for c in o.channels if c.at in ("", budget.fixes[0][0]) and c.sigma > 0.0
    ]
    names = list(dict.fromkeys(t.name for c in channels for t in c.terms if t.kind not in ("fixed", "walk")))
    parts = []
    for k, name in enumerate(names):
        values: list[float | None] = []
        texts, tips = [], []
        for c in channels:
            square = sum(t.sigma**2 for t in c.terms if t.name == name and t.kind not in ("fixed", "walk"))
            share = 100.0 * square / c.sigma**2
            values.append(round(share, 3) if share > 0.0 else None)
            texts.append(f"{name} {figure_of(math.sqrt(square), 2)}" if share > 30.0 else "")
            tips.append(f"{c.signal}: {name} {share:.1f} % of the square")
        parts.append(_part(name, k, values, texts, tips))
    return _stacked("share of the square / %", [c.signal for c in channels], parts, range=[0, 100])


def _part(
    name: str, k: int, values: Sequence[float | None], texts: Sequence[str], tips: Sequence[str]
) -> Figure:
    hatch = _PATTERNS[k % len(_PATTERNS)]
    return bars(name, values, _FILLS[k % len(_FILLS)], hatch, texts=list(texts), tips=list(tips))


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
    drawn = [
        _part(
            name,
            k,
            [v or None for v in x],
            [f"{v:.3g}" if v > 1.0 else "" for v in x],
            [f"{output}: {name} {v:.3g} ms" for output, v in zip(names, x, strict=True)],
        )
        for k, (name, x) in enumerate(parts)
        if any(x)
    ]
    figure = _stacked("age / ms", names, drawn)
    measured = {r.output: r.measured for r in page.rows if r.quantity == MEAN_AGE}
    if measured:
        rows = [names.index(output) + 0.5 for output in measured]
        tips = [f"{output}: measured {v:.3f} ms" for output, v in measured.items()]
        name = "measured mean age on leaving"
        figure["curves"] = [
            curve(name, list(measured.values()), rows, INK, symbol="diamond-open", size=11, tips=tips)
        ]
    return figure


def allan_figure(page: SensorPage, output: OutputBudget, unit: str) -> Figure:
    """Allan deviation of an output's signals over averaging time: configured, and as measured at rest."""
    drawn = []
    period_s = 1.0 / output.rate_hz
    shown: dict[tuple[float, ...], list[str]] = {}
    times = {}
    for c in output.channels:
        lengths = allan_lengths(output.rate_hz)
        rounded = (t.sigma for t in c.terms if t.name == WIRE_STEP)
        noise = replace(c.noise, white=math.hypot(c.noise.white, *rounded))
        y = tuple(round(noise.deviation(m, period_s), 12) for m in lengths)
        shown.setdefault(y, []).append(c.signal)
        times[y] = [m * period_s for m in lengths]
    for k, (y, signals) in enumerate(shown.items()):
        name = f"configured: {', '.join(signals)}"
        drawn.append(curve(name, times[y], y, INK, dash=_DASHES[k % 3], width=2))
    for k, c in enumerate(output.channels):
        if c.signal in page.noise:
            values = page.noise[c.signal]
            lengths = [m for m in allan_lengths(output.rate_hz) if values.size // m >= 4]
            x = [m * period_s for m in lengths]
            found = [float(f"{allan_deviation(values, m):.4g}") for m in lengths]
            mark = ("circle-open", "square-open", "cross")[k % 3]
            drawn.append(curve(f"measured: {c.signal}", x, found, _FILLS[k % 3], symbol=mark, size=8))
    x_axis = axis("averaging time / s", log=True)
    return plane(x_axis, axis(f"Allan deviation / ({unit})", log=True), drawn, height=420, legend=True)


def fix_figure(page: SensorPage) -> Figure | None:
    """Circle that holds 95 % of the epochs of the fix in use, and those measured; None without these."""
    fix, _ = page.budget.fixes[0]
    radius = _WITHIN_95 * page.budget.channel("gnss_x_m", fix).sigma
    if page.rest is None:
        return None
    received = page.rest.outputs["gnss"].after(SETTLED_S)
    errors = received.values[:, :2] - np.nanmean(received.values[:, :2], axis=0)
    errors = errors[np.isfinite(errors).all(axis=1)][:: max(1, len(errors) // 600)]
    if not len(errors):
        return None
    angle = np.linspace(0.0, 2.0 * math.pi, _CIRCLE + 1)
    x, y = radius * np.cos(angle), radius * np.sin(angle)
    reach = max(1.25 * radius, 1.05 * float(np.abs(errors).max()))
    drawn = [
        curve("95 %", x, y, INK, dash="solid", width=2, quiet=True),
        curve(
            "measured about their mean", errors[:, 0], errors[:, 1], BLUE, symbol="circle", size=3, quiet=True
        ),
    ]
    east, north = axis("east / m", range=[-reach, reach]), axis("north / m", range=[-reach, reach])
    return plane(east, north, drawn, equal=True, height=300)


def rows_figure(rows: Sequence[Row]) -> Figure:
    """Where each measurement lies in the interval it has to lie in: -1 and 1 are its ends."""
    drawn = [r for r in rows if 0.0 < r.high - r.low < math.inf and math.isfinite(r.measured)]
    curves = []
    for agrees, name, symbol, colour in ((True, "agrees", "circle", BLUE), (False, "differs", "cross", RED)):
        chosen = [(i, r) for i, r in enumerate(drawn) if r.agrees == agrees]
        if not chosen:
            continue
        at = [(2.0 * r.measured - r.high - r.low) / (r.high - r.low) for _, r in chosen]
        tips = [
            f"{r.record}: {r.output}, {r.quantity}: {figure_of(r.measured, 6)} {r.unit}, "
            f"{figure_of(v, 3)} of the way"
            for (_, r), v in zip(chosen, at, strict=True)
        ]
        x, y = [round(max(-3.0, min(3.0, v)), 4) for v in at], [i + 1.0 for i, _ in chosen]
        curves.append(curve(name, x, y, colour, symbol=symbol, size=7, tips=tips))
    return plane(
        axis("place in the interval; held at 3 beyond it", range=[-3.1, 3.1]),
        axis(range=[len(drawn) + 1.0, 0.0], whole=True),
        curves,
        height=300,
        areas=[{"x": [-1, 1], "y": None, "tone": "plain", "text": ""}],
    )


# -- page ----------------------------------------------------------------------------------------------------

_INERTIAL_UNITS = {"imu_rates": "rad/s", "imu_force": "m/s²"}


def sensors_html(page: SensorPage) -> str:
    """The whole page as one HTML document."""
    b = page.budget
    inertial = [o for o in b.outputs if o.name in _INERTIAL_UNITS and any(c.sigma > 0.0 for c in o.channels)]
    figures: dict[str, Figure] = {"budget": budget_figure(b), "age": age_figure(page)}
    figures |= {o.name: allan_figure(page, o, _INERTIAL_UNITS[o.name]) for o in inertial}
    fix, circle = b.fixes[0][0], fix_figure(page)
    if circle is not None:
        figures["fix"] = circle
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
        fix=fix,
        check_heads=ROW_HEADS,
        differing=check_rows([r for r in page.rows if not r.agrees]),
        agreeing=check_rows([r for r in page.rows if r.agrees]),
        remarks=page.notes,
    )
