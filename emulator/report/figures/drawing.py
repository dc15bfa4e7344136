"""What figures are made of: plain dictionaries of our own that ``assets/figures.js`` draws as SVG; one look.

A figure with two axes (kind ``plane``):

    x, y     axes, see :func:`axis`
    curves   see :func:`curve`
    areas    {x, y: [from, to] or None for all, tone, text}
    rows, bars, stack   names of rows, from the top, and bars along x in them, see :func:`bars`
    equal    the same scale both ways; aspect: height over width of what is shown
    height   [px]; zoom: whether it has buttons to look closer

One of a group that is looked at together over time or station (kind ``strip``): see :func:`strip`.

Numbers are arrays, or columns where their step matters (emulator.report.figures.columns). Every curve differs
from its neighbours in dash or mark and not by colour alone; the colours were chosen to be read on white
(4.5 to 1 and more) and to differ in lightness.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.core.outside.visible_text import visible
from emulator.report.figures.columns import Column, column

Figure: TypeAlias = dict[str, Any]
Numbers: TypeAlias = NDArray[Any] | Column | Sequence[float] | Sequence[float | None]

MAX_POINTS = 1500
"""Most points of one curve of a figure with two axes."""
_AT_ONCE = 1 << 17  # samples of a long ride

INK, BLUE, ORANGE, PURPLE, GREY, RED = "#1c2430", "#1b5fa8", "#a65200", "#7a2f70", "#5d6875", "#a01818"


def keep_extremes(values: NDArray[np.float64], limit: int = MAX_POINTS) -> NDArray[np.int64]:
    """Which samples to draw: at most ``limit`` rising indices that lose no peak and no gap.

    values   (n,); non-finite means a gap
    Of each of limit/3 equal stretches: the smallest, the largest, and the first missing sample, if any. The
    first and the last sample are always kept.
    """
    n = len(values)
    if n <= limit:
        return np.arange(n)
    bins = max((limit - 2) // 3, 1)
    size = math.ceil(n / bins)
    padded = np.full(bins * size, np.nan)
    padded[:n] = values
    found = []
    at_once = max(_AT_ONCE // size, 1)
    for first in range(
        0, bins, at_once
    ):  # what is worked out in between would be many times a long ride's size
        table = padded[first * size : (first + at_once) * size].reshape(-1, size)
        missing = ~np.isfinite(table)
        starts = (first + np.arange(len(table))) * size
        found.append(np.where(missing, np.inf, table).argmin(axis=1) + starts)
        found.append(np.where(missing, -np.inf, table).argmax(axis=1) + starts)
        found.append((missing.argmax(axis=1) + starts)[missing.any(axis=1)])
    kept = np.unique(np.concatenate([*found, [0, n - 1]]))
    return kept[kept < n].astype(np.int64)


def axis(title: str = "", **more: Any) -> dict[str, Any]:
    """An axis; ``range`` [from, to], ``log``, ``zero`` (it is in view), ``whole`` numbers, ``ticks``."""
    return {"title": title, **more}


def plane(x: dict[str, Any], y: dict[str, Any], curves: Sequence[Figure], **more: Any) -> Figure:
    """A figure with two axes."""
    return {"kind": "plane", "x": x, "y": y, "height": 380, "curves": list(curves), **more}


def curve(
    name: str,
    x: Numbers,
    y: Numbers,
    colour: str,
    *,
    dash: str = "",
    symbol: str = "",
    **more: Any,
) -> Figure:
    """Points (n,) joined where there is a dash, marked where there is a symbol.

    more  width [px], size [px] of marks, every (so many points a mark), steps, fill ("self", "floor") with
          hatch, texts beside points, tips that the pointer shows, quiet (it shows none), legend (False: none)
    """
    out = {"name": visible(name), "x": _numbers(x), "y": _numbers(y), "colour": colour, **more}
    if dash:
        out["dash"] = dash
    if symbol:
        out["symbol"] = symbol
    return out


def bars(name: str, values: Sequence[float | None], colour: str, hatch: str = "", **more: Any) -> Figure:
    """A bar in each row, none for None; ``texts`` in them, ``tips`` that the pointer shows."""
    return {"name": visible(name), "values": list(values), "colour": colour, "hatch": hatch, "bar": 1, **more}


def strip(unit: str, curves: Sequence[Figure], *, group: str = "time", **more: Any) -> Figure:
    """A panel of a group that is looked at together over ``group``: time or station.

    more  limits {name, x: [from, to], y: [heights]}, marks {x, y, text}, zero, whole, heading, range, hit
    """
    return {"kind": "strip", "group": group, "unit": unit, "curves": list(curves), **more}


def path(x: NDArray[Any], y: NDArray[Any], name: str, colour: str, dash: str, width: float) -> Figure:
    """A path in the plane (n,) [m]: east, north, to a centimetre."""
    return curve(name, column(x, 0.01), column(y, 0.01), colour, dash=dash, width=width)


def places(
    x: NDArray[Any], y: NDArray[Any], texts: Sequence[str], name: str, symbol: str, colour: str
) -> Figure:
    """Marked places (n,) [m] with a text each."""
    return curve(
        name, x.tolist(), y.tolist(), colour, symbol=symbol, size=11, texts=[visible(t) for t in texts]
    )


def _numbers(values: Numbers) -> Any:
    """Arrays as they are; lists with a gap where a number is none."""
    if isinstance(values, np.ndarray | Column):
        return values
    return [v if v is not None and math.isfinite(v) else None for v in values]
