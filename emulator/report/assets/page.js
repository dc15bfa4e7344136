// What every page can do: draw its figures, search its rows, be printed.
(() => {
const PAPER = 690, HALF = 338; // [px] what is drawn on paper is as wide, alone and beside another
let planes = [];
if (typeof Figures !== "undefined") Figures.load().then(({figures, ride}) => {
  const strips = {};
  for (const [key, figure] of Object.entries(figures)) {
    if (figure.kind === "strip") { strips[key] = figure; continue; }
    const place = document.getElementById(key);
    place.replaceChildren();
    Figures.add(place, figure);
    planes.push(place);
  }
  if (Object.keys(strips).length) Strips.make(strips, ride);
  document.documentElement.dataset.drawn = "";
}).catch(error => {
  for (const place of document.querySelectorAll(".figure"))
    if (!place.querySelector("svg")) place.textContent = "This browser can't draw the figure; one of 2023 or later can.";
  throw error;
});
let width = innerWidth, waiting = 0;
addEventListener("resize", () => {
  if (innerWidth === width) return; // a phone's address bar comes and goes
  width = innerWidth;
  clearTimeout(waiting);
  waiting = setTimeout(() => {
    for (const place of planes) Figures.draw(place);
    if (typeof Strips !== "undefined") Strips.resized();
  }, 80);
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
// Folded parts are printed, but for those that would fill sheets and stand in a file beside.
let closed = [];
addEventListener("beforeprint", () => {
  closed = [...document.querySelectorAll("details:not([open]):not(.long)")];
  closed.forEach(d => { d.open = true; });
  for (const place of planes) Figures.draw(place, place.closest(".side") ? HALF : PAPER);
  if (typeof Strips !== "undefined") Strips.printed(PAPER, HALF);
});
addEventListener("afterprint", () => {
  closed.forEach(d => { d.open = false; });
  for (const place of planes) Figures.draw(place);
  if (typeof Strips !== "undefined") Strips.restored();
});
})();
