"""A comparison as one page that needs nothing else, and as a table for a terminal.

No curve is told by colour alone: errors are drawn through with marks, what noise explains is dashed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Group, RenderableType
from rich.text import Text

from emulator.inspection.comparison.conduct import Compared
from emulator.record.writer import write_whole
from emulator.report.figures.drawing import BLUE, GREY, INK, ORANGE, Figure, axis, curve, plane
from emulator.report.page import page_html
from emulator.report.terminal_table import terminal_table
from emulator.track.comparison.actuation import Following
from emulator.track.comparison.misfit import Fitted, Misfit, classes, grown, worst
from emulator.track.comparison.short_predictions import HORIZONS_S, Predictions
from emulator.track.comparison.steady_figures import FIGURES

_KMH, _DEG = 3.6, 180.0 / math.pi
_AHEAD = HORIZONS_S.index(1.0)
_BEST = 8
SAID_HEADS = ("what", "is")
WORST_HEADS = ("at", "speed", "lean", "times noise", "most off", "ahead", "by", "noise")
DEVICE_HEADS = ("device of", "taken off as late", "give or take", "later than that", "off for seconds by")
DEVICE_WORDS = (
    "As one standard deviation where nothing else is said. What was taken off and what each is off by is "
    "from the map of the log, or what is usual. A lateness that is found beside it may be the model's error."
)
EXPLAINED_HEADS = ("number of the bike", "the bike has more of it", "explains", "can't be told from")
CLOSED_HEADS = ("signal", "rms", "most", "at station", "noise of both")


_WORDS = ("explained_words", "closed_words", "follow_words")
_NAMED = (
    *(
        "said_rows",
        "device_rows",
        "growth",
        "growth_heads",
        "growth_rows",
        "class_heads",
        "class_rows",
        "worst_rows",
    ),
    *("explained_rows", "closed_rows", "corner_heads", "corner_rows", "panels"),
    *("turn_figures", "turn_heads", "turn_rows"),
)
"""What the template names, empty where a comparison has none of it."""


def write_comparison(compared: Compared, path: Path) -> None:
    """Write the page. Raises RunFailed if the file can't be written."""
    write_whole(path, comparison_html(compared))


def headline(compared: Compared) -> str:
    """What the comparison says, in one sentence."""
    said = compared.said
    if said is None:
        return "No short predictions could be made; see the notes."
    of = "what noise explains" if said.noisy else "what good sensors' noise would explain"
    if said.late:
        of = "what noise and devices explain" if said.noisy else f"{of}, and devices"
    if not said.told_apart:
        return (
            f"Short predictions err {said.times_noise:.2f} times {of}: "
            "record and model can't be told apart by them."
        )
    best = said.explained[0]
    words = (
        f"Short predictions err {said.times_noise:.1f} times {of}, offset and gain of the torque taken out."
    )
    if best.share > 0.5:
        words += f" {best.name} would explain {100 * best.share:.0f} % of it" + (
            ", others alike." if best.alike else "."
        )
    else:
        words += f" No single number would explain it: the best, {best.name}, {100 * best.share:.0f} %."
    return words


def said_rows(said: Misfit) -> list[list[str]]:
    """What short predictions come to, a row each."""
    size, white = said.size, said.white
    told = f"{said.times_noise:.3g}; the record has no noise of its own, so that of good sensors is taken"
    judged = [["errors over noise", told]]
    if said.noisy:
        judged = [
            [
                "errors over noise",
                f"{said.times_noise:.2f}, sum of squares {size.total:.0f} of {size.freedom} expected; "
                f"a true model is as far off or further in {_chance(size.chance)}",
            ],
            [
                "independence of errors",
                f"Ljung-Box {white.total:.1f} over {white.freedom} lags; a true model has as much or more in "
                f"{_chance(white.chance)}",
            ],
        ]
    return [
        ["starts that share nothing", str(said.starts)],
        *judged,
        ["torque offset", _torque_words(said.offset, 1.0, 3, "N m", "offset")],
        ["torque gain", _torque_words(said.gain, 100.0, 2, "%", "gain")],
        ["offset and gain explain", f"{100 * said.torque_share:.1f} % of all squares"],
    ]


def _torque_words(fitted: Fitted, per: float, digits: int, unit: str, what: str) -> str:
    """What is known of an offset or gain of the torque: itself where its interval leaves zero out, else how
    large it may be."""
    value, known_to = per * fitted.value, 1.96 * per * fitted.sigma
    if not math.isfinite(known_to):
        return f"the record tells no {what}"
    if not abs(value) > known_to:
        return f"no {what} proven: below {abs(value) + known_to:.{digits}f} {unit} either way (95 %)"
    return (
        f"{value:+.{digits}f} {unit}, known to {known_to:.{digits}f} {unit} (95 %): "
        f"the bike felt so much {'more' if value > 0.0 else 'less'} than was recorded"
    )


def _chance(chance: float) -> str:
    return "less than 1 of 10,000 records" if chance < 1e-4 else f"{100 * chance:.2g} of 100 records"


def console_tables(compared: Compared) -> RenderableType:
    """The page's first tables and remarks for a terminal."""
    parts: list[RenderableType] = [Text(headline(compared))]
    if compared.said is not None and compared.found is not None:
        parts.append(terminal_table("Short predictions", SAID_HEADS, said_rows(compared.said)))
        heads, rows = growth_table(compared.found)
        parts.append(terminal_table("Errors by horizon, in brackets what noise explains", heads, rows))
        if devices := device_rows(compared.found, compared.said):
            parts.append(terminal_table("What is taken of the devices", DEVICE_HEADS, devices))
            parts.append(Text(DEVICE_WORDS))
        parts.append(terminal_table("Where it differs most", WORST_HEADS, worst_rows(compared.found)))
        if compared.said.told_apart:
            parts.append(
                terminal_table("What would explain it", EXPLAINED_HEADS, explained_rows(compared.said))
            )
    if compared.closed is not None:
        parts.append(terminal_table(f"Beside {compared.other}", CLOSED_HEADS, closed_rows(compared)))
        if words := follow_words(compared):
            parts.append(Text(words))
    return Group(*parts, *(Text(f"note: {remark}") for remark in compared.remarks))


def comparison_html(compared: Compared) -> str:
    """The whole page as one HTML document."""
    figures: dict[str, Figure] = {}
    values: dict[str, Any] = dict.fromkeys(_NAMED, ()) | dict.fromkeys(_WORDS, "")
    found, said, closed = compared.found, compared.said, compared.closed
    if found is not None and said is not None:
        growth = growth_figures(found)
        figures |= {key: figure for key, _words, figure in growth} | {"where": where_figure(found)}
        values |= {
            "said_rows": said_rows(said),
            "growth": [(key, words) for key, words, _figure in growth],
            "device_rows": device_rows(found, said),
            "worst_rows": worst_rows(found),
            "explained_words": _explained_words(said),
            "explained_rows": explained_rows(said) if said.told_apart else (),
        }
        values["growth_heads"], values["growth_rows"] = growth_table(found)
        values["class_heads"], values["class_rows"] = class_table(found)
    if closed is not None:
        panels = [(f"beside-{k}", heading, figure) for k, (heading, figure) in enumerate(compared.panels)]
        figures |= {key: figure for key, _heading, figure in panels}
        values |= {
            "closed_words": f"From station {closed.from_m:.0f} to {closed.to_m:.0f} m the record took "
            f"{abs(closed.seconds):.2f} s {'longer' if closed.seconds > 0.0 else 'less'}.",
            "closed_rows": closed_rows(compared),
            "follow_words": follow_words(compared),
            "panels": [(key, heading) for key, heading, _figure in panels],
        }
        values["corner_heads"], values["corner_rows"] = corner_table(compared)
    if compared.turns:
        drawn = turn_figures(compared)
        figures |= {key: figure for key, _words, figure in drawn}
        values["turn_figures"] = [(key, words) for key, words, _figure in drawn]
        values["turn_heads"], values["turn_rows"] = turn_table(compared)
    return page_html(
        "comparison.html",
        compared.name,
        figures,
        subject=f"Record beside the model of {compared.bike}",
        headline=headline(compared),
        other=compared.other,
        remarks=list(compared.remarks),
        said_heads=SAID_HEADS,
        device_heads=DEVICE_HEADS,
        device_words=DEVICE_WORDS,
        worst_heads=WORST_HEADS,
        explained_heads=EXPLAINED_HEADS,
        closed_heads=CLOSED_HEADS,
        **values,
    )


# -- short predictions ---------------------------------------------------------------------------------------


def growth_table(found: Predictions) -> tuple[list[str], list[list[str]]]:
    """Errors by signal and horizon: root mean square, in brackets what noise explains."""
    heads = ["signal", *(f"{h:g} s" for h in HORIZONS_S)]
    rows = []
    for one in grown(found):
        reading = found.measured.readings[one.reading]
        cells = [
            f"{_short(reading.per * rms)} ({_short(reading.per * noise)})" if count else "–"
            for count, rms, noise in zip(one.number, one.rms, one.noise, strict=True)
        ]
        rows.append([f"{reading.words} / {reading.unit}", *cells])
    return heads, rows


def class_table(found: Predictions) -> tuple[list[str], list[list[str]]]:
    """Errors a second ahead over noise, by speed and lean."""
    shown = [r for r in found.measured.readings if r.shown]
    rows = []
    for speed, lean, inside in classes(found):
        ratios = [one.rms[_AHEAD] / one.noise[_AHEAD] for one in grown(found, inside)]
        rows.append(
            [speed, lean, str(len(inside)), *(_short(r) if math.isfinite(r) else "–" for r in ratios)]
        )
    return ["speed", "lean", "starts", *(r.words for r in shown)], rows


def worst_rows(found: Predictions) -> list[list[str]]:
    """Where record and model differ most, a row each."""
    out = []
    for one in worst(found):
        reading = found.measured.readings[one.reading]
        start = one.prediction
        place = f"{start.tick / 1e3:.1f} s"
        if math.isfinite(start.station):
            place += f", station {start.station:.0f} m"
        out.append(
            [
                place,
                f"{_KMH * start.speed:.0f} km/h",
                f"{_DEG * start.lean:+.0f}°",
                f"{one.times_noise:.2g}",
                reading.words,
                f"{HORIZONS_S[one.horizon]:g} s",
                f"{_short(reading.per * one.error)} {reading.unit}",
                f"{_short(reading.per * one.noise)} {reading.unit}",
            ]
        )
    return out


def device_rows(found: Predictions, said: Misfit) -> list[list[str]]:
    """How late and how far off each device of a log is taken to be, and how late it is found, a row each."""
    if not said.late:
        return []
    seen, out = found.measured, []
    named = [(one.words, one.per, one.unit) for one in seen.readings] + [("steering torque", 1.0, "N m")]
    for (words, per, unit), doubt, late in zip(
        named, (*seen.doubts, seen.torque_doubt), said.late, strict=True
    ):
        usual = "" if doubt.told[0] else ", not told in the map"
        off = f"{_short(per * doubt.off)} {unit}" + ("" if doubt.told[1] else ", not told in the map")
        known_to = 1.96e3 * late.sigma
        found_late = f"{1e3 * late.value:+.1f} ms, known to {known_to:.1f} (95 %)"
        out.append(
            [
                words,
                f"{1e3 * doubt.late_s:g} ms{usual}",
                f"{1e3 * doubt.late:.1f} ms",
                found_late if math.isfinite(known_to) else "the record tells nothing",
                off if doubt.off else "told above, as offset",
            ]
        )
    return out


def explained_rows(said: Misfit) -> list[list[str]]:
    """What the best numbers of the bike would explain, a row each."""
    return [
        [
            one.name,
            f"{one.by.value:+.3g} {one.unit}, known to {1.96 * one.by.sigma:.2g} (95 %)",
            f"{100 * one.share:.1f} %",
            ", ".join(one.alike) or "–",
        ]
        for one in said.explained[:_BEST]
    ]


def _explained_words(said: Misfit) -> str:
    if not said.told_apart:
        return "Nothing: the errors can't be told from noise, and what would fit them fits chance."
    return (
        "Shares are of what offset and gain of the torque leave. "
        "A number whose share is small beside the best is not it, alone."
    )


def growth_figures(found: Predictions) -> list[tuple[str, str, Figure]]:
    """Key, heading and figure of each signal: errors over the horizon, what noise explains; log axes."""
    out = []
    for one in grown(found):
        reading = found.measured.readings[one.reading]
        x = list(HORIZONS_S)
        curves = [
            curve(
                "record less prediction, rms",
                x,
                _list(reading.per * one.rms),
                BLUE,
                dash="solid",
                symbol="circle",
                width=2.0,
            ),
            curve(
                "what noise explains",
                x,
                _list(reading.per * one.noise),
                ORANGE,
                dash="dash",
                symbol="square",
                width=2.0,
            ),
        ]
        y = axis(f"{reading.words} / {reading.unit}", log=True)
        figure = plane(axis("ahead / s", log=True), y, curves, height=260, legend=True)
        out.append((f"growth-{reading.key}", reading.words, figure))
    return out


def where_figure(found: Predictions) -> Figure:
    """Errors over noise, all signals and horizons, at each start."""
    order = sorted(worst(found, len(found.ones)), key=lambda w: w.prediction.tick)
    at = [w.prediction.station for w in order]
    title = "station / m"
    if not all(map(math.isfinite, at)):
        at, title = [w.prediction.tick / 1e3 for w in order], "time / s"
    size = curve("errors over noise", at, [w.times_noise for w in order], BLUE, dash="solid", symbol="circle")
    lean = [abs(_DEG * w.prediction.lean) / 10.0 for w in order]
    leant = curve("lean / 10°, for where it is", at, lean, GREY, dash="dot")
    return plane(axis(title), axis("times noise", zero=True), [size, leant], height=320, legend=True)


# -- closed loop ---------------------------------------------------------------------------------------------


def closed_rows(compared: Compared) -> list[list[str]]:
    """Differences of two rides at equal stations, a row a signal."""
    assert compared.closed is not None
    return [
        [
            f"{d.signal.words} / {d.signal.unit}",
            _short(d.signal.per * d.rms),
            f"{d.signal.per * d.most:+.3g}",
            f"{d.at_m:.0f} m",
            _short(d.signal.per * d.noise),
        ]
        for d in compared.closed.differences
    ]


def follow_words(compared: Compared) -> str:
    """How the torque follows its command in both, and what the record adds; empty where it isn't recorded."""
    own, other = compared.follows
    if own is None or other is None:
        return ""

    def told(one: Following) -> str:
        return f"{one.later_ms:.1f} ms later, {one.offset_Nm:+.3f} N m off with {one.left_Nm:.3f} N m left"

    return (
        f"The torque on the bike follows its command in the record {told(own)}; "
        f"in {compared.other} {told(other)}. "
        f"The record adds {own.later_ms - other.later_ms:+.1f} ms."
    )


def corner_table(compared: Compared) -> tuple[list[str], list[list[str]]]:
    """Ratings by corner."""
    assert compared.closed is not None
    corners = compared.closed.corners
    signals = list(dict.fromkeys(s for corner in corners for s, _rating in corner.ratings))
    rows = []
    for corner in corners:
        rated = dict(corner.ratings)
        cells = [f"{rated[s].whole:.2f} {rated[s].grade}" if s in rated else "–" for s in signals]
        rows.append(
            [
                f"{corner.from_m:.0f} to {corner.to_m:.0f} m",
                f"{_DEG * corner.lean:.0f}°",
                f"{corner.seconds:+.2f} s",
                *cells,
            ]
        )
    return ["corner", "lean", "longer by", *(s.words for s in signals)], rows


# -- steady turns -------------------------------------------------------------------------------------------


def turn_figures(compared: Compared) -> list[tuple[str, str, Figure]]:
    """Key, heading and figure of each steady figure over lean."""
    out = []
    lean = [_DEG * turn.lean for turn in compared.turns]
    tips = [f"{_KMH * turn.speed:.0f} km/h, {turn.time_s:.1f} s" for turn in compared.turns]
    for k, (_column, words, unit, per) in enumerate(FIGURES):
        recorded = [per * float(turn.recorded[k]) for turn in compared.turns]
        model = [per * float(turn.model[k]) for turn in compared.turns]
        if not any(map(math.isfinite, recorded)):
            continue
        curves = [
            curve("record", lean, recorded, BLUE, symbol="circle", size=7, tips=tips),
            curve("model", lean, model, INK, symbol="cross", size=7, tips=tips),
        ]
        x, y = axis("lean / °, to the right"), axis(f"{words} / {unit}")
        figure = plane(x, y, curves, height=300, legend=True)
        out.append((f"turn-{k}", words[0].upper() + words[1:], figure))
    return out


def turn_table(compared: Compared) -> tuple[list[str], list[list[str]]]:
    """Steady turns, a row each: record, and in brackets the model."""
    rows = []
    for turn in sorted(compared.turns, key=lambda t: t.lean):
        cells = [
            f"{_number(per * float(is_))} ({_number(per * float(should))})"
            for (*_, per), is_, should in zip(FIGURES, turn.recorded, turn.model, strict=True)
        ]
        rows.append([f"{turn.time_s:.1f} s", f"{_KMH * turn.speed:.0f}", f"{_DEG * turn.lean:+.1f}", *cells])
    heads = ["at", "km/h", "lean / °", *(f"{words} / {unit}" for _column, words, unit, _per in FIGURES)]
    return heads, rows


def _number(value: float) -> str:
    return f"{value:+.3g}" if math.isfinite(value) else "–"


def _short(value: float) -> str:
    return f"{value:.3g}"


def _list(values: Sequence[float] | np.ndarray) -> list[float]:
    return [float(v) for v in values]
