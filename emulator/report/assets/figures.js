// Figures as SVG, drawn from what a page carries beside them (emulator.report.figures.drawing says what a figure
// holds). One that shows a time or a station (kind "strip") is drawn by strips.js with the same means.
const Figures = (() => {
const DASHES = {dash: "7 4", dot: "2 3", dashdot: "8 3 2 3", longdash: "13 4", longdashdot: "13 3 2 3"};
const FONT = 12, LETTER = 6.7; // [px]; the width of a letter is a guess, on the safe side
const svg = "http://www.w3.org/2000/svg";

const node = (name, attributes, parent, text) => {
  const made = document.createElementNS(svg, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  if (parent) parent.append(made);
  return made;
};

// -- numbers ------------------------------------------------------------------------------------------------

// All columns are one stream of bytes, deflated: of each number its difference from the one before in steps,
// folded to a whole number above 0, seven bits a byte; 0 is a number that is not there.
const unpack = (bytes, sizes) => {
  let at = 0;
  return sizes.map(([count, step]) => {
    const values = new Float64Array(count), digits = Math.max(0, Math.ceil(-Math.log10(step) - 1e-9));
    // divided where the step is a whole part of one: 3 * 0.1 is not 0.3
    const by = step < 1 ? Math.round(1 / step) : 0;
    let sum = 0;
    for (let i = 0; i < count; i++) {
      let code = 0, scale = 1, byte;
      do { byte = bytes[at++]; code += (byte & 127) * scale; scale *= 128; } while (byte > 127);
      if (!code) { values[i] = NaN; continue; }
      const folded = code - 1;
      sum += folded % 2 ? -(folded + 1) / 2 : folded / 2;
      values[i] = by ? sum / by : sum * step;
    }
    values.digits = digits;
    return values;
  });
};
const inflated = async text => {
  const packed = Uint8Array.from(atob(text), letter => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
};
// Columns stand in figures as {column: number}; they are put where they are meant.
const filled = (item, columns) => {
  if (Array.isArray(item)) return item.map(part => filled(part, columns));
  if (item === null || typeof item !== "object") return item;
  if (item.column !== undefined) return columns[item.column];
  return Object.fromEntries(Object.entries(item).map(([key, part]) => [key, filled(part, columns)]));
};
const load = async () => {
  const payload = document.getElementById("figures");
  if (!payload) return {figures: {}};
  const {columns, ...rest} = JSON.parse(payload.textContent);
  const bytes = columns.length ? await inflated(document.getElementById("numbers").textContent.trim()) : [];
  return filled(rest, unpack(bytes, columns));
};

// -- scales -------------------------------------------------------------------------------------------------

const scale = (low, high, from, to, log) => {
  const place = log ? v => Math.log10(v) : v => v;
  const a = place(low), b = place(high), per = (to - from) / (b - a || 1);
  const at = v => from + (place(v) - a) * per;
  at.back = px => { const v = a + (px - from) / per; return log ? 10 ** v : v; };
  Object.assign(at, {low, high, from, to, log});
  return at;
};
const nice = step => {
  const decade = 10 ** Math.floor(Math.log10(step)), rest = step / decade;
  return (rest > 5 ? 10 : rest > 2 ? 5 : rest > 1 ? 2 : 1) * decade;
};
const ticks = (axis, at, most) => {
  if (axis.ticks) return axis.ticks.filter(([v]) => v >= at.low && v <= at.high);
  const out = [];
  if (at.log) {
    const first = Math.ceil(Math.log10(at.low) - 1e-9), last = Math.floor(Math.log10(at.high) + 1e-9);
    const every = Math.max(1, Math.ceil((last - first + 1) / most));
    for (let k = first; k <= last; k += every) out.push([10 ** k, k < -3 || k > 4 ? `1e${k}` : String(10 ** k)]);
    if (out.length > 1) return out;
    out.length = 0;
  }
  let step = nice((at.high - at.low) / most);
  if (axis.whole) step = Math.max(1, Math.round(step));
  const digits = Math.max(0, Math.ceil(-Math.log10(step) - 1e-9));
  for (let k = Math.ceil(at.low / step - 1e-9); k * step <= at.high + step * 1e-9; k++)
    out.push([k * step, (k * step).toFixed(digits).replace(/^-(0(?:\.0*)?)$/, "$1")]);
  return out;
};
const reach = (axis, columns, share) => {
  if (axis.range) return axis.range.slice();
  let low = Infinity, high = -Infinity;
  for (const values of columns) for (const v of values)
    if (Number.isFinite(v) && (!axis.log || v > 0)) { if (v < low) low = v; if (v > high) high = v; }
  if (!(low <= high)) return axis.log ? [1, 10] : [0, 1];
  if (axis.zero) { low = Math.min(low, 0); high = Math.max(high, 0); }
  if (axis.log) return [low / 1.3, high * 1.3];
  const span = high - low || Math.abs(high) || 1;
  return [axis.zero && low === 0 ? 0 : low - share * span, axis.zero && high === 0 ? 0 : high + share * span];
};

// -- parts --------------------------------------------------------------------------------------------------

const frame = (root, box, xAxis, yAxis, at) => {
  const grid = node("g", {class: "grid"}, root), words = node("g", {class: "ticks"}, root);
  const xs = ticks(xAxis, at.x, Math.max(2, Math.floor(box.width / 80)));
  for (const [v, text] of xs) {
    const x = at.x(v).toFixed(1);
    node("path", {d: `M${x} ${box.top}V${box.bottom}`}, grid);
    if (!box.bare) node("text", {x, y: box.bottom + 15, "text-anchor": "middle"}, words, text);
  }
  for (const [v, text] of ticks(yAxis, at.y, Math.max(2, Math.floor(box.height / 26)))) {
    const y = at.y(v);
    node("path", {d: `M${box.left} ${y.toFixed(1)}H${box.right}`}, grid);
    node("text", {x: box.left - 6, y: (y + 4).toFixed(1), "text-anchor": "end"}, words, text);
  }
  node("rect", {class: "frame", x: box.left, y: box.top, width: box.width, height: box.height}, root);
  if (xAxis.title && !box.bare)
    node("text", {class: "title", x: box.left + box.width / 2, y: box.bottom + 32, "text-anchor": "middle"},
      root, xAxis.title);
  if (yAxis.title && box.titled !== false)
    node("text", {class: "title", transform: `translate(13 ${box.top + box.height / 2}) rotate(-90)`,
      "text-anchor": "middle"}, root, yAxis.title);
};
const SYMBOLS = {
  circle: r => `M${-r} 0a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0`,
  square: r => `M${-r} ${-r}H${r}V${r}H${-r}Z`,
  diamond: r => `M0 ${-1.3 * r}L${1.3 * r} 0L0 ${1.3 * r}L${-1.3 * r} 0Z`,
  triangle: r => `M0 ${1.2 * r}L${-1.2 * r} ${-r}H${1.2 * r}Z`,
  cross: r => `M${-r} ${-r}L${r} ${r}M${-r} ${r}L${r} ${-r}`,
  bar: r => `M0 ${-1.4 * r}V${1.4 * r}`,
  star: r => `M0 ${-1.4 * r}V${1.4 * r}M${-1.2 * r} ${-.7 * r}L${1.2 * r} ${.7 * r}M${1.2 * r} ${-.7 * r}L${-1.2 * r} ${.7 * r}`,
};
const symbol = name => SYMBOLS[name.replace("-open", "")];
const painted = (name, colour) => name.endsWith("-open") || ["cross", "bar", "star"].includes(name)
  ? {fill: "none", stroke: colour, "stroke-width": 2} : {fill: colour};
let patterns = 0;
const hatch = (root, kind, colour) => {
  const id = `hatch-${patterns++}`, size = 7;
  const made = node("pattern", {id, width: size, height: size, patternUnits: "userSpaceOnUse"}, root);
  node("rect", {width: size, height: size, fill: colour, "fill-opacity": kind ? .35 : .85}, made);
  const d = {"/": "M-1 1L1 -1M0 7L7 0M6 8L8 6", "\\": "M-1 6L1 8M0 0L7 7M6 -1L8 1", x: "M0 0L7 7M0 7L7 0",
    "-": "M0 3.5H7", "+": "M0 3.5H7M3.5 0V7", ".": "M2 3.5h3"}[kind];
  if (d) node("path", {d, stroke: colour, "stroke-width": 1.4, fill: "none"}, made);
  return `url(#${id})`;
};
// A line through points, broken where a number is missing; of many more points than pixels, at rising x, of each
// pixel the first, the lowest, the highest and the last.
const line = (x, y, at, first, last, {steps = false, rising = false} = {}) => {
  let d = "", open = false;
  const point = (px, py) => {
    if (!open) d += `M${px.toFixed(1)} ${py.toFixed(1)}`;
    else if (steps) d += `H${px.toFixed(1)}V${py.toFixed(1)}`;
    else d += `L${px.toFixed(1)} ${py.toFixed(1)}`;
    open = true;
  };
  const thin = rising && last - first > 4 * (at.x.to - at.x.from);
  for (let i = first; i < last; i++) {
    if (!Number.isFinite(y[i]) || !Number.isFinite(x[i])) {
      // a step holds until the number is missing
      if (open && steps && Number.isFinite(x[i])) d += `H${at.x(x[i]).toFixed(1)}`;
      open = false;
      continue;
    }
    if (!thin) { point(at.x(x[i]), at.y(y[i])); continue; }
    const column = Math.floor(at.x(x[i]));
    let low = i, high = i, end = i;
    while (end + 1 < last && Number.isFinite(y[end + 1]) && Math.floor(at.x(x[end + 1])) === column) {
      end++;
      if (y[end] < y[low]) low = end;
      if (y[end] > y[high]) high = end;
    }
    for (const k of [...new Set([i, Math.min(low, high), Math.max(low, high), end])]) point(at.x(x[k]), at.y(y[k]));
    i = end;
  }
  return d;
};
// Words beside points, each where it lies on no other.
const labels = (root, wanted, box) => {
  const taken = [];
  for (const {x, y, text, colour} of wanted) {
    const width = text.length * LETTER, away = 9;
    const places = [[away, -away], [away, away + 6], [-away - width, -away], [-away - width, away + 6],
      [-width / 2, -away - 6], [-width / 2, 2 * away + 6], [away + 14, -away - 16], [-away - 14 - width, -away - 16],
      [away + 14, away + 22], [-away - 14 - width, away + 22]];
    const fits = ([dx, dy]) => {
      const here = [x + dx, y + dy - FONT, x + dx + width, y + dy + 2];
      if (here[0] < box.left - 4 || here[2] > box.right + 4 || here[1] < box.top - 2 || here[3] > box.bottom + 2) return null;
      return taken.some(t => here[0] < t[2] && here[2] > t[0] && here[1] < t[3] && here[3] > t[1]) ? null : here;
    };
    const found = places.find(fits);
    if (!found) continue;
    taken.push(fits(found));
    if (Math.abs(found[1]) > 20) node("path", {class: "leader", d: `M${x} ${y}l${found[0] * .7} ${found[1] * .7}`}, root);
    node("text", {x: (x + found[0]).toFixed(1), y: (y + found[1]).toFixed(1), style: `fill:${colour}`, class: "label"}, root, text);
  }
};
const sample = (curve, root) => {
  const made = node("svg", {width: 30, height: 14, "aria-hidden": "true"}, root);
  if (curve.fill || curve.bar !== undefined)
    node("rect", {x: 1, y: 2, width: 28, height: 10, fill: hatch(made, curve.hatch, curve.colour), stroke: curve.colour}, made);
  else if (curve.dash)
    node("path", {d: "M0 7H30", stroke: curve.colour, "stroke-width": Math.min(curve.width || 1.6, 3), fill: "none",
      "stroke-dasharray": DASHES[curve.dash] || ""}, made);
  if (curve.symbol)
    node("path", {d: symbol(curve.symbol)(4), transform: "translate(15 7)", ...painted(curve.symbol, curve.colour)}, made);
  return made;
};
const legend = (place, entries) => {
  const list = document.createElement("ul");
  list.className = "legend";
  const outputs = entries.map(entry => {
    if (!entry.name) return document.createElement("output"); // the other side of one that is named
    const item = document.createElement("li");
    sample(entry, item);
    item.append(` ${entry.name} `);
    const value = document.createElement("output");
    item.append(value);
    list.append(item);
    return value;
  });
  place.append(list);
  return outputs;
};
const told = (value, digits) => Number.isFinite(value) ? value.toFixed(Math.min(digits ?? 3, 6)) : "–";

// -- a figure with two axes, or rows of bars ----------------------------------------------------------------

const shown = new WeakMap(); // place -> {figure, view, home}

const draw = (place, width) => {
  const state = shown.get(place), {figure} = state;
  place.replaceChildren();
  width = Math.max(width || place.clientWidth, 200);
  const curves = figure.curves || [], bars = figure.bars || [], rows = figure.rows;
  const entries = [...curves, ...bars].filter(c => c.name && c.legend !== false);
  if (entries.length > 1 || figure.legend) legend(place, entries);
  const xAxis = figure.x, yAxis = figure.y || {};
  const longest = rows ? Math.max(...rows.map(r => r.length)) * LETTER + 12 : 0, above = longest > .42 * width;
  const left = rows ? (above ? 8 : longest) : yAxis.title ? 72 : 50, right = width - 14;
  const rowHeight = rows ? (figure.rowHeight || 24) + (above ? 14 : 0) : 0;
  let height = rows ? rows.length * rowHeight : figure.height - 56;
  const view = state.view || (state.view = {
    x: reach(xAxis, curves.map(c => c.x), .04), y: rows ? [rows.length, 0] : reach(yAxis, curves.map(c => c.y), .06)});
  if (bars.length && !xAxis.range && !state.home) {
    const sums = rows.map((_, i) => bars.reduce((most, b) => figure.stack ? most + (b.values[i] || 0) : Math.max(most, b.values[i] || 0), 0));
    view.x = [0, 1.05 * Math.max(...sums, ...curves.flatMap(c => [...c.x]).filter(Number.isFinite), 1e-9)];
  }
  state.home = state.home || {x: view.x.slice(), y: view.y.slice()};
  if (figure.equal) {
    const aspect = figure.aspect || 1;
    height = Math.min(Math.max((right - left) * aspect, 170), figure.height || 560);
  }
  const box = {left, right, top: 8, bottom: 8 + height, width: right - left, height};
  let [x0, x1] = view.x, [y0, y1] = view.y;
  if (figure.equal) { // the same metres a pixel both ways
    const per = Math.max(Math.abs(x1 - x0) / box.width, Math.abs(y1 - y0) / box.height);
    const grow = (a, b, px) => { const mid = (a + b) / 2, half = Math.sign(b - a) * per * px / 2; return [mid - half, mid + half]; };
    [x0, x1] = grow(x0, x1, box.width);
    [y0, y1] = grow(y0, y1, box.height);
  }
  const at = {x: scale(x0, x1, box.left, box.right, xAxis.log), y: scale(y0, y1, box.bottom, box.top, yAxis.log)};
  if (rows) at.y = scale(0, rows.length, box.top, box.bottom);
  // ticks and clipping ask for rising ends
  const rising = a => Object.assign(v => a(v), a, {low: Math.min(a.low, a.high), high: Math.max(a.low, a.high)});
  const total = box.bottom + (xAxis.title ? 42 : 24);
  const root = node("svg", {viewBox: `0 0 ${width} ${total}`, class: "drawn", "aria-hidden": "true"}, place);
  const clip = `clip-${patterns++}`;
  node("rect", {x: box.left, y: box.top, width: box.width, height: box.height}, node("clipPath", {id: clip}, root));
  frame(root, box, xAxis, rows ? {ticks: []} : yAxis, {x: rising(at.x), y: rising(at.y)});
  const inside = node("g", {"clip-path": `url(#${clip})`}, root);
  for (const area of figure.areas || []) {
    const ax = area.x ? area.x.map(at.x) : [box.left, box.right], ay = area.y ? area.y.map(at.y) : [box.top, box.bottom];
    const [l, r, t, b] = [Math.min(...ax), Math.max(...ax), Math.min(...ay), Math.max(...ay)];
    node("rect", {class: `area ${area.tone || ""}`, x: l, y: Math.max(t, box.top - 1e4), width: r - l,
      height: Math.min(b, box.bottom + 1e4) - Math.max(t, box.top - 1e4)}, inside);
    if (area.text) node("text", {class: `label ${area.tone || ""}`, x: box.right - 6, y: Math.max(Math.min(b, box.bottom) - 6, box.top + 14),
      "text-anchor": "end"}, root, area.text);
  }
  if (rows) rows.forEach((name, i) => node("text", {class: "row", x: above ? 8 : left - 6,
    y: above ? box.top + i * rowHeight + 12 : box.top + (i + .5) * rowHeight + 4, "text-anchor": above ? "start" : "end"}, root, name));
  const ends = new Array(rows ? rows.length : 0).fill(0);
  for (const bar of bars) {
    const fill = hatch(root, bar.hatch, bar.colour);
    bar.values.forEach((value, i) => {
      if (value === null || !(value > 0)) return;
      const from = figure.stack ? ends[i] : 0;
      ends[i] = from + value;
      const l = at.x(from), r = at.x(from + value), top = box.top + i * rowHeight + (above ? 15 : 3), tall = rowHeight - (above ? 18 : 6);
      const made = node("rect", {x: l, y: top, width: Math.max(r - l, .5), height: tall, fill, stroke: bar.colour}, inside);
      node("title", {}, made, bar.tips ? bar.tips[i] : `${bar.name}: ${value}`);
      const words = bar.texts && bar.texts[i];
      if (words && words.length * LETTER < r - l - 8) {
        node("rect", {x: (l + r - words.length * LETTER) / 2 - 3, y: top + tall / 2 - 8, width: words.length * LETTER + 6, height: 16, class: "ground"}, inside);
        node("text", {x: (l + r) / 2, y: top + tall / 2 + 4, "text-anchor": "middle", class: "row"}, inside, words);
      }
    });
  }
  const words = [];
  for (const curve of curves) {
    const ys = rows ? Array.from(curve.y, v => v) : curve.y;
    const d = curve.dash ? line(curve.x, ys, at, 0, curve.x.length, curve) : "";
    if (curve.fill) {
      const floor = curve.fill === "floor" && d ? `V${at.y(curve.floor ?? at.y.low).toFixed(1)}H${at.x(curve.x[0]).toFixed(1)}Z` : "";
      const shape = d || line(curve.x, ys, at, 0, curve.x.length);
      const made = node("path", {d: shape + floor, fill: hatch(root, curve.hatch, curve.colour), "fill-opacity": .55,
        stroke: curve.fill === "self" ? curve.colour : "none", "stroke-width": curve.width || 0, "stroke-opacity": .5}, inside);
      if (curve.tip) node("title", {}, made, curve.tip);
    }
    if (curve.dash && d) node("path", {d, fill: "none", stroke: curve.colour, "stroke-width": curve.width || 1.8,
      "stroke-opacity": curve.opacity || 1, "stroke-dasharray": DASHES[curve.dash] || "", "stroke-linejoin": "round"}, inside);
    if (curve.symbol) {
      const every = curve.every || 1, shape = symbol(curve.symbol)((curve.size || 8) / 2);
      const small = (curve.size || 8) <= 4 && !curve.texts;
      let all = "";
      for (let i = 0; i < curve.x.length; i += every) {
        if (!Number.isFinite(curve.x[i]) || !Number.isFinite(curve.y[i])) continue;
        const px = at.x(curve.x[i]), py = at.y(curve.y[i]);
        if (px < box.left - 1 || px > box.right + 1 || py < box.top - 1 || py > box.bottom + 1) continue;
        if (small) { const r = curve.size / 2; all += `M${(px - r).toFixed(1)} ${py.toFixed(1)}h${curve.size}`; continue; }
        node("path", {d: shape, transform: `translate(${px.toFixed(1)} ${py.toFixed(1)})`, ...painted(curve.symbol, curve.colour)}, root);
        if (curve.texts && curve.texts[i]) words.push({x: px, y: py, text: curve.texts[i], colour: curve.colour});
      }
      if (small) node("path", {d: all, stroke: curve.colour, "stroke-width": curve.size, fill: "none"}, inside);
    }
  }
  labels(root, words, box);
  Object.assign(state, {root, box, at, inside});
  hover(place, state);
  if (state.after) state.after(state);
};

// What is nearest to the pointer is told at the figure's foot.
const hover = (place, state) => {
  const {figure, at, box, root} = state;
  const named = (figure.curves || []).filter(c => !c.quiet && (!figure.rows || c.tips));
  if (!named.length) return;
  const tip = node("text", {class: "tip", x: box.right - 4, y: box.top + 14, "text-anchor": "end"}, root);
  const ring = node("circle", {class: "ring", r: 5, visibility: "hidden"}, root);
  root.addEventListener("pointermove", move => {
    const bounds = root.getBoundingClientRect(), k = root.viewBox.baseVal.width / bounds.width;
    const px = (move.clientX - bounds.left) * k, py = (move.clientY - bounds.top) * k;
    let best = 18 * 18, found = null;
    for (const curve of named) for (let i = 0; i < curve.x.length; i++) {
      if (!Number.isFinite(curve.x[i]) || !Number.isFinite(curve.y[i])) continue;
      const dx = at.x(curve.x[i]) - px, dy = at.y(curve.y[i]) - py, far = dx * dx + dy * dy;
      if (far < best) { best = far; found = [curve, i]; }
    }
    ring.setAttribute("visibility", found ? "visible" : "hidden");
    if (!found) { tip.textContent = ""; return; }
    const [curve, i] = found, x = curve.x[i], y = curve.y[i];
    ring.setAttribute("cx", at.x(x)); ring.setAttribute("cy", at.y(y));
    tip.textContent = curve.tips ? curve.tips[i] : `${curve.name}: ${told(x, curve.x.digits)}, ${told(y, curve.y.digits)}`
      + (curve.texts && curve.texts[i] ? `, ${curve.texts[i]}` : "");
  });
};

// -- looking closer -----------------------------------------------------------------------------------------

const closer = (place, factor, fx = .5, fy = .5) => {
  const {view, figure} = shown.get(place);
  for (const [key, share] of [["x", fx], ["y", fy]]) {
    const axis = figure[key] || {}, log = axis.log, to = log ? Math.log10 : v => v, back = log ? v => 10 ** v : v => v;
    const [a, b] = view[key].map(to), mid = a + share * (b - a);
    view[key] = [back(mid - share * factor * (b - a)), back(mid + (1 - share) * factor * (b - a))];
  }
  draw(place);
};
const steer = (place, press) => {
  const state = shown.get(place);
  if (press.target !== place || press.ctrlKey || press.altKey || press.metaKey || state.figure.rows) return;
  const by = {ArrowLeft: [-.2, 0], ArrowRight: [.2, 0], ArrowUp: [0, .2], ArrowDown: [0, -.2]}[press.key];
  if (press.key === "Home") { state.view = {x: state.home.x.slice(), y: state.home.y.slice()}; draw(place); }
  else if (press.key === "+" || press.key === "=") closer(place, .5);
  else if (press.key === "-") closer(place, 2);
  else if (by && !state.figure.x.log && !(state.figure.y || {}).log) {
    for (const [i, key] of ["x", "y"].entries()) {
      const move = by[i] * (state.view[key][1] - state.view[key][0]);
      state.view[key] = state.view[key].map(v => v + move);
    }
    draw(place);
  } else return;
  press.preventDefault();
};
const buttons = (place, made) => {
  const row = document.createElement("p");
  row.className = "tools screen";
  for (const [words, label, act] of made) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = words;
    button.setAttribute("aria-label", label);
    button.addEventListener("click", act);
    row.append(button);
  }
  place.after(row);
  return row;
};
const add = (place, figure) => {
  shown.set(place, {figure});
  draw(place);
  if (figure.rows) return;
  place.addEventListener("keydown", press => steer(place, press));
  if (figure.zoom) buttons(place, [["+", "look closer", () => closer(place, .5)], ["−", "look from further away", () => closer(place, 2)],
    ["all", "show all of it", () => { const s = shown.get(place); s.view = {x: s.home.x.slice(), y: s.home.y.slice()}; draw(place); }]]);
  if (figure.zoom) place.addEventListener("dblclick", click => {
    const {box, root} = shown.get(place), bounds = root.getBoundingClientRect(), k = root.viewBox.baseVal.width / bounds.width;
    closer(place, .5, ((click.clientX - bounds.left) * k - box.left) / box.width, 1 - ((click.clientY - bounds.top) * k - box.top) / box.height);
  });
};
return {DASHES, LETTER, node, load, scale, nice, ticks, reach, frame, line, labels, legend, buttons, told, add, draw, shown, hatch, symbol, painted};
})();
