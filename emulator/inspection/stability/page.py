"""The stability diagram and the delay margins as one page that needs nothing else, and as tables.

Speeds are shown in km/h, leans in degrees, delays in milliseconds. A mode has its colour and its marker, a
lean its dash, so that nothing is told by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from rich.console import Group, RenderableType
from rich.text import Text

from emulator.inspection.stability.ridden import RiddenMargin
from emulator.record.writer import write_whole
from emulator.report.figures.drawing import BLUE, GREY, INK, ORANGE, PURPLE, RED, Figure, axis, curve, plane
from emulator.report.page import page_html
from emulator.report.terminal_table import terminal_table
from emulator.robot.margins import Margins
from emulator.robot.timing import LoopTiming
from emulator.vehicle.modes import CAPSIZE, NAMES, WEAVE, WOBBLE, Stability, ranges_above_zero

_KMH, _DEG, _MS = 3.6, 180.0 / math.pi, 1e3
_COLOURS = {WEAVE: BLUE, WOBBLE: ORANGE, CAPSIZE: PURPLE}
_SYMBOLS = {WEAVE: "circle", WOBBLE: "square", CAPSIZE: "diamond"}
_DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
_MARKERS = 14  # most markers of one curve; the line carries the rest
_SHOWN_GROWTH, _SHOWN_HZ = -16.0, 12.0  # how far the axes reach at first
_OSCILLATES = 0.02  # [Hz] below this a root is drawn as real
_MOST_SHOWN = 13  # speeds on the terminal, and speeds that are ridden

T = TypeVar("T")


@dataclass(frozen=True)
class ModesPage:
    """What a page shows.

    subject   whose diagram: vehicle, and robot if it is on it
    margins   None: there are none, ``notes`` say why
    timing    of the loop the margins are of
    notes     sentences to show beside, such as why something is missing
    ridden    margins that rides on the straight found, by speed; empty: none was looked for
    held      whether the steering angle is imposed, and the diagram's bike has its fork held
    top_speed  [m/s] the engine holds on a level road; above it there are no margins
    """

    subject: str
    stability: Stability
    margins: Margins | None
    timing: LoopTiming | None
    notes: tuple[str, ...] = ()
    ridden: tuple[RiddenMargin, ...] = ()
    held: bool = False
    top_speed: float = math.inf


def thinned(speeds: Sequence[T]) -> Sequence[T]:
    """Every so many of the diagram's speeds: those that the terminal shows, and that rides are made at."""
    return speeds[:: max(1, math.ceil(len(speeds) / _MOST_SHOWN))]


def write_modes(page: ModesPage, path: Path) -> None:
    """Write the page. Raises RunFailed if the file can't be written."""
    write_whole(path, modes_html(page))


# -- figures -------------------------------------------------------------------------------------------------


def growth_figure(s: Stability) -> Figure:
    """Real parts [1/s] of all roots over speed [km/h]; above zero the motion grows."""
    data = _other_roots(s, lambda roots: roots.real)
    top = 1.0
    for i, name, roots in _named(s):
        data.append(_curve(s, i, name, roots.real))
        top = max(top, float(np.nanmax(roots.real, initial=0.0)))
    unstable = {"x": None, "y": [0.0, 1e3], "tone": "limit", "text": "unstable"}
    return _over_speed("growth rate / (1/s)", [_SHOWN_GROWTH, min(1.15 * top, 8.0)], data, areas=[unstable])


def frequency_figure(s: Stability) -> Figure:
    """Frequencies [Hz] of the oscillations over speed [km/h]; rings mark what is unstable."""
    data = _other_roots(s, _hertz)
    ring_x: list[float] = []
    ring_y: list[float] = []
    for i, name, roots in _named(s):
        hertz = _hertz(roots)
        if not np.isfinite(hertz).any():
            continue
        data.append(_curve(s, i, name, hertz))
        grows = np.isfinite(hertz) & (roots.real > 0.0)
        ring_x += (s.speeds[grows] * _KMH).tolist()
        ring_y += hertz[grows].tolist()
    if ring_x:
        rings = (_list(ring_x), _list(ring_y))
        data.append(curve("unstable", *rings, RED, symbol="circle-open", size=13, quiet=True))
    return _over_speed("frequency / Hz", [0.0, _SHOWN_HZ], data)


def margin_figure(m: Margins, ridden: Sequence[RiddenMargin] = (), top_speed: float = math.inf) -> Figure:
    """Delay margins [ms] of the loop and of each mode in it over speed [km/h]; 0: unstable without any.

    What was ridden is marked where a margin was found. Above ``top_speed`` [m/s] there is nothing.
    """
    reached = m.speeds <= top_speed
    data: list[Figure] = []
    shown = 10.0
    for i, lean in enumerate(m.leans):
        dash = _DASHES[i % len(_DASHES)]
        loop = np.where(reached & np.isfinite(m.loop[i]), m.loop[i], math.nan) * _MS
        shown = max(shown, float(np.nanmax(loop, initial=0.0)))
        for name in NAMES:
            bears = np.where(reached & np.isfinite(m.modes[name][i]), m.modes[name][i], math.nan) * _MS
            if np.isfinite(bears).any():
                text = f"{name} crosses, {_degrees(lean)}"
                data.append(_line(m.speeds, bears, text, _COLOURS[name], dash, _SYMBOLS[name], 1.4))
        if np.isfinite(loop).any():
            data.append(_line(m.speeds, loop, f"the loop, {_degrees(lean)}", INK, dash, "", 2.8))
        first = [
            f"{w or 'no named mode'}, {f / 2.0 / math.pi:.1f} Hz" if math.isfinite(f) else ""
            for w, f in zip(m.first[i], m.frequency[i], strict=True)
        ]
        if np.isfinite(loop).any():
            data[-1]["tips"] = [
                f"{v * _KMH:.0f} km/h: {ms:.1f} ms, first {w}"
                for v, ms, w in zip(m.speeds, loop, first, strict=True)
            ]
    found = [r for r in ridden if math.isfinite(r.kept)]
    if found:
        shown = max(shown, _MS * max(r.kept for r in found))
        data.append(_ridden_marks(found))
    return _over_speed("extra delay / ms", [0.0, 1.1 * shown], data)


def _ridden_marks(found: Sequence[RiddenMargin]) -> Figure:
    at = (_list([r.speed * _KMH for r in found]), _list([r.kept * _MS for r in found]))
    tips = [f"{r.speed * _KMH:.0f} km/h: {ridden_words(r)}" for r in found]
    return curve("ridden, upright", *at, INK, symbol="cross", size=10, tips=tips)


def _named(s: Stability) -> Iterable[tuple[int, str, NDArray[np.complex128]]]:
    for name in NAMES:
        if name in s.names:
            roots = s.mode(name)
            for i in range(len(s.leans)):
                yield i, name, roots[i]


def _hertz(roots: NDArray[np.complex128]) -> NDArray[np.float64]:
    hertz = np.abs(roots.imag) / (2.0 * math.pi)
    return np.asarray(np.where(hertz > _OSCILLATES, hertz, math.nan))


def _other_roots(s: Stability, value: Any) -> list[Figure]:
    """Grey dots for what has no name: of each pair one, and only near what the axes show."""
    named = {k for curves in s.names.values() for k in curves}
    others = [k for k in range(s.roots.shape[2]) if k not in named]
    x, y = [], []
    for i in range(len(s.leans)):
        roots = s.roots[i][:, others]
        near = (roots.real > 3.0 * _SHOWN_GROWTH) & (roots.imag >= 0.0)
        rows, columns = np.nonzero(near)
        shown = value(roots[rows, columns])
        drawn = np.isfinite(shown)
        x += (s.speeds[rows[drawn]] * _KMH).tolist()
        y += shown[drawn].tolist()
    if not x:
        return []
    return [
        curve("other roots, all leans", np.array(x), np.array(y), GREY, symbol="circle", size=2, quiet=True)
    ]


def _curve(s: Stability, i: int, name: str, y: NDArray[np.float64]) -> Figure:
    dash = _DASHES[i % len(_DASHES)]
    text = f"{name}, {_degrees(s.leans[i])}"
    return _line(s.speeds, y, text, _COLOURS[name], dash, _SYMBOLS[name], 2.0)


def _line(
    speeds: NDArray[np.float64],
    y: NDArray[np.float64],
    name: str,
    colour: str,
    dash: str,
    symbol: str,
    width: float,
) -> Figure:
    every = max(1, math.ceil(len(speeds) / _MARKERS))
    at = (_list(speeds * _KMH), _list(y))
    return curve(name, *at, colour, dash=dash, symbol=symbol, width=width, size=7, every=every)


def _list(values: NDArray[np.float64] | Sequence[float]) -> list[float | None]:
    """Numbers as JSON takes them: a gap is null."""
    return [round(float(v), 5) if math.isfinite(v) else None for v in values]


def _over_speed(y_title: str, y_range: list[float], curves: Sequence[Figure], **more: Any) -> Figure:
    fastest = max((v for c in curves for v in c["x"] if v is not None), default=100.0)
    x = axis("speed / (km/h)", range=[0.0, 1.02 * fastest])
    return plane(x, axis(y_title, range=y_range), curves, height=420, zoom=True, legend=True, **more)


# -- words and tables ----------------------------------------------------------------------------------------


def _degrees(lean: float) -> str:
    return "upright" if lean == 0.0 else f"{lean * _DEG:g}° lean"


def mode_rows(s: Stability) -> list[list[str]]:
    """One row for each lean and mode: lean, mode, frequency, where unstable, worst growth.

    Ends of ranges are interpolated between the speeds of the diagram.
    """
    rows = []
    for i, lean in enumerate(s.leans):
        for name in NAMES:
            roots = s.mode(name)[i]
            known = np.isfinite(roots.real)
            if not known.any():
                why = "no steady motion" if name in s.names else "no such mode"
                rows.append([_degrees(lean), name, "–", why, "–"])
                continue
            hertz = _hertz(roots)
            swings = np.isfinite(hertz)
            frequency = "–"
            if swings.any():
                frequency = f"{hertz[swings].min():.2g} to {hertz[swings].max():.2g} Hz"
            unstable = ranges_above_zero(s.speeds, roots.real)
            where = ", ".join(f"{a * _KMH:.0f} to {b * _KMH:.0f} km/h" for a, b in unstable) or "nowhere"
            k = int(np.nanargmax(roots.real))
            worst, at = float(roots[k].real), float(s.speeds[k]) * _KMH
            pace = f", doubles in {math.log(2.0) / worst:.1f} s" if worst > 0.0 else ""
            rows.append([_degrees(lean), name, frequency, where, f"{worst:+.2f} 1/s at {at:.0f} km/h{pace}"])
    return rows


def margin_rows(
    m: Margins, ridden: Sequence[RiddenMargin] = (), top_speed: float = math.inf
) -> list[list[str]]:
    """One row for each lean and speed: lean, speed, margin, what crosses first, ridden, each mode's margin.

    Where nothing was ridden the column is left out. Above ``top_speed`` [m/s] there are no margins.
    """
    rows = []
    rode = {r.speed: ridden_words(r) for r in ridden}
    for i, lean in enumerate(m.leans):
        for j, speed in enumerate(m.speeds):
            if math.isnan(m.growth[i, j]):
                continue
            hertz = m.frequency[i, j] / (2.0 * math.pi)
            if speed > top_speed:
                bears, first = "not reached", "–"
            elif m.loop[i, j] == 0.0:
                bears, first = "unstable without any", f"{m.first[i][j] or 'no named mode'}"
            elif math.isinf(m.loop[i, j]):
                bears, first = "any", "–"
            else:
                bears, first = f"{m.loop[i, j] * _MS:.1f} ms", f"{m.first[i][j] or 'no named mode'}"
            if first != "–":
                first += f", {hertz:.1f} Hz" if hertz > _OSCILLATES else ", not oscillating"
            beside = [rode.get(float(speed), "–") if lean == 0.0 else "–"] if ridden else []
            each = ["–" if speed > top_speed else _milliseconds(m.modes[name][i, j]) for name in NAMES]
            rows.append([_degrees(lean), f"{speed * _KMH:.0f}", bears, first, *beside, *each])
    return rows


def ridden_words(r: RiddenMargin) -> str:
    """What rides at a speed bore, and how what was lost swung."""
    if r.why:
        return r.why
    if math.isinf(r.lost):
        return f"{r.kept * _MS:.0f} ms and more"
    swings = f", {r.frequency:.1f} Hz" if math.isfinite(r.frequency) else ""
    return f"{r.kept * _MS:.2f} ms{swings}"


def _milliseconds(delay: float) -> str:
    return "never" if math.isinf(delay) else f"{delay * _MS:.1f} ms"


def gap_sentences(s: Stability) -> list[str]:
    """What is missing: a sentence for each stretch of speeds at a lean, with the first reason."""
    out = []
    for i, lean in enumerate(s.leans):
        reasons = {g.speed: g.reason for g in s.gaps if g.lean == lean}
        missing = np.isin(s.speeds, list(reasons))
        starts = np.flatnonzero(missing & ~np.append(False, missing[:-1]))
        ends = np.flatnonzero(missing & ~np.append(missing[1:], False))
        for first, last in zip(starts, ends, strict=True):
            low, high = (f"{s.speeds[k] * _KMH:.0f}" for k in (first, last))
            where = (
                f"1 speed at {low}" if first == last else f"{last - first + 1} speeds from {low} to {high}"
            )
            out.append(f"{_degrees(s.leans[i])}: left out {where} km/h; {reasons[float(s.speeds[first])]}")
    return out


def loop_sentence(t: LoopTiming) -> str:
    """What the loop's delays are before any is added."""
    command, lag = ("a torque's", "an actuator lag") if t.follower == 0.0 else ("an angle's", "a fork's lag")
    imposed = f", and {2.0 / t.follower * _MS:.3g} ms for the bike to follow the fork" if t.follower else ""
    return (
        f"Already in the loop: gyro rates {t.rates_s * _MS:.3g} ms old, attitude and place "
        f"{t.estimate_s * _MS:.3g} ms, steering angle {t.steer_s * _MS:.3g} ms; {t.command_s * _MS:.3g} ms "
        f"until the middle of {command} time; {lag} of {t.actuator_lag_s * _MS:g} ms{imposed}."
    )


def headline(page: ModesPage) -> str:
    """What the diagram comes to: the worst of what is unstable, the thinnest delay margin."""
    s, m = page.stability, page.margins
    worst: tuple[float, str, float, float] | None = None
    for i, name, roots in _named(s):
        growth = np.where(np.isfinite(roots.real), roots.real, -math.inf)
        k = int(np.argmax(growth))
        if growth[k] > 0.0 and (worst is None or growth[k] > worst[0]):
            worst = (float(growth[k]), name, float(s.speeds[k]), float(s.leans[i]))
    told = f"{hands(page)}: no named mode is unstable at the speeds shown."
    if worst is not None:
        growth_rate, name, speed, lean = worst
        told = (
            f"{hands(page)}: {name} is the most unstable, it doubles in {math.log(2.0) / growth_rate:.1f} s "
            f"when ridden at {speed * _KMH:.0f} km/h, {_degrees(lean)}."
        )
    if m is None:
        return told
    shown = ~np.isnan(m.growth) & (m.speeds <= page.top_speed)
    known = np.where(shown, m.loop, math.inf)
    if not (m.speeds <= page.top_speed).any():
        return f"{told} It reaches none of these speeds."
    i, j = divmod(int(np.argmin(known)), known.shape[1])
    where = f"at {m.speeds[j] * _KMH:.0f} km/h, {_degrees(m.leans[i])}"
    if math.isinf(known[i, j]):
        return f"{told} With the reference robot any delay is borne."
    first = m.first[i][j] or "no named mode"
    if known[i, j] == 0.0:
        said = f"{told} With the reference robot it is unstable without any delay {where}: {first}."
        return f"{said} {_rest_of_margins(m, shown, i)}".rstrip()
    least = f"{known[i, j] * _MS:.1f} ms, {where}"
    said = f"{told} With the reference robot the least delay margin is {least}: {first} crosses."
    return f"{said} {_rest_of_margins(m, shown, i)}".rstrip()


def _rest_of_margins(m: Margins, shown: NDArray[np.bool_], worst: int) -> str:
    """What the delay margin is beside its least: of the other leans the least, and what half of all bear.

    shown  (leans, speeds)  where there is a margin; empty words of one place alone
    worst  lean of the least one
    """
    count = int(shown.sum())
    if count == 1:
        return ""
    least = []
    for i, lean in enumerate(m.leans):
        if i != worst and shown[i].any():
            loop = np.where(shown[i], m.loop[i], math.inf)
            j = int(np.argmin(loop))
            where = _degrees(lean) if lean == 0.0 else f"at {_degrees(lean)}"
            least.append(f"{where} the least is {_bears(loop[j])}, at {m.speeds[j] * _KMH:.0f} km/h")
    unstable = int((m.loop[shown] == 0.0).sum())
    none = f"{unstable} are unstable without any, " if unstable > 1 else ""
    half = _bears(float(np.sort(m.loop[shown])[count // 2]))
    said = "; ".join((*least, f"of all {count} speeds and leans {none}half bear {half} and more"))
    return f"{said[0].upper()}{said[1:]}."


def _bears(delay: float) -> str:
    return "any delay" if math.isinf(delay) else f"{delay * _MS:.1f} ms"


def hands(page: ModesPage) -> str:
    """What the diagram's bike is left to."""
    return "Fork held" if page.held else "Hands off"


_MODE_HEADS = ("lean", "mode", "frequency", "unstable", "least stable")


def _margin_heads(page: ModesPage) -> tuple[str, ...]:
    return ("lean", "km/h", "delay margin", "first to cross", *(("ridden",) if page.ridden else ()), *NAMES)


def console_tables(page: ModesPage) -> RenderableType:
    """The page's tables for a terminal; of the margins every so many speeds."""
    parts: list[RenderableType] = [
        Text(f"{headline(page)}\n", style="bold"),
        terminal_table(f"{hands(page)}: where each mode is unstable", _MODE_HEADS, mode_rows(page.stability)),
    ]
    if page.margins is not None:
        shown = {f"{speed * _KMH:.0f}" for speed in thinned(page.margins.speeds.tolist())}
        rows = [r for r in margin_rows(page.margins, page.ridden, page.top_speed) if r[1] in shown]
        title = "Reference robot: extra loop delay until a root crosses"
        parts.append(terminal_table(title, _margin_heads(page), rows, right=("km/h",)))
    if page.timing is not None:
        parts.append(Text(loop_sentence(page.timing)))
    parts += [Text(note) for note in (*gap_sentences(page.stability), *page.notes)]
    return Group(*parts)


# -- page ----------------------------------------------------------------------------------------------------


def modes_html(page: ModesPage) -> str:
    """The whole page as one HTML document."""
    s, m = page.stability, page.margins
    figures = {"growth": growth_figure(s), "frequency": frequency_figure(s)}
    if m is not None:
        figures["margin"] = margin_figure(m, page.ridden, page.top_speed)
    return page_html(
        "stability.html",
        page.subject,
        figures,
        headline=headline(page),
        mode_heads=_MODE_HEADS,
        modes=mode_rows(s),
        margin_heads=_margin_heads(page),
        margins=None if m is None else margin_rows(m, page.ridden, page.top_speed),
        ridden=bool(page.ridden),
        hands=hands(page),
        loop_timing=None if page.timing is None else loop_sentence(page.timing),
        remarks=[*gap_sentences(s), *page.notes],
    )
