"""A page of figures and tables that needs nothing else, and tables for a terminal.

Figures are plotly figures as plain dictionaries by key; a page has a place of the same id for each.
"""

from __future__ import annotations

import html
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich import box
from rich.table import Table
from rich.text import Text

from emulator.campaign.figures import INK, Figure


def plain_layout(x_title: str, y_title: str) -> dict[str, Any]:
    """Layout of a figure: axes with titles, legend above."""
    axis = {
        "gridcolor": "#e3e7ec",
        "linecolor": "#9aa4b0",
        "zerolinecolor": "#7b8592",
        "automargin": True,
        "ticks": "outside",
    }
    return {
        "height": 430,
        "autosize": True,
        "margin": {"l": 56, "r": 14, "t": 8, "b": 44},
        "paper_bgcolor": "#ffffff",
        "plot_bgcolor": "#ffffff",
        "font": {
            "family": "system-ui, -apple-system, 'Segoe UI', 'DejaVu Sans', sans-serif",
            "size": 12,
            "color": INK,
        },
        "hovermode": "closest",
        "showlegend": True,
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "xanchor": "left", "yanchor": "bottom"},
        "xaxis": axis | {"title": {"text": x_title, "standoff": 4}},
        "yaxis": axis | {"title": {"text": y_title, "standoff": 6}},
    }


def escape(text: str) -> str:
    """Text as it stands, whatever is in it."""
    return html.escape(text)


def figure_place(key: str, words: str) -> str:
    """Where the figure ``key`` goes; ``words`` say what it shows to who can't see it."""
    return (
        f"<div class='figure' id='{key}' role='img' aria-label='{escape(words)}'>"
        "<noscript>The figure needs JavaScript.</noscript></div>"
    )


def html_table(heads: Sequence[str], rows: Iterable[Sequence[str]], *, wide: bool = False) -> str:
    """A table that scrolls sideways where it is too wide; a wide one rather than break its lines."""
    head = "".join(f"<th scope='col'>{escape(h)}</th>" for h in heads)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    kind = " class='wide'" if wide else ""
    return (
        f"<div class='scroll'><table{kind}><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def terminal_table(
    title: str,
    heads: Sequence[str],
    rows: Iterable[Sequence[str | Text]],
    *,
    right: Sequence[str] = (),
    no_wrap: bool = False,
) -> Table:
    """The same for a terminal; ``right``: heads of columns that stand to the right."""
    table = Table(
        box=box.SIMPLE_HEAD, title=title, title_justify="left", padding=(0, 1, 0, 0), pad_edge=False
    )
    for head in heads:
        table.add_column(head, justify="right" if head in right else "left", no_wrap=no_wrap)
    for row in rows:
        table.add_row(*(cell if isinstance(cell, Text) else Text(cell) for cell in row))
    return table


def document(
    title: str, parts: Sequence[str], figures: Mapping[str, Figure], *, style: str = "", script: str = ""
) -> str:
    """The whole page as one HTML document; ``style`` and ``script`` instead of the plain page's own."""
    from plotly.offline import get_plotlyjs

    # "</" would end the script element early, wherever a name contains it.
    payload = json.dumps(figures, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    payload = payload.replace("</", "<\\/")
    return "".join(
        [
            f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<style>{style or _CSS}</style></head><body><main>",
            *parts,
            "</main>",
            f'<script type="application/json" id="figures">{payload}</script>',
            f"<script>{get_plotlyjs()}</script><script>{script or _SCRIPT}</script></body></html>\n",
        ]
    )


_CSS = """
:root{--ink:#1c2430;--soft:#5a6573;--rule:#d5dae1}
*{box-sizing:border-box}
body{margin:0;background:#eef1f4;color:var(--ink);
font:16px/1.5 system-ui,-apple-system,"Segoe UI","DejaVu Sans",sans-serif}
main{max-width:1080px;margin:0 auto;padding:1rem}
header,section{background:#fff;border:1px solid var(--rule);border-radius:6px;padding:1rem 1.2rem;
margin:0 0 1rem}
header p{margin:0;color:var(--soft)}h1{margin:0;font-size:1.8rem;overflow-wrap:anywhere}
h2{margin:0 0 .6rem;font-size:1.25rem}h3{margin:1rem 0 0;font-size:1rem}
.hint{color:var(--soft);font-size:.9rem;margin:.4rem 0}
.scroll{overflow-x:auto}.wide{min-width:56rem}table{border-collapse:collapse;width:100%;font-size:.92rem}
th,td{text-align:left;padding:.3rem .7rem .3rem 0;border-bottom:1px solid var(--rule);vertical-align:top}
th{color:var(--soft);font-weight:600}td{font-variant-numeric:tabular-nums}
.figure{width:100%;min-height:240px;margin-top:1.8rem}.side .figure{margin-top:0}
.side{display:grid;grid-template-columns:repeat(auto-fit,minmax(240px,1fr));gap:.4rem}
.figure .modebar{top:auto!important;bottom:0!important} /* above the figure, beside the legend */
summary{cursor:pointer}li{overflow-wrap:anywhere}
@media(max-width:640px){main{padding:.5rem}header,section{padding:.7rem .8rem}}
@media print{body{background:#fff}main{max-width:none;padding:0}.figure,tr{break-inside:avoid}
.modebar{display:none!important}}
"""

_SCRIPT = """
(() => {
const figures = JSON.parse(document.getElementById("figures").textContent);
const touch = matchMedia("(pointer: coarse)").matches;
// The buttons are listed one by one: plotly's own set holds one that uploads the data.
const config = {responsive: true, displaylogo: false, showSendToCloud: false, showTips: false,
  modeBarButtons: [["zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "autoScale2d", "resetScale2d"]]};
for (const [key, figure] of Object.entries(figures)) {
  const place = document.getElementById(key);
  place.replaceChildren();
  if (touch) figure.layout.dragmode = false;
  const bar = figure.layout.height > 320 ? {} : {displayModeBar: false};
  Plotly.newPlot(place, figure.data, figure.layout, {...config, ...bar});
}
})();
"""
