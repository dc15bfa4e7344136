// The live page: takes looks from the stream as they come and shows the newest one. It keeps no history but strips.

import {alongRide, behind, Plan, ribbon, side, Strip} from "./drawings.js";
import {Operator, stopRide} from "./operator.js";
import {healthWords, nextWords, operatorWords, stateWords} from "./words.js";

const SILENCE_MS = 1500, MOST_LINES = 200, MOST_SIGNALS = 8;
const at = (id) => document.getElementById(id);
const made = (tag, text = "", parts = []) => {
  const element = document.createElement(tag);
  element.textContent = text;
  element.append(...parts);
  return element;
};
const say = (element, text) => {
  if (element.textContent !== text) element.textContent = text;
};

const facts = await (await fetch("/ride")).json();
const places = alongRide(facts), plan = new Plan(at("plan"), facts.line), strips = new Map();
let now = null, last = 0, lost = false, stream = null, drawn = null;

// --- bars ---------------------------------------------------------------------------------------------------

// One bar: words, a track whose full width is ``full``, the value now, the worst so far, and a promise.
class Bar {
  constructor(list, title) {
    this.title = made("span", title);
    this.words = made("b", "–");
    this.fill = document.createElement("i");
    this.worst = document.createElement("u");
    this.promise = document.createElement("s");
    const track = made("div", "", [this.fill, this.promise, this.worst]);
    track.className = "track";
    const words = made("div", "", [this.title, this.words]);
    words.className = "words";
    this.item = made("li", "", [words, track]);
    list.append(this.item);
  }

  show(words, value, worst, promise, over) {
    const share = (v) => Math.max(0, Math.min(1, v ?? 0));
    say(this.words, words);
    this.fill.style.transform = `scaleX(${share(value)})`;
    this.worst.hidden = worst === null;
    this.worst.style.left = `${100 * share(worst)}%`;
    this.promise.hidden = promise === null;
    this.promise.style.left = `${100 * share(promise)}%`;
    this.item.classList.toggle("over", over);
  }
}

const margins = facts.criteria.map((one) => {
  if (one.live) return new Bar(at("margins"), `${one.title}, limit ${one.limit}`);
  const item = made("li", `${one.title}: judged after the ride`);
  item.className = "later";
  at("margins").append(item);
  return null;
});
const outputs = facts.outputs.filter((o) => o.can_id !== null).map((o) => [o, new Bar(at("outputs"), o.name)]);
const commands = facts.commands.map((o) => [o, new Bar(at("commands"), o.name)]);

function showBars() {
  now.margins.forEach((margin, i) => {
    if (!margin || !margins[i]) return;
    const [share, worst, place] = margin, percent = (v) => `${(100 * v).toFixed(0)} %`;
    const words = worst === null ? "not yet" : `${share === null ? "–" : percent(share)}, at most ${percent(worst)} at ${place?.toFixed(0) ?? "?"} m`;
    margins[i].show(words, share, worst, null, (worst ?? 0) > 1);
  });
  for (const [promised, bar] of outputs) {
    const seen = now.sent.find((row) => row[0] === promised.can_id), full = 2 * (promised.latency_ms + 3 * promised.jitter_ms) + 2;
    if (!seen) bar.show("nothing sent", null, null, promised.latency_ms / full, false);
    else {
      const [, , rate, age, worst] = seen, allowed = promised.latency_ms + facts.hole_ms;
      const words = `${worst === null ? "–" : worst.toFixed(1)} of ${promised.latency_ms} ms · ${rate.toFixed(0)}/s`;
      bar.show(words, (age ?? 0) / full, worst === null ? null : worst / full, promised.latency_ms / full, (worst ?? 0) > allowed);
    }
  }
  for (const [expected, bar] of commands) {
    const seen = now.received.find((row) => row[0] === expected.can_id), full = expected.timeout_ms ?? 20 * expected.period_ms;
    if (!seen) bar.show("never heard", 1, null, null, now.state === "running");
    else bar.show(`${seen[3].toFixed(0)} of ${full} ms · ${seen[2].toFixed(0)}/s`, seen[3] / full, null, expected.period_ms / full, now.state === "running" && seen[3] > full);
  }
}

// --- events, log, bus ---------------------------------------------------------------------------------------

const operator = new Operator((mine) => {
  for (const id of ["leave", "mark", "acknowledge"]) at(id).hidden = !mine;
  at("operator").querySelector("button[type=submit]").hidden = mine;
  at("token").hidden = mine;
  at("operator").querySelector("label").hidden = mine;
  at("token").value = "";
  for (const button of document.querySelectorAll(".events button")) button.disabled = !mine;
});

const told = (answer, done) => say(at("operator-says"), answer.done ? done : answer.why);

const eventItems = facts.events.map((event) => {
  const item = made("li", event.name, [made("small", `${event.kind}, ${event.when}`)]);
  if (event.on_request && !facts.played) {
    for (const word of ["start", "end"]) {
      const button = made("button", word === "start" ? "Start" : "End");
      button.type = "button";
      button.disabled = true;
      button.setAttribute("aria-label", `${word} ${event.name}`);
      button.addEventListener("click", async () => told(await operator.ask(`${word} ${event.name}`), `${word}: ${event.name}`));
      item.append(button);
    }
  }
  at("events").append(item);
  return item;
});
if (!facts.events.length) at("events").append(made("li", "none in this scenario"));
if (facts.played) at("operate").hidden = true;

function showLog(events) {
  for (const event of events) {
    const time = made("time", event.time_s === null ? "before" : `${event.time_s.toFixed(2)} s`);
    at("log").prepend(made("li", "", [time, ` ${event.text || event.kind}`]));
  }
  while (at("log").childElementCount > MOST_LINES) at("log").lastElementChild.remove();
}

const names = new Map([...facts.outputs, ...facts.commands].map((frame) => [frame.can_id, frame.name]));
const busRows = new Map();

function showBus() {
  for (const [way, rows] of [["sent", now.sent], ["received", now.received]]) {
    for (const [id, count, rate, age, oldest] of rows) {
      const key = `${way} ${id}`;
      if (!busRows.has(key)) {
        const row = made("tr", "", [made("td", names.get(id) ?? `0x${(id & 0x1fffffff).toString(16)}`), made("td", way), ...[0, 0, 0, 0].map(() => made("td"))]);
        for (const cell of [...row.children].slice(2)) cell.className = "num";
        at("bus").tBodies[0].append(row);
        busRows.set(key, row);
      }
      const cells = busRows.get(key).children;
      [count, rate.toFixed(0), age === null ? "–" : `${age.toFixed(1)} ms`, oldest === undefined || oldest === null ? "–" : `${oldest.toFixed(1)} ms`].forEach((text, i) => say(cells[i + 2], `${text}`));
    }
  }
}

// --- the newest look ----------------------------------------------------------------------------------------

function show() {
  const [key, word, words] = stateWords(now, facts.played);
  at("state").dataset.state = key;
  say(at("state-word"), word);
  say(at("state-says"), words);
  document.title = `${word} · ${facts.scenario}`;
  say(at("speed"), now.speed === null ? "–" : (now.speed * 3.6).toFixed(0).replace(/^-0$/, "0"));
  say(at("target"), now.target === null ? "" : `of ${(now.target * 3.6).toFixed(0)} wanted here`);
  say(at("lean"), now.roll === null ? "–" : `${Math.abs((now.roll * 180) / Math.PI).toFixed(0)}°`);
  say(at("lean-side"), now.roll === null || Math.abs(now.roll) < 0.01 ? "upright" : now.roll > 0 ? "to the right" : "to the left");
  say(at("time"), now.time_s === null || now.time_s < 0 ? "–" : `${now.time_s.toFixed(1)} s`);
  say(at("lap"), now.gear === null ? "" : `gear ${now.gear}, ${now.station === null ? "?" : now.station.toFixed(0)} m`);
  say(at("next"), nextWords(places, now.station, facts.finish_m) || " ");
  say(at("health"), facts.played ? "" : healthWords(now)); // a record is shown by no loop
  say(at("operating"), operatorWords(now.operator, Boolean(operator.seat)));
  at("operator").hidden = !now.operator.opened;
  at("acknowledge").disabled = now.state !== "tripped" || now.acknowledged;
  at("stop").disabled = facts.played || now.loop.state !== "cycling";
  eventItems.forEach((item, i) => item.classList.toggle("active", Boolean(Math.floor(now.active / 2 ** i) % 2)));
  showBars();
  showBus();
}

function draw() {
  if (now !== null && drawn !== now) {
    drawn = now;
    ribbon(at("ribbon"), facts, places, now.station);
    plan.draw(now);
    behind(at("behind"), now);
    side(at("side"), now);
    for (const strip of strips.values()) strip.draw();
  }
  requestAnimationFrame(draw);
}

function showLost() {
  if (lost || now?.supervisor === "left" || performance.now() - last < SILENCE_MS) return;
  lost = true;
  at("state").dataset.state = "lost";
  say(at("state-word"), "NO CONNECTION");
  say(at("state-says"), `The bench's service has not answered since ${new Date().toLocaleTimeString()}. What stands below is old: look at the bench.`);
  document.title = `NO CONNECTION · ${facts.scenario}`;
  at("stop").disabled = true;
}

function listen() {
  stream?.close();
  const followed = [...strips.keys()].map(encodeURIComponent).join(",");
  stream = new EventSource(followed ? `/stream?signals=${followed}` : "/stream");
  stream.addEventListener("now", (message) => {
    now = JSON.parse(message.data);
    last = performance.now();
    lost = false;
    show();
  });
  stream.addEventListener("events", (message) => showLog(JSON.parse(message.data)));
  stream.addEventListener("strips", (message) => {
    const {time_s: times, values} = JSON.parse(message.data);
    for (const [name, strip] of strips) if (values[name]) strip.add(times, values[name]);
  });
  stream.onopen = () => at("log").replaceChildren();
}

// --- controls -----------------------------------------------------------------------------------------------

at("stop").addEventListener("click", async () => {
  const answer = await stopRide();
  say(at("stop-says"), answer.done ? "asked to stop" : answer.why);
});
at("operator").addEventListener("submit", async (event) => {
  event.preventDefault();
  told(await operator.operate(at("token").value), "taken");
});
at("leave").addEventListener("click", async () => told(await operator.leave(), "left"));
at("mark").addEventListener("click", async () => told(await operator.ask("mark"), "marked in the record"));
at("acknowledge").addEventListener("click", async () => told(await operator.ask("acknowledge"), "acknowledged"));

at("signals").append(...Object.keys(facts.signals).map((name) => Object.assign(document.createElement("option"), {value: name})));
function follow(name) {
  if (!(name in facts.signals) || strips.has(name) || strips.size >= MOST_SIGNALS) return;
  const shown = made("span"), canvas = document.createElement("canvas"), gone = made("button", "Leave out");
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", `${name} over the last ${Strip.SECONDS} s`);
  gone.type = "button";
  const figure = made("figure", "", [made("figcaption", "", [made("b", `${name} / ${facts.signals[name]}`), shown, gone]), canvas]);
  gone.addEventListener("click", () => {
    strips.delete(name);
    figure.remove();
    listen();
  });
  at("strips").append(figure);
  strips.set(name, new Strip(canvas, shown));
}
at("follow").addEventListener("submit", (event) => {
  event.preventDefault();
  follow(at("signal").value.trim());
  at("signal").value = "";
  listen();
});

follow("truth.roll_rad");
follow("line.offset_m");
listen();
setInterval(showLost, 250);
draw();
