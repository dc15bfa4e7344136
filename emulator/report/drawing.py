"""What figures are made of: plain plotly dictionaries, numbers thinned without losing a peak, one look.

Built as dictionaries rather than through plotly's graph objects: those validate every property in Python,
which takes longer than everything else in a report together, and the browser does it again anyway.
Numbers travel as base64 of little-endian float32, the form plotly.js calls a typed-array specification.

Every trace differs from its neighbours in dash or marker and not by colour alone; the four colours were
chosen to differ in lightness too.
"""

from __future__ import annotations

import base64
import html
import math
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.core.outside.visible_text import visible

Figure: TypeAlias = dict[str, Any]

MAX_POINTS = 3000
"""Most points of one trace."""

INK, BLUE, ORANGE, PURPLE, GREY = "#1c2430", "#1b5fa8", "#d9730d", "#8c3a80", "#7b8592"
_FONT = {
    "family": "system-ui, -apple-system, 'Segoe UI', 'DejaVu Sans', sans-serif",
    "size": 12,
    "color": INK,
}


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
    table = padded.reshape(bins, size)
    missing = ~np.isfinite(table)
    starts = np.arange(bins) * size
    lowest = np.where(missing, np.inf, table).argmin(axis=1) + starts
    highest = np.where(missing, -np.inf, table).argmax(axis=1) + starts
    gap = missing.argmax(axis=1) + starts
    gap = gap[missing.any(axis=1)]
    kept = np.unique(np.concatenate([lowest, highest, gap, [0, n - 1]]))
    return kept[kept < n].astype(np.int64)


def typed(values: NDArray[Any]) -> dict[str, str]:
    """Numbers (n,) as plotly.js reads them."""
    return {"dtype": "f4", "bdata": base64.b64encode(np.asarray(values, dtype="<f4").tobytes()).decode()}


def plain(words: str) -> str:
    """Words as they stand: plotly takes some tags for markup."""
    return html.escape(visible(words), quote=False)


def axis(title: str = "", standoff: int = 4) -> dict[str, Any]:
    """An axis with its title."""
    out: dict[str, Any] = {
        "gridcolor": "#e3e7ec",
        "linecolor": "#9aa4b0",
        "zerolinecolor": "#b8c0ca",
        "automargin": True,
        "ticks": "outside",
        "ticklen": 4,
    }
    return out | {"title": {"text": title, "standoff": standoff}} if title else out


def plain_layout(x_title: str = "", y_title: str = "", height: int = 430) -> dict[str, Any]:
    """Layout of a figure [px]: axes with titles, legend above."""
    return {
        "height": height,
        "autosize": True,
        "margin": {"l": 52, "r": 14, "t": 6, "b": 40},
        "paper_bgcolor": "#ffffff",
        "plot_bgcolor": "#ffffff",
        "font": _FONT,
        "hovermode": "closest",
        "showlegend": True,
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "xanchor": "left", "yanchor": "bottom"},
        "xaxis": axis(x_title),
        "yaxis": axis(y_title, 6),
    }


def path_trace(x: NDArray[Any], y: NDArray[Any], name: str, colour: str, dash: str, width: float) -> Figure:
    """A path in the plane (n,) [m]: east, north."""
    return {
        "type": "scatter",
        "mode": "lines",
        "name": plain(name),
        "x": typed(x),
        "y": typed(y),
        "line": {"color": colour, "dash": dash, "width": width},
        "hovertemplate": "%{x:.1f} m east, %{y:.1f} m north",
    }


def point_trace(
    x: NDArray[Any], y: NDArray[Any], texts: list[str], name: str, symbol: str, colour: str
) -> Figure:
    """Marked places (n,) [m] with a text each."""
    return {
        "type": "scatter",
        "mode": "markers+text",
        "name": name,
        "x": x.tolist(),
        "y": y.tolist(),
        "text": [plain(t) for t in texts],
        "textposition": "top center",
        "textfont": {"color": colour, "size": 11},
        "marker": {"symbol": symbol, "size": 11, "color": colour, "line": {"width": 2, "color": colour}},
        "hovertemplate": "%{text}",
        "cliponaxis": False,
    }
