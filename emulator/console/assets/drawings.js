// What is drawn on canvases: the line as a ribbon and from above, the bike from behind and from its side.

const INK = "#1c2430", SOFT = "#5a6573", BLUE = "#1b5fa8", WET = "#7fb2e5", BROWN = "#b35a00", RULE = "#c3cad3";

// A canvas's context, scaled so that one unit is one CSS pixel, cleared.
export function sheet(canvas) {
  const ratio = devicePixelRatio || 1, width = canvas.clientWidth, height = canvas.clientHeight;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const c = canvas.getContext("2d");
  c.setTransform(ratio, 0, 0, ratio, 0, 0);
  c.clearRect(0, 0, width, height);
  c.font = "14px system-ui, 'DejaVu Sans', sans-serif";
  return [c, width, height];
}

// Stretches and places of a ride by the way ridden since its start, laps one after the other [m].
export function alongRide(facts) {
  const {start_m: start, finish_m: finish, line} = facts;
  const laps = line.closed && line.length_m > 0 ? Math.ceil((finish - start) / line.length_m) : 1;
  const places = [];
  for (let lap = 0; lap < laps; lap++) {
    for (const patch of facts.patches) {
      const from = patch.from_m + lap * line.length_m;
      const length = (patch.to_m - patch.from_m + (line.closed ? line.length_m : 0)) % (line.length_m || Infinity);
      places.push({name: patch.name, at: from, to: from + length, kind: "patch"});
    }
  }
  for (const event of facts.events) {
    if (event.station_m === null || event.station_m === undefined) continue;
    const at = event.station_m + (event.lap - 1) * (line.closed ? line.length_m : 0);
    places.push({name: event.name, at, to: at, kind: event.kind});
  }
  return places.filter((p) => p.at <= finish && p.to >= start).sort((a, b) => a.at - b.at);
}

export function ribbon(canvas, facts, places, station) {
  const [c, width, height] = sheet(canvas), y = height * 0.52, left = 14, right = width - 14;
  const {start_m: start, finish_m: finish} = facts, span = Math.max(1, finish - start);
  const x = (s) => left + (right - left) * Math.min(1, Math.max(0, (s - start) / span));
  c.fillStyle = "#e6eaef";
  c.fillRect(left, y - 9, right - left, 18);
  if (station !== null) {
    c.fillStyle = "#a9c4e2";
    c.fillRect(left, y - 9, x(station) - left, 18);
  }
  let free = [-1e9, -1e9];
  for (const p of places) {
    c.fillStyle = p.kind === "patch" ? WET : BROWN;
    c.fillRect(x(p.at), y - 13, Math.max(4, x(p.to) - x(p.at)), 26);
    const words = c.measureText(p.name).width, row = x(p.at) > free[0] ? 0 : x(p.at) > free[1] ? 1 : -1;
    if (row < 0) continue;
    const at = Math.min(x(p.at), right - words);
    c.fillStyle = INK;
    c.fillText(p.name, at, row === 0 ? y - 20 : y + 30);
    free[row] = at + words + 10;
  }
  c.fillStyle = INK;
  c.fillRect(left, y - 15, 3, 30);
  c.fillRect(right - 3, y - 15, 3, 30);
  if (station === null) return;
  c.beginPath();
  c.moveTo(x(station) + 13, y);
  c.lineTo(x(station) - 11, y - 13);
  c.lineTo(x(station) - 11, y + 13);
  c.closePath();
  c.fill();
}

export class Plan {
  constructor(canvas, line) {
    this.canvas = canvas;
    this.line = line;
    const xs = line.x_m, ys = line.y_m;
    this.box = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  }

  draw(now) {
    const [c, width, height] = sheet(this.canvas), [x0, x1, y0, y1] = this.box, gap = 22;
    const scale = Math.min((width - 2 * gap) / Math.max(1, x1 - x0), (height - 2 * gap) / Math.max(1, y1 - y0));
    const px = (x) => width / 2 + (x - (x0 + x1) / 2) * scale, py = (y) => height / 2 - (y - (y0 + y1) / 2) * scale;
    c.strokeStyle = SOFT;
    c.lineWidth = 4;
    c.beginPath();
    this.line.x_m.forEach((x, i) => (i ? c.lineTo(px(x), py(this.line.y_m[i])) : c.moveTo(px(x), py(this.line.y_m[i]))));
    if (this.line.closed) c.closePath();
    c.stroke();
    if (now.estimate_x !== null && now.estimate_y !== null) {
      c.strokeStyle = BROWN;
      c.lineWidth = 3;
      c.beginPath();
      c.arc(px(now.estimate_x), py(now.estimate_y), 11, 0, 7);
      c.stroke();
    }
    if (now.x === null || now.y === null) return;
    c.save();
    c.translate(px(now.x), py(now.y));
    c.rotate(-(now.heading ?? 0));
    c.fillStyle = INK;
    c.beginPath();
    c.moveTo(13, 0);
    c.lineTo(-9, -8);
    c.lineTo(-9, 8);
    c.closePath();
    c.fill();
    c.restore();
  }
}

// From behind: a positive roll leans to the right, a positive steering angle turns the front wheel left.
export function behind(canvas, now) {
  const [c, width, height] = sheet(canvas), ground = height - 24, size = ground * 0.82;
  c.fillStyle = RULE;
  c.fillRect(0, ground, width, 3);
  c.save();
  c.translate(width / 2, ground);
  c.rotate(now.roll ?? 0);
  const part = (x, y, w, h, round, fill) => {
    c.fillStyle = fill;
    c.beginPath();
    c.roundRect(x * size, -(y + h) * size, w * size, h * size, round * size);
    c.fill();
  };
  part(-0.055, 0, 0.11, 0.5, 0.05, INK);
  part(-0.12, 0.36, 0.24, 0.3, 0.07, BLUE);
  part(-0.17, 0.62, 0.34, 0.1, 0.04, SOFT);
  part(-0.13, 0.68, 0.26, 0.27, 0.09, SOFT);
  const steer = now.steer ?? 0;
  c.save();
  c.translate(0, -0.74 * size);
  c.rotate(-steer * 0.6);
  c.fillStyle = INK;
  c.fillRect(-0.3 * size, -4, 0.6 * size, 8);
  c.restore();
  c.restore();
  c.fillStyle = INK;
  if (now.fallen) c.fillText("the bike is down", 8, 18);
  else if (now.support) c.fillText("held by the support", 8, 18);
}

export function side(canvas, now) {
  const [c, width, height] = sheet(canvas), ground = height - 16, size = Math.min(width / 2.6, ground / 1.05);
  c.fillStyle = RULE;
  c.fillRect(0, ground, width, 3);
  c.save();
  c.translate(width / 2 + 0.7 * size, ground);
  c.rotate(-(now.pitch ?? 0)); // drawn riding to the left, and nose down is positive
  const wheel = (x, squeeze) => {
    c.strokeStyle = INK;
    c.lineWidth = 7;
    c.beginPath();
    c.ellipse(x, -0.3 * size, 0.27 * size * squeeze, 0.27 * size, 0, 0, 7);
    c.stroke();
  };
  wheel(0, 1);
  wheel(-1.4 * size, Math.max(0.55, Math.cos(3 * (now.steer ?? 0))));
  c.strokeStyle = SOFT;
  c.lineWidth = 9;
  c.lineCap = "round";
  c.beginPath();
  c.moveTo(0, -0.3 * size);
  c.lineTo(-0.55 * size, -0.42 * size);
  c.moveTo(-1.4 * size, -0.3 * size);
  c.lineTo(-1.1 * size, -0.82 * size);
  c.stroke();
  c.fillStyle = BLUE;
  c.beginPath();
  c.moveTo(0.1 * size, -0.78 * size);
  c.lineTo(-0.55 * size, -0.68 * size);
  c.lineTo(-1.18 * size, -0.86 * size);
  c.lineTo(-0.95 * size, -0.36 * size);
  c.lineTo(-0.42 * size, -0.32 * size);
  c.closePath();
  c.fill();
  c.restore();
}

// One signal over the last seconds; a value that is no number is a gap.
export class Strip {
  static SECONDS = 20;

  constructor(canvas, shown) {
    this.canvas = canvas;
    this.shown = shown;
    this.times = [];
    this.values = [];
  }

  add(times, values) {
    this.times.push(...times);
    this.values.push(...values);
    const from = this.times.findIndex((t) => t >= this.times[this.times.length - 1] - Strip.SECONDS);
    this.times.splice(0, from);
    this.values.splice(0, from);
  }

  draw() {
    const [c, width, height] = sheet(this.canvas), end = this.times[this.times.length - 1];
    const numbers = this.values.filter((v) => v !== null);
    if (!numbers.length) return;
    let low = Math.min(...numbers), high = Math.max(...numbers);
    if (high - low < 1e-9) [low, high] = [low - 0.5, high + 0.5];
    const x = (t) => width * (1 - (end - t) / Strip.SECONDS), y = (v) => height - 6 - ((v - low) / (high - low)) * (height - 12);
    c.strokeStyle = BLUE;
    c.lineWidth = 1.6;
    c.beginPath();
    let drawing = false, before = -Infinity;
    this.times.forEach((t, i) => {
      const v = this.values[i];
      if (v === null) drawing = false;
      else if (drawing && t - before < 0.06) c.lineTo(x(t), y(v));
      else {
        c.moveTo(x(t), y(v));
        drawing = true;
      }
      before = t;
    });
    c.stroke();
    this.shown.textContent = `${short(numbers[numbers.length - 1])}  (${short(low)} to ${short(high)} in ${Strip.SECONDS} s)`;
  }
}

export const short = (value) => (Math.abs(value) >= 1000 ? value.toFixed(0) : Math.abs(value) >= 10 ? value.toFixed(1) : value.toFixed(3));
