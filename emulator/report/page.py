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

from emulator.report.drawing import Figure


class Html(str):
    """Text that is HTML already."""


def escape(text: object) -> str:
    """Text as it stands, whatever is in it; HTML as it is."""
    return str(text) if isinstance(text, Html) else html.escape(str(text))


def figure_place(key: str, words: str) -> str:
    """Where the figure ``key`` goes; ``words`` say what it shows to who can't see it."""
    return (
        f"<div class='figure' id='{key}' role='figure' tabindex='0' aria-label='{escape(words)}'>"
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
:root{--ink:#1c2430;--soft:#525c69;--rule:#d5dae1;--paper:#fff;--tone:#5a6573}
*{box-sizing:border-box}
body{margin:0;background:#eef1f4;color:var(--ink);
font:16px/1.5 system-ui,-apple-system,"Segoe UI","DejaVu Sans",sans-serif}
main{max-width:1080px;margin:0 auto;padding:1rem}
header,section,.facts,.caution{background:var(--paper);border:1px solid var(--rule);border-radius:6px;
padding:1rem 1.2rem;margin:0 0 1rem}
.verdict{border-left:14px solid var(--tone)}
.verdict.pass{--tone:#1b5fa8}.verdict.fail{--tone:#b3261e;border-left-style:double}
.verdict.invalid{--tone:#8c3a80;border-left-style:dashed}.verdict.error{--tone:#1c2430;border-left-style:dotted}
header p{margin:0;color:var(--soft)}h1{margin:0;font-size:1.8rem;overflow-wrap:anywhere}
.verdict h1{font-size:2.4rem;line-height:1.2;letter-spacing:.03em;color:var(--tone)}
.verdict p{color:var(--ink);margin:.4rem 0}.verdict .run{margin:0;color:var(--soft);overflow-wrap:anywhere}
.verdict .meaning{margin:.1rem 0 .4rem;font-weight:600}
.verdict ul{margin:0;padding-left:1.2rem}
.verdict li{margin:.2rem 0;white-space:pre-wrap;overflow-wrap:anywhere}
.caution{border:2px solid var(--ink);padding:.6rem 1.2rem}
h2{margin:0 0 .6rem;font-size:1.25rem}h3{margin:1rem 0 0;font-size:1rem}
.facts{display:flex;flex-wrap:wrap;gap:.4rem 2rem}
.facts div{min-width:0}.facts dt{color:var(--soft);font-size:.8rem}
.facts dd{margin:0;font-weight:600;overflow-wrap:anywhere}
.scroll{overflow-x:auto;max-width:100%}
table{border-collapse:collapse;width:100%;font-size:.92rem}
th,td{text-align:left;vertical-align:top;padding:.35rem .7rem .35rem 0;border-bottom:1px solid var(--rule)}
th{color:var(--soft);font-weight:600;vertical-align:bottom}td{font-variant-numeric:tabular-nums}
.num{text-align:right;white-space:nowrap}
.stack td:nth-child(-n+3){white-space:nowrap}
.events td:first-child{text-align:right}
code{font:0.85rem/1.4 ui-monospace,"DejaVu Sans Mono",monospace;overflow-wrap:anywhere}
pre{margin:.4rem 0;padding:.5rem .7rem;background:#f3f5f7;border:1px solid var(--rule);border-radius:4px;
white-space:pre-wrap}
.config{table-layout:fixed}
.laps .num:last-child{text-align:left;white-space:normal}
.hint{color:var(--soft);font-size:.9rem;margin:.4rem 0}
.figure{width:100%;min-height:230px}
.figure:focus-visible,.scroll:focus-visible,summary:focus-visible{outline:3px solid #1b5fa8;
outline-offset:2px}
.side{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,300px),1fr));gap:.4rem}
.side>*{min-width:0}
.figure .modebar{top:auto!important;bottom:0!important} /* above the figure, beside its heading */
.wide{min-width:56rem}li{overflow-wrap:anywhere}
.wide th:first-child,.wide td:first-child{position:sticky;left:0;background:var(--paper)}
.bands{margin:.6rem 0 0;padding:0;list-style:none;columns:2;column-gap:1.5rem}
.search input{font:inherit;padding:.2rem .4rem;max-width:100%}
summary{cursor:pointer;overflow-wrap:anywhere}
@media(max-width:640px){
main{padding:.5rem}header,section,.facts,.caution{padding:.7rem .8rem}
.verdict h1{font-size:2rem}.bands{columns:1}section h3{padding-right:10.5rem}.side h3{padding-right:0}
.stack thead,.cards thead{display:none}
.stack,.stack tbody,.stack tr,.stack td,.cards,.cards tbody{display:block}
.stack tr,.cards tr{border-bottom:1px solid var(--rule);padding:.4rem 0}
.stack td,.cards td{border:0;padding:.1rem 0;white-space:normal!important}
.stack td:nth-child(3)::before{content:attr(data-head) " ";color:var(--soft)}
.cards{min-width:0}.cards tr{display:flex;flex-wrap:wrap;gap:0 .9rem}.cards td{text-align:left}
.cards td:first-child{flex-basis:100%;font-weight:600;position:static}
.cards td:empty{display:none}
.cards td:not(:first-child)::before{content:attr(data-head) " ";color:var(--soft);font-weight:400}}
@media print{
body{background:#fff;font-size:11pt}main{max-width:none;padding:0}.screen{display:none}
header,section,.facts,.caution{border-radius:0}
.figure,tr,h2,h3{break-inside:avoid}h2,h3{break-after:avoid}
.verdict{-webkit-print-color-adjust:exact;print-color-adjust:exact}
.wide{min-width:0;font-size:7.5pt}.wide td,.wide th{padding-right:.35em}
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
// On a narrow screen the legend takes no height from the plot, in two columns where names are short; a figure
// of one scale in both directions is as high as it has to be at its width.
const fit = (figure, width) => {
  const layout = figure.layout, narrow = width < 560;
  const named = layout.showlegend ? figure.data.filter(t => t.showlegend !== false).length : 0;
  const longest = Math.max(0, ...figure.data.map(t => (t.name || "").length));
  const columns = longest > 16 ? 1 : 2;
  const legend = narrow ? 19 * Math.ceil(named / columns) : 44;
  if (narrow && named > 1 && columns > 1)
    layout.legend = {...layout.legend, entrywidth: 0.48, entrywidthmode: "fraction", font: {size: 11}};
  if (figure.aspect) layout.height = Math.min(Math.max((width - 75) * figure.aspect, 180), 620) + legend + 52;
  else if (narrow && named > 2) layout.height += legend - 19;
};
for (const [key, figure] of Object.entries(figures)) {
  const place = document.getElementById(key);
  place.replaceChildren();
  // A finger on a figure scrolls the page; the buttons above the figure still zoom.
  if (touch) figure.layout.dragmode = false;
  fit(figure, place.clientWidth);
  const bar = place.closest(".side") ? {displayModeBar: false} : {};
  const first = {};
  for (const axis of ["xaxis", "yaxis"])
    if (figure.layout[axis].range) first[axis + ".range"] = figure.layout[axis].range.slice();
    else first[axis + ".autorange"] = true;
  Plotly.newPlot(place, figure.data, figure.layout, {...config, ...bar});
  if (key.startsWith("time")) timePanels.push(place);
  place.addEventListener("keydown", press => {
    if (press.target !== place || press.ctrlKey || press.altKey || press.metaKey) return;
    const axes = key.startsWith("time") ? ["xaxis"] : ["xaxis", "yaxis"];
    const by = {ArrowLeft: [-0.2, 0, 1], ArrowRight: [0.2, 0, 1], ArrowUp: [0, 0.2, 1],
      ArrowDown: [0, -0.2, 1], "+": [0, 0, 0.5], "=": [0, 0, 0.5], "-": [0, 0, 2]}[press.key];
    if (press.key === "Home") Plotly.relayout(place, {...first});
    else if (by && (by[0] || by[2] !== 1 || axes.length > 1)) {
      const update = {};
      axes.forEach((axis, i) => {
        const [a, b] = place._fullLayout[axis].range;
        const middle = (a + b) / 2 + by[i] * (b - a), half = by[2] * (b - a) / 2;
        update[axis + ".range"] = [middle - half, middle + half];
      });
      Plotly.relayout(place, update);
    } else return;
    press.preventDefault();
  });
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
for (const box of document.querySelectorAll("input[data-rows]")) {
  const place = box.closest(".search"), rows = [];
  for (const table of document.querySelectorAll("table." + box.dataset.rows))
    rows.push(...table.tBodies[0].rows);
  place.hidden = false;
  box.addEventListener("input", () => {
    const wanted = box.value.toLowerCase();
    let left = 0;
    for (const row of rows) {
      row.hidden = !row.textContent.toLowerCase().includes(wanted);
      left += !row.hidden;
    }
    place.querySelector("span").textContent = wanted ? `${left} of ${rows.length}` : "";
    if (wanted) place.parentElement.querySelector("details").open = true;
  });
}
for (const place of document.querySelectorAll(".scroll"))
  if (place.scrollWidth > place.clientWidth) place.tabIndex = 0;
const all = () => Object.keys(figures).map(key => document.getElementById(key));
let closed = [];
addEventListener("beforeprint", () => {
  closed = [...document.querySelectorAll("details:not([open])")];
  closed.forEach(d => { d.open = true; });
  all().forEach(p => Plotly.relayout(p, {width: p.closest(".side") ? 325 : 660}));
});
addEventListener("afterprint", () => {
  closed.forEach(d => { d.open = false; });
  all().forEach(p => Plotly.relayout(p, {width: null, autosize: true}));
});
})();
"""
