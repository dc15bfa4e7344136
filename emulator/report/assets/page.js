(() => {
// A page without figures has no plotly either.
const payload = document.getElementById("figures");
const figures = payload ? JSON.parse(payload.textContent) : {};
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
