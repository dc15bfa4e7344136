"""A page of figures and tables that needs nothing else, and tables for a terminal.

Figures are plotly figures as plain dictionaries by key; a page has a place of the same id for each.
"""

from __future__ import annotations

import html
import json
from collections.abc import Iterable, Mapping, Sequence

from rich import box
from rich.table import Table
from rich.text import Text

from emulator.campaign.drawing import Figure


class Html(str):
    """Text that is HTML already."""


def escape(text: object) -> str:
    """Text as it stands, whatever is in it; HTML as it is."""
    return str(text) if isinstance(text, Html) else html.escape(str(text))


def figure_place(key: str, words: str) -> str:
    """Where the figure ``key`` goes; ``words`` say what it shows to who can't see it."""
    return (
        f"<div class='figure' id='{key}' role='img' aria-label='{escape(words)}'>"
        "<noscript>The figure needs JavaScript.</noscript></div>"
    )


def html_table(
    heads: Sequence[str],
    rows: Iterable[Sequence[str]],
    kind: str = "",
    *,
    numbers_from: int | None = None,
) -> str:
    """A table that scrolls sideways where it is too wide.

    kind          classes: ``wide`` rather scrolls than break its lines, ``stack`` stands cell under cell on a
                  narrow screen
    numbers_from  columns from here on are set right-aligned
    """
    classes = ["" if numbers_from is None or i < numbers_from else " class='num'" for i in range(len(heads))]
    words = [html.escape(" ".join(h.split())) for h in heads]
    head = "".join(
        f"<th{c} scope='col'>{escape(h).replace(chr(10), '<br>')}</th>"
        for c, h in zip(classes, heads, strict=True)
    )
    body = "".join(
        "<tr>"
        + "".join(
            f"<td{c} data-head='{w}'>{escape(cell)}</td>"
            for c, w, cell in zip(classes, words, row, strict=True)
        )
        + "</tr>"
        for row in rows
    )
    named = f" class='{kind}'" if kind else ""
    return (
        f"<div class='scroll'><table{named}><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
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


def document(title: str, parts: Sequence[str], figures: Mapping[str, Figure]) -> str:
    """The whole page as one HTML document. Figures whose key begins with ``time`` share their time axis."""
    from plotly.offline import get_plotlyjs

    # "</" would end the script element early, wherever a name contains it.
    payload = json.dumps(figures, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    payload = payload.replace("</", "<\\/")
    return "".join(
        [
            f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<style>{_CSS}</style></head><body><main>",
            *parts,
            "</main>",
            f'<script type="application/json" id="figures">{payload}</script>',
            f"<script>{get_plotlyjs()}</script><script>{_SCRIPT}</script></body></html>\n",
        ]
    )


_CSS = """
:root{--ink:#1c2430;--soft:#5a6573;--rule:#d5dae1;--paper:#fff;--tone:#5a6573}
*{box-sizing:border-box}
body{margin:0;background:#eef1f4;color:var(--ink);
font:16px/1.5 system-ui,-apple-system,"Segoe UI","DejaVu Sans",sans-serif}
main{max-width:1080px;margin:0 auto;padding:1rem}
header,section,.facts,.caution{background:var(--paper);border:1px solid var(--rule);border-radius:6px;
padding:1rem 1.2rem;margin:0 0 1rem}
.verdict{background:var(--paper);border:1px solid var(--rule);border-left:14px solid var(--tone);
border-radius:6px;padding:1rem 1.2rem;margin:0 0 1rem}
.verdict.pass{--tone:#1b5fa8}.verdict.fail{--tone:#b3261e;border-left-style:double}
.verdict.invalid{--tone:#8c3a80;border-left-style:dashed}.verdict.error{--tone:#1c2430;border-left-style:dotted}
.verdict h1{margin:0;font-size:2.4rem;line-height:1.2;letter-spacing:.03em;color:var(--tone)}
.run{margin:0;color:var(--soft);overflow-wrap:anywhere}
.meaning{margin:.1rem 0 .4rem;font-weight:600}
.verdict ul{margin:0;padding-left:1.2rem}.verdict li{margin:.2rem 0;overflow-wrap:anywhere}
header p{margin:0;color:var(--soft)}h1{margin:0;font-size:1.8rem;overflow-wrap:anywhere}
.caution{border:2px solid var(--ink);padding:.6rem 1.2rem}
h2{margin:0 0 .6rem;font-size:1.25rem}h3{margin:1rem 0 0;font-size:1rem}
.facts{display:flex;flex-wrap:wrap;gap:.4rem 2rem}
.facts div{min-width:0}.facts dt{color:var(--soft);font-size:.8rem}
.facts dd{margin:0;font-weight:600;overflow-wrap:anywhere}
.scroll{overflow-x:auto;max-width:100%}
table{border-collapse:collapse;width:100%;font-size:.92rem}
th,td{text-align:left;vertical-align:top;padding:.35rem .7rem .35rem 0;border-bottom:1px solid var(--rule)}
th{color:var(--soft);font-weight:600;vertical-align:bottom}
.num{text-align:right;white-space:nowrap;font-variant-numeric:tabular-nums}
.stack td:nth-child(-n+3){white-space:nowrap}
.events td:first-child{text-align:right;font-variant-numeric:tabular-nums}
code{font:0.85rem/1.4 ui-monospace,"DejaVu Sans Mono",monospace;overflow-wrap:anywhere}
.config{table-layout:fixed}
.laps .num:last-child{text-align:left;white-space:normal}
.hint{color:var(--soft);font-size:.9rem;margin:.4rem 0}
.figure{width:100%;min-height:230px}#plan{min-height:520px}
.side{display:grid;grid-template-columns:repeat(auto-fit,minmax(240px,1fr));gap:.4rem}
.side .figure{margin-top:0}
.figure .modebar{top:auto!important;bottom:0!important} /* above the figure, beside its heading */
.wide{min-width:56rem}li{overflow-wrap:anywhere}
.wide th:first-child,.wide td:first-child{position:sticky;left:0;background:var(--paper)}
.bands{margin:.6rem 0 0;padding:0;list-style:none;columns:2}
summary{cursor:pointer}
@media(max-width:640px){
main{padding:.5rem}header,section,.verdict,.facts,.caution{padding:.7rem .8rem}
.verdict h1{font-size:2rem}.bands{columns:1}
.stack thead{display:none}.stack,.stack tbody,.stack tr,.stack td{display:block}
.stack tr{border-bottom:1px solid var(--rule);padding:.4rem 0}
.stack td{border:0;padding:.1rem 0;white-space:normal!important}
.stack td:nth-child(3)::before{content:attr(data-head) " ";color:var(--soft)}
.events{min-width:30rem}section h3{padding-right:8.5rem}}
@media print{
body{background:#fff;font-size:11pt}main{max-width:none;padding:0}.screen{display:none}
section,.verdict,.facts,.caution{border-radius:0}
.figure,tr,h2,h3{break-inside:avoid}h2,h3{break-after:avoid}
.verdict{-webkit-print-color-adjust:exact;print-color-adjust:exact}
.modebar{display:none!important}}
"""

_SCRIPT = """
(() => {
const figures = JSON.parse(document.getElementById("figures").textContent);
const touch = matchMedia("(pointer: coarse)").matches;
// The buttons are listed one by one: plotly's own set holds one that uploads the data.
const config = {responsive: true, displaylogo: false, showSendToCloud: false, showTips: false,
  modeBarButtons: [["zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "autoScale2d", "resetScale2d"]]};
const timePanels = [];
for (const [key, figure] of Object.entries(figures)) {
  const place = document.getElementById(key);
  place.replaceChildren();
  // A finger on a figure scrolls the page; the buttons above the figure still zoom.
  if (touch) figure.layout.dragmode = false;
  const bar = place.closest(".side") ? {displayModeBar: false} : {};
  Plotly.newPlot(place, figure.data, figure.layout, {...config, ...bar});
  if (key.startsWith("time")) timePanels.push(place);
}
let linking = false;
for (const source of timePanels) source.on("plotly_relayout", change => {
  if (linking) return;
  let update = null;
  if ("xaxis.range[0]" in change)
    update = {"xaxis.range": [change["xaxis.range[0]"], change["xaxis.range[1]"]]};
  else if ("xaxis.range" in change) update = {"xaxis.range": change["xaxis.range"].slice()};
  else if (change["xaxis.autorange"]) update = {"xaxis.autorange": true};
  if (!update) return;
  linking = true;
  Promise.all(timePanels.filter(p => p !== source).map(p => Plotly.relayout(p, {...update})))
    .finally(() => { linking = false; });
});
const all = () => Object.keys(figures).map(key => document.getElementById(key));
let closed = [];
addEventListener("beforeprint", () => {
  closed = [...document.querySelectorAll("details:not([open])")];
  closed.forEach(d => { d.open = true; });
  all().forEach(p => Plotly.relayout(p, {width: 660}));
});
addEventListener("afterprint", () => {
  closed.forEach(d => { d.open = false; });
  all().forEach(p => Plotly.relayout(p, {width: null, autosize: true}));
});
})();
"""
