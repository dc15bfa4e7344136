// Panels one under another over one axis, a ride's time or its station: they are zoomed together, have one
// cursor, and what else on the page goes by time follows them: events, the plan's mark, the bike from behind.
const Strips = (() => {
const {node, scale, legend, told, DASHES, LETTER} = Figures;
const HEIGHT = 148, PRINTED = 96;
const groups = {};
let ride = {bands: []};

const first = (values, wanted) => { // where a rising column reaches a value
  let low = 0, high = values.length;
  while (low < high) { const mid = (low + high) >> 1; if (values[mid] < wanted) low = mid + 1; else high = mid; }
  return low;
};
const span = (x, [from, to]) => [Math.max(first(x, from) - 1, 0), Math.min(first(x, to) + 2, x.length)];

// Heights the curves take in the view; limits only where they don't flatten them.
const heights = (panel, range) => {
  let low = Infinity, high = -Infinity;
  const take = v => { if (v < low) low = v; if (v > high) high = v; };
  for (const {x, y} of panel.curves) {
    const [a, b] = span(x, range);
    for (let i = a; i < b; i++) if (Number.isFinite(y[i])) take(y[i]);
  }
  if (!(low <= high)) return [0, 1];
  if (panel.zero) { take(0); }
  const curves = high - low || Math.abs(high) || 1;
  for (const limit of panel.limits || []) for (const v of limit.y)
    if (limit.x[0] < range[1] && limit.x[1] > range[0] && v > low - 1.5 * curves && v < high + 1.5 * curves) take(v);
  const least = 8 * Math.max(...panel.curves.map(c => 10 ** -(c.y.digits ?? 3))), all = Math.max(high - low, least);
  const mid = (low + high) / 2, half = all * .56;
  return [panel.zero && low === 0 ? 0 : mid - half, panel.zero && high === 0 ? 0 : mid + half];
};

const draw = (panel, width, height) => {
  const {place, group} = panel, range = group.range;
  if (!panel.svgPlace) {
    place.replaceChildren();
    const looks = [...panel.curves, ...(panel.limits || []).map(limit => ({...limit, dash: "longdash", colour: "#8c3a80", width: 1.2}))];
    panel.outputs = legend(place, looks);
    panel.svgPlace = document.createElement("div");
    place.append(panel.svgPlace);
  }
  width = Math.max(width || panel.svgPlace.clientWidth, 220);
  height = height || HEIGHT;
  const box = {left: 52, right: width - 10, top: 6, bottom: height - 22, titled: false};
  Object.assign(box, {width: box.right - box.left, height: box.bottom - box.top});
  const [low, high] = heights(panel, range);
  const at = {x: scale(...range, box.left, box.right), y: scale(low, high, box.bottom, box.top)};
  const root = node("svg", {viewBox: `0 0 ${width} ${height}`, class: "drawn", "aria-hidden": "true"});
  const clip = `strip-${panel.key}`;
  node("rect", {x: box.left, y: box.top, width: box.width, height: box.height}, node("clipPath", {id: clip}, root));
  if (group.name === "time") bands(root, box, at, panel.hit);
  Figures.frame(root, box, {}, {whole: panel.whole}, at);
  const inside = node("g", {"clip-path": `url(#${clip})`}, root);
  for (const limit of panel.limits || []) for (const y of limit.y)
    node("path", {class: "limit", d: `M${at.x(limit.x[0])} ${at.y(y)}H${at.x(limit.x[1])}`}, inside);
  let rail = 0;
  for (const curve of panel.curves) {
    const [a, b] = span(curve.x, range);
    node("path", {d: Figures.line(curve.x, curve.y, at, a, b, {steps: curve.steps, rising: true}), fill: "none", stroke: curve.colour,
      "stroke-width": curve.width || 1.5, "stroke-dasharray": DASHES[curve.dash] || "", "stroke-linejoin": "round"}, inside);
    rail += gaps(inside, curve, a, b, at, box, rail);
  }
  const words = [];
  for (const mark of panel.marks || []) {
    if (mark.x < range[0] || mark.x > range[1]) continue;
    const x = at.x(mark.x), y = Math.min(Math.max(at.y(mark.y), box.top), box.bottom);
    node("path", {class: "worst", d: Figures.symbol("diamond")(5), transform: `translate(${x.toFixed(1)} ${y.toFixed(1)})`}, root);
    words.push({x, y, text: mark.text, colour: "#7a2f70"});
  }
  Figures.labels(root, words, box);
  panel.svgPlace.replaceChildren(root);
  Object.assign(panel, {root, at, box, drawn: group.version});
  panel.cursor = node("g", {class: "cursor"}, root);
  point(panel);
};
// A number that is not there is seen: a rail at the foot of the panel, as long as it is missing.
const gaps = (root, curve, a, b, at, box, rail) => {
  if (!curve.y.some(Number.isFinite)) return 0; // never there: the legend says so
  const y = box.bottom - 5 - 8 * rail;
  let found = 0;
  for (let i = a; i < b; i++) {
    if (Number.isFinite(curve.y[i])) continue;
    const from = i;
    while (i + 1 < b && !Number.isFinite(curve.y[i + 1])) i++;
    const x0 = Math.max(at.x(curve.x[from]), box.left), x1 = Math.min(at.x(curve.x[Math.min(i + 1, b - 1)]), box.right);
    const made = node("path", {class: "gap", d: `M${x0.toFixed(1)} ${y}H${Math.max(x1, x0 + 2).toFixed(1)}`, stroke: curve.colour}, root);
    node("title", {}, made, `${curve.name}: no value`);
    const words = `${curve.name}: no value`;
    if (x1 - x0 > words.length * LETTER + 8) {
      node("rect", {class: "ground", x: (x0 + x1 - words.length * LETTER) / 2 - 2, y: y - 8, width: words.length * LETTER + 4, height: 13}, root);
      node("text", {class: "label", style: `fill:${curve.colour}`, x: (x0 + x1) / 2, y: y + 3, "text-anchor": "middle"}, root, words);
    }
    found = 1;
  }
  return found;
};
const bands = (root, box, at, hit) => {
  const ends = [-1e9, -1e9];
  for (const band of ride.bands) {
    if (band.to < at.x.low || band.from > at.x.high) continue;
    const x0 = Math.max(at.x(band.from), box.left), x1 = Math.min(at.x(band.to), box.right);
    const here = hit && hit.includes(band.label) ? " hit" : "";
    if (x1 > x0) node("rect", {class: `band ${band.fault ? "fault" : "event"}${here}`, x: x0, y: box.top, width: Math.max(x1 - x0, 1), height: box.height}, root);
    else node("path", {class: `band ${band.fault ? "fault" : "event"}`, d: `M${x0} ${box.top}V${box.bottom}`}, root);
    const lane = ends.findIndex(end => end < x0), width = band.label.length * LETTER + 5;
    if (lane < 0 || x0 + width > box.right + 6) continue;
    ends[lane] = x0 + width;
    node("text", {class: `label ${band.fault ? "fault" : "event"}`, x: x0 + 2, y: box.top + 11 + 12 * lane}, root, band.label);
  }
};

// -- the cursor ---------------------------------------------------------------------------------------------

// The number kept last at or before the cursor, or, between two of a curve, the nearer.
const valueAt = ({x, y, steps}, t) => {
  const i = first(x, t);
  if (i < x.length && x[i] === t) return y[i];
  if (i === 0 || i === x.length) return NaN;
  return steps || t - x[i - 1] <= x[i] - t ? y[i - 1] : y[i];
};
const point = panel => {
  const t = panel.group.cursor, {at, box} = panel;
  panel.cursor.replaceChildren();
  const inView = t !== null && t >= at.x.low && t <= at.x.high;
  if (inView) node("path", {d: `M${at.x(t).toFixed(1)} ${box.top}V${box.bottom}`}, panel.cursor);
  panel.curves.forEach((curve, i) => {
    const value = t === null ? NaN : valueAt(curve, t);
    panel.outputs[i].textContent = t === null ? "" : Number.isFinite(value) ? `${told(value, curve.y.digits)} ${panel.unit}` : "no value";
    if (inView && Number.isFinite(value))
      node("circle", {cx: at.x(t), cy: Math.min(Math.max(at.y(value), box.top), box.bottom), r: 3, fill: curve.colour}, panel.cursor);
  });
};
const setCursor = (group, t) => {
  group.cursor = t;
  for (const panel of group.panels) if (panel.seen && panel.drawn === group.version) point(panel);
  if (group.bar) group.bar.at.textContent = t === null ? "" : `${t.toFixed(3)} ${group.unit}`;
  if (group.name === "time") bike(t);
};

// -- the view -----------------------------------------------------------------------------------------------

const setRange = (group, from, to) => {
  const [a, b] = group.whole, width = Math.min(Math.max(to - from, .02), b - a);
  from = Math.min(Math.max(from, a), b - width);
  group.range = [from, from + width];
  group.version++;
  for (const panel of group.panels) if (panel.seen) draw(panel);
  if (!group.bar) return;
  group.bar.from.value = from.toFixed(2);
  group.bar.to.value = (from + width).toFixed(2);
  if (group.name === "time") follow(group.range, width >= b - a);
};
const closer = (group, factor, around) => {
  const [a, b] = group.range, mid = around ?? (group.cursor !== null && group.cursor >= a && group.cursor <= b ? group.cursor : (a + b) / 2);
  setRange(group, mid - (mid - a) * factor, mid + (b - mid) * factor);
};
const move = (group, share) => { const [a, b] = group.range; setRange(group, a + share * (b - a), b + share * (b - a)); };
const whole = group => setRange(group, ...group.whole);

// Rows of the event log that are outside the view are left out.
const follow = ([from, to], all) => {
  const table = document.querySelector("table.events");
  if (!table) return;
  let left = 0;
  for (const row of table.tBodies[0].rows) {
    const t = Number(row.dataset.at);
    row.classList.toggle("outside", !all && (t < from || t > to));
    left += !row.classList.contains("outside");
  }
  const words = document.getElementById("events-shown");
  if (words) words.textContent = all ? "" : `${left} of ${table.tBodies[0].rows.length} events lie in the stretch shown above.`;
};
const go = link => {
  const group = groups.time;
  if (!group) return;
  const from = Number(link.dataset.from), to = Number(link.dataset.to || from), pad = Math.max(.5, .15 * (to - from));
  setRange(group, from - pad, to + pad);
  setCursor(group, from);
  const panel = group.panels.find(p => p.key === link.dataset.panel) || group.panels[0];
  panel.place.closest("section, .panel").scrollIntoView({block: "start"});
};

// -- pointer and keys ---------------------------------------------------------------------------------------

const timeOf = (panel, event) => {
  const bounds = panel.root.getBoundingClientRect();
  return panel.at.x.back((event.clientX - bounds.left) * panel.root.viewBox.baseVal.width / bounds.width);
};
const listen = panel => {
  const {place, group} = panel;
  let from = null, mark = null;
  place.addEventListener("pointermove", event => {
    if (!panel.root || !panel.svgPlace.contains(event.target)) return;
    const t = Math.min(Math.max(timeOf(panel, event), group.range[0]), group.range[1]);
    setCursor(group, t);
    if (from === null) return;
    const x = [panel.at.x(from), panel.at.x(t)].sort((a, b) => a - b);
    if (!mark) mark = node("rect", {class: "chosen", y: panel.box.top, height: panel.box.height}, panel.root);
    mark.setAttribute("x", x[0]);
    mark.setAttribute("width", x[1] - x[0]);
  });
  place.addEventListener("pointerdown", event => {
    if (!panel.root || !panel.svgPlace.contains(event.target)) return;
    if (event.pointerType === "mouse" && event.button === 0) from = timeOf(panel, event); // a finger scrolls the page
    else setCursor(group, timeOf(panel, event));
  });
  addEventListener("pointerup", event => {
    if (from === null) return;
    const to = timeOf(panel, event), start = from;
    from = mark = null;
    if (Math.abs(panel.at.x(to) - panel.at.x(start)) > 6) setRange(group, Math.min(start, to), Math.max(start, to));
    else panel.root.querySelectorAll(".chosen").forEach(rect => rect.remove());
  });
  place.addEventListener("dblclick", () => whole(group));
  place.addEventListener("keydown", press => {
    if (press.target !== place || press.ctrlKey || press.altKey || press.metaKey) return;
    const [a, b] = group.range, cursor = group.cursor ?? (a + b) / 2;
    const act = {ArrowLeft: () => move(group, -.2), ArrowRight: () => move(group, .2), "+": () => closer(group, .5),
      "=": () => closer(group, .5), "-": () => closer(group, 2), Home: () => whole(group),
      ",": () => setCursor(group, Math.max(a, cursor - (b - a) / 200)), ".": () => setCursor(group, Math.min(b, cursor + (b - a) / 200))}[press.key];
    if (!act) return;
    act();
    press.preventDefault();
  });
};

// -- numbers of the stretch shown ---------------------------------------------------------------------------

const csv = group => {
  const curves = group.panels.flatMap(p => p.curves.map(c => ({...c, title: `${p.heading}: ${c.name}${p.unit ? ` / ${p.unit}` : ""}`})));
  const rows = new Map();
  curves.forEach(({x, y}, k) => {
    for (let i = first(x, group.range[0]); i < x.length && x[i] <= group.range[1]; i++) {
      if (!rows.has(x[i])) rows.set(x[i], new Array(curves.length).fill(""));
      if (Number.isFinite(y[i])) rows.get(x[i])[k] = y[i].toFixed(Math.min(y.digits, 9));
    }
  });
  const quoted = text => `"${text.replaceAll('"', '""')}"`;
  const head = [group.name === "time" ? "time / s" : "station / m", ...curves.map(c => c.title)].map(quoted).join(",");
  const lines = [...rows.keys()].sort((a, b) => a - b).map(t => `${t.toFixed(3)},${rows.get(t).join(",")}`);
  return `${head}\n${lines.join("\n")}\n`;
};
const save = group => {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([csv(group)], {type: "text/csv"}));
  link.download = `${group.name}-${group.range.map(v => v.toFixed(2)).join("-to-")}.csv`;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
};

// -- where the bike is, and how it leans --------------------------------------------------------------------

const bike = t => {
  const {pose} = ride;
  const mark = document.getElementById("plan") && Figures.shown.get(document.getElementById("plan"));
  if (mark && mark.here) mark.here.remove();
  if (!pose || t === null || !pose.t.length) return;
  const i = Math.min(first(pose.t, t), pose.t.length - 1);
  if (mark) {
    mark.here = node("circle", {class: "here", r: 6, cx: mark.at.x(pose.x[i]), cy: mark.at.y(pose.y[i])}, mark.root);
    mark.after = () => bike(groups.time.cursor);
  }
  const behind = document.getElementById("behind");
  if (!behind) return;
  // from behind, a roll to the right turns the picture clockwise; the front wheel is seen past the rear by its steer
  behind.querySelector(".leaning").setAttribute("transform", `rotate(${pose.roll[i].toFixed(2)})`);
  behind.querySelector(".front").setAttribute("transform", `rotate(${(-pose.steer[i]).toFixed(2)})`);
  const side = (v, positive, negative) => `${Math.abs(v).toFixed(1)}° ${v > 0 ? positive : negative}`;
  document.getElementById("pose").textContent = `${t.toFixed(2)} s, station ${told(pose.station[i], 0)} m, ${told(pose.speed[i], 0)} km/h, `
    + `lean ${side(pose.roll[i], "right", "left")}, steer ${side(pose.steer[i], "left", "right")}`;
};

// -- making them --------------------------------------------------------------------------------------------

const bar = (group, place) => {
  const field = label => {
    const wrap = document.createElement("label"), input = document.createElement("input");
    Object.assign(input, {type: "number", step: "any"});
    wrap.append(`${label} `, input);
    input.addEventListener("change", () => {
      const [from, to] = [group.bar.from, group.bar.to].map(i => Number(i.value));
      if (to > from) setRange(group, from, to);
    });
    return [wrap, input];
  };
  const [fromLabel, from] = field("from"), [toLabel, to] = field("to"), at = document.createElement("output");
  const row = document.createElement("div");
  row.className = "view";
  row.append(fromLabel, toLabel, ` ${group.unit} `);
  for (const [words, label, act] of [["+", "look closer", () => closer(group, .5)], ["−", "look at more", () => closer(group, 2)],
    ["◂", "earlier", () => move(group, -.5)], ["▸", "later", () => move(group, .5)], ["all", "show the whole ride", () => whole(group)],
    ["CSV", "save the numbers of the stretch shown as CSV", () => save(group)]]) {
    const button = document.createElement("button");
    Object.assign(button, {type: "button", textContent: words});
    button.setAttribute("aria-label", label);
    button.addEventListener("click", act);
    row.append(button);
  }
  row.append(at);
  place.append(row);
  group.bar = {from, to, at};
};
const make = (figures, told) => {
  ride = {bands: [], ...told};
  const watcher = new IntersectionObserver(entries => {
    for (const {target, isIntersecting} of entries) {
      const panel = target.panel;
      panel.seen = isIntersecting;
      if (isIntersecting && panel.drawn !== panel.group.version) draw(panel);
    }
  }, {rootMargin: "250px"});
  for (const [key, figure] of Object.entries(figures)) {
    const group = groups[figure.group] = groups[figure.group] || {name: figure.group, panels: [], version: 1, cursor: null,
      unit: figure.group === "time" ? "s" : "m", range: null, whole: null};
    const place = document.getElementById(key), panel = {...figure, key, place, group, seen: false, drawn: 0};
    place.panel = panel;
    place.classList.add("strip");
    group.panels.push(panel);
    const ends = figure.range || panel.curves.flatMap(c => c.x.length ? [c.x[0], c.x[c.x.length - 1]] : []);
    group.whole = [Math.min(...ends, ...(group.whole || [])), Math.max(...ends, ...(group.whole || []))];
  }
  for (const group of Object.values(groups)) {
    if (!(group.whole[1] > group.whole[0])) group.whole = [group.whole[0] - 1, group.whole[0] + 1];
    group.range = group.whole.slice();
    const place = document.querySelector(`[data-view="${group.name}"]`);
    if (place) { place.hidden = false; bar(group, place); whole(group); }
    for (const panel of group.panels) { listen(panel); watcher.observe(panel.place); }
  }
  for (const link of document.querySelectorAll("a[data-from]"))
    link.addEventListener("click", event => { if (!groups.time) return; event.preventDefault(); go(link); });
  const plan = document.getElementById("plan");
  if (plan && ride.pose && groups.time) plan.addEventListener("click", event => {
    const {root, at} = Figures.shown.get(plan), bounds = root.getBoundingClientRect(), k = root.viewBox.baseVal.width / bounds.width;
    const px = (event.clientX - bounds.left) * k, py = (event.clientY - bounds.top) * k, {pose} = ride;
    let best = 900, found = -1;
    for (let i = 0; i < pose.t.length; i++) {
      const far = (at.x(pose.x[i]) - px) ** 2 + (at.y(pose.y[i]) - py) ** 2;
      if (far < best) { best = far; found = i; }
    }
    if (found >= 0) setCursor(groups.time, pose.t[found]);
  });
};
const printed = (width, narrow) => {
  for (const group of Object.values(groups)) {
    group.kept = group.range;
    group.range = group.whole;
    group.version++;
    for (const panel of group.panels) draw(panel, panel.place.closest(".strips") ? narrow : width, PRINTED);
  }
};
const restored = () => {
  for (const group of Object.values(groups)) {
    group.range = group.kept || group.whole;
    group.version++;
    for (const panel of group.panels) if (panel.seen) draw(panel);
  }
};
const resized = () => {
  for (const group of Object.values(groups)) {
    group.version++;
    for (const panel of group.panels) if (panel.seen) draw(panel);
  }
};
return {make, printed, restored, resized, groups, csv, setRange, setCursor};
})();
