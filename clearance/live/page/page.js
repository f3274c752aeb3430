// What the tool tells comes in; verdict, rows and panels are shown, and what a person does is told.
// "measured" is what is known while something moves, "judged" what the whole check says of the place at rest;
// a message with another number n is about another place and is not shown.

import { make, View } from "./drawing.js";
import { hands } from "./hands.js";

const MARKS = { clash: "\u2715", undecided: "?", close: "\u25C6", clear: "\u25CB" };
const $ = (id) => document.getElementById(id);

export const page = {
  n: -1, items: {}, paths: [], rows: [], measured: null, judged: null, along: null, windows: null,
  judging: true, share: 0, chosen: null, row: 0, step: -1, tab: "item", waiting: null, next: [], number: 0,
  send, choose, refuse, showPanel, choices,
};
const plan = new View($("plan"), "top"), side = new View($("side"), "front");
page.views = [plan, side];
plan.onlook = side.onlook = () => draw(false);

// ------------------------------------------------------------------------------------------- the line
const socket = new WebSocket(location.href.replace(/^http/, "ws").replace(/[^/]*$/, "") + "live");
socket.onmessage = (event) => hear(JSON.parse(event.data));
socket.onclose = () => {
  document.title = "ended";
  tell("The tool has ended; nothing here is kept up any more. Start it again.", true);
  page.judging = false; page.judged = null; page.gone = true;
  showVerdict();
};

/** One thing at a time; of what moves only the newest waits. */
function send(told) {
  if (page.waiting !== null) {
    const last = page.next.at(-1);
    if (last && last.do === "move" && told.do === "move" && last.item === told.item && last.on) {
      last.by = last.by.map((v, k) => v + told.by[k]);
      last.turn = (last.turn ?? 0) + (told.turn ?? 0);
    } else if (last && ["raise", "set"].includes(told.do) && last.do === told.do && last.on && last.item === told.item && last.param === told.param) {
      Object.assign(last, told);
    } else page.next.push({ ...told });
    return;
  }
  page.waiting = ++page.number;
  page.changing = changes(told);
  if (page.changing) unjudge();
  if (socket.readyState === 1) socket.send(JSON.stringify({ ...told, q: page.waiting }));
}

/** Whether something is asked for that makes it another place. */
const changes = (told) => !["rest", "stop", "difference"].includes(told.do);
const moving = () => (page.waiting !== null && page.changing) || page.next.some(changes);

/** What is known is about another place from now on. */
function unjudge() {
  tell("");
  page.judged = page.along = page.windows = null;
  page.judging = true; page.share = 0; page.doing = "";
  showVerdict();
  clearTimeout(page.resting);
  page.resting = setTimeout(rest, 350);
}

function rest() {
  if (page.held || page.waiting !== null || page.next.length) { page.resting = setTimeout(rest, 150); return; }
  send({ do: "rest" });
}

function hear(told) {
  if (told.is === "whole") whole(told);
  else if (told.is === "state") state(told);
  // what is about to be another place is not judged by this; "rest" brings it again if nothing came of that
  else if (told.is === "judged" && told.n === page.n && !moving()) judged(told);
  else if (told.is === "refused") { refuse(told.text); }
  else if (told.is === "difference") showDifference(told);
  if (told.q !== undefined && told.q === page.waiting) {
    page.waiting = null;
    const next = page.next.shift();
    if (next) send(next);
  }
}

function whole(told) {
  page.judged = page.along = page.windows = null;
  page.judging = true;
  document.title = `What if: ${told.title || told.file}`;
  $("title").textContent = told.title || "What if I move this?";
  $("file").textContent = told.file;
  for (const view of page.views) { view.clear(); view.drawMachine(told.machine); }
  page.machine = told.machine;
  page.shapes = {};
  $("nozzles-box").hidden = told.sets.length === 0;
  $("nozzles").replaceChildren(...told.sets.map((name) => option(name, name === "own" ? "own heads" : name)));
  state(told);
  if (!plan.box) fit();
  tell(told.said ?? "");
  $("reload").hidden = true;
}

function state(told) {
  if (told.n !== page.n && told.is === "state") { page.judged = page.along = page.windows = null; page.judging = true; }
  page.n = told.n;
  page.items = told.items;
  page.rows = told.rows;
  page.measured = told.measured;
  page.told = told;
  for (const [name, shape] of Object.entries(told.shapes)) page.shapes[name] = shape;
  for (const view of page.views) { view.names = new Set(Object.keys(told.items)); view.drawShapes(told.shapes); }
  if (told.paths) page.paths = told.paths;
  if (page.chosen && !page.items[page.chosen]) page.chosen = null;
  $("undo").disabled = !told.undo;
  $("redo").disabled = !told.redo;
  $("reset").disabled = $("write").disabled = told.changed.length === 0;
  if (document.activeElement !== $("raise-typed")) $("raise-typed").value = told.raised;
  if (!page.held) $("raise").value = told.raised;
  if (told.nozzles) $("nozzles").value = told.nozzles;
  showItems();
  draw(true);
  showVerdict();
  showRows();
  showPanel();
}

function judged(told) {
  if (told.share !== undefined) { page.share = told.share; page.doing = told.what; }
  if (told.judged) { page.judged = told.judged; page.judging = false; }
  if (told.along) page.along = told.along;
  if (told.windows) { page.windows = told.windows; showRaises(); }
  if (told.refused || told.failed) {
    $("reload").hidden = !(told.refused ?? "").includes("has changed since it was read");
    page.judged = { verdict: "undecided", sentence: told.refused ?? `No verdict: ${told.failed}.`, rows: [], findings: [], states: [], none: true };
    page.judging = false;
  }
  if (told.stopped) { page.judging = false; page.judged = null; page.halted = true; }
  if (told.share === undefined && !told.done) { draw(true); showRows(); showPanel(); showStates(); }
  showVerdict();
}

// ------------------------------------------------------------------------------------------- the drawing
export function fit() {
  const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
  for (const path of page.paths)
    for (let k = 0; k < path.points.length; k += 2)
      for (const a of [0, 1]) { const v = path.points[k + a] / 100; low[a] = Math.min(low[a], v - 40); high[a] = Math.max(high[a], v + 40); }
  for (const [name, shape] of Object.entries(page.shapes)) {
    const item = page.items[name];
    if (!item || item.off) continue;
    for (const [view, axes] of [["top", [0, 1]], ["front", [0, 2]]]) {
      const e = shape.draw[view].edges;
      for (let k = 0; k < e.length; k++) {
        const a = axes[k % 2], v = e[k] / 100 + item.shift[a];
        low[a] = Math.min(low[a], v); high[a] = Math.max(high[a], v);
      }
    }
  }
  for (const view of page.views) {
    const [a, b] = view.axes, wide = high[a] - low[a] + 30, tall = high[b] - low[b] + 30;
    view.look((low[a] + high[a]) / 2, (low[b] + high[b]) / 2, wide, tall);
  }
}

const rows = () => page.judged?.rows.length ? page.judged.rows : page.rows;
const stepped = () => (page.step >= 0 ? page.judged?.states[page.step] : null);

export function draw(all) {
  const there = stepped() ? new Set(stepped().there) : null;
  const next = stepped()?.next ?? null;
  const places = [];
  let heads = null;
  if (page.judged && page.judged.rows.length) {
    for (const row of page.judged.rows) if (row.on_item && $("show-labels").checked) places.push({ number: row.number, at: row.on_item, verdict: row.verdict });
    const row = page.judged.rows[page.row] ?? page.judged.rows[0];
    if (row.head_at && $("show-heads").checked) heads = row;
  }
  const swept = ["lower", "upper"].filter((head) => $(`show-${head}`).checked);
  for (const view of page.views) {
    if (!view.box) continue;
    if (all) {
      view.place(page.items, page.chosen, there);
      view.drawPaths(page.paths, page.along, next);
      view.drawSwept(page.paths, swept, next);
      view.drawHeads(heads && page.paths.find((path) => path.name === heads.cut), heads?.head_at, heads?.head);
    }
    const item = page.items[page.chosen];
    view.drawWords(places, item && { name: item.label, at: item.at });
    view.drawHandles(item);
  }
  showLegend();
}

function showLegend() {
  const words = page.along
    ? [["l0", "too near: inside a margin"], ["l1", "under 0.5 mm to spare"], ["l2", "under 2 mm to spare"], ["l3", "more"]]
    : [["unknown", "the path; more once it is judged"]];
  if ($("legend").words === words[0][1]) return;
  $("legend").words = words[0][1];
  $("legend").replaceChildren(...words.map(([kind, text]) => {
    const line = document.createElement("span"), svg = make("svg");
    make("line", { class: `way ${kind}`, x1: 0, x2: 34, y1: 5, y2: 5 }, svg);
    line.append(svg, ` ${text}`);
    return line;
  }));
}

// ------------------------------------------------------------------------------------------- words
function tell(text, wrong = false) {
  $("said").textContent = text;
  $("said").title = text;
  $("said").className = wrong ? "refused" : "";
  clearTimeout(page.saying);
  if (!wrong) page.saying = setTimeout(() => tell(""), 8000);
}
function refuse(text) {
  tell(text, true);
  $("reload").hidden = !text.includes("has changed since it was read");
}
function option(value, text = value) { const one = document.createElement("option"); one.value = value; one.textContent = text; return one; }

function showVerdict() {
  const box = $("verdict");
  if (page.gone) { box.className = "undecided"; $("verdict-word").textContent = "ended"; $("verdict-says").textContent = ""; $("verdict-mark").textContent = "?"; return; }
  if (page.judged) {
    box.className = page.judged.verdict;
    $("verdict-mark").textContent = MARKS[page.judged.verdict];
    $("verdict-word").textContent = page.judged.none ? "no verdict" : page.judged.verdict;
    $("verdict-says").title = page.judged.sentence;
    $("verdict-says").textContent = page.judged.none ? page.judged.sentence : `Judged. ${page.judged.sentence}`;
  } else if (page.judging) {
    box.className = "judging";
    $("verdict-mark").textContent = "\u2026";
    $("verdict-word").textContent = "judging \u2026";
    const measured = page.measured ? `Measured so far: ${MARKS[page.measured]} ${page.measured}` : "";
    $("verdict-says").textContent = page.doing ? `${measured}. Now: ${page.doing}` : measured;
    $("progress").value = page.share;
  } else {
    box.className = "undecided";
    $("verdict-mark").textContent = "?";
    $("verdict-word").textContent = "not judged";
    $("verdict-says").textContent = `Stopped. Measured: ${page.measured}. Move something, or press J, to have it judged.`;
  }
  document.body.dataset.judged = page.judged ? page.judged.verdict : "";
  document.body.dataset.n = page.n;
}

function showRows() {
  const shown = rows(), judgedRows = page.judged?.rows.length > 0;
  $("rows-are").textContent = judgedRows ? "The ten least to spare, judged (mm)" : "The ten least to spare, measured, not judged (mm)";
  $("rows").dataset.kind = judgedRows ? "judged" : "measured";
  $("rows").tBodies[0].replaceChildren(...shown.map((row, k) => {
    const line = document.createElement("tr");
    line.tabIndex = 0;
    line.title = `${row.head === "wire" ? "wire" : row.head + " head"} and "${row.label}": sideways ${row.side}, up and down ${row.height}; ${row.where || row.cut}`;
    if (k === page.row && judgedRows) line.className = "chosen";
    const cells = [[row.number], [`${MARKS[row.verdict]} ${row.verdict}`, row.verdict], [row.head], [row.label, "item"], [row.spare, "n"], [row.clearance, "n"]];
    for (const [text, kind] of cells) { const cell = line.insertCell(); cell.textContent = text; if (kind) cell.className = kind; }
    line.onclick = () => { page.row = k; choose(row.item); draw(true); showRows(); };
    line.onkeydown = (event) => { if (event.key === "Enter" || event.key === " ") { event.preventDefault(); line.onclick(); } };
    return line;
  }));
}

function showItems() {
  const names = Object.keys(page.items), list = $("items");
  if (list.childElementCount !== names.length)
    list.replaceChildren(...names.map(() => { const li = document.createElement("li"); li.append(document.createElement("button")); return li; }));
  names.forEach((name, k) => {
    const item = page.items[name], button = list.children[k].firstChild, bad = worst(name);
    const words = document.createElement("span"), more = document.createElement("em");
    words.textContent = item.label;
    words.className = item.off ? "off" : "";
    more.textContent = [item.off ? "off" : "", bad ? `${MARKS[bad]} ${bad}` : ""].filter(Boolean).join(" ");
    button.replaceChildren(words, more);
    button.setAttribute("aria-pressed", name === page.chosen);
    button.dataset.item = name;
    button.onclick = () => choose(name);
  });
}

function worst(name) {
  const order = ["clash", "undecided", "close"];
  return order.find((verdict) => rows().some((row) => row.item === name && row.verdict === verdict));
}

function choose(name) {
  if (name !== null && !page.items[name]) return;
  page.chosen = name;
  page.tab = "item";
  showItems(); draw(true); showPanel(true);
}

function showStates() {
  const states = page.judged?.states ?? [];
  if (page.step >= states.length) page.step = -1;
  const one = stepped();
  $("step").textContent = one ? `${one.n} of ${states.length}: ${MARKS[one.verdict]} ${one.verdict}` : page.judged ? `all of it (${states.length} steps)` : "once it is judged";
  $("step-says").textContent = one ? [one.name, ...one.do, ...one.why].join(". ") : "";
  $("before").disabled = page.step < 0;
  $("after").disabled = page.step >= states.length - 1;
}

export function step(by) {
  const states = page.judged?.states ?? [];
  page.step = Math.min(Math.max(page.step + by, -1), states.length - 1);
  showStates(); draw(true); showPanel();
}

function showRaises() {
  const told = page.windows, slider = $("raise"), svg = $("windows");
  svg.replaceChildren();
  if (!told) { $("raise-says").textContent = ""; return; }
  if (told.none) { $("raise-says").textContent = told.none; return; }
  // no farther than anybody packs up, unless nothing less is free
  const high = Math.max(1, page.told.raised, Math.min(told.range[1], Math.max(20, (told.smallest ?? 0) + 10)));
  slider.min = Math.min(told.range[0], 0); slider.max = high;
  slider.value = page.told.raised;
  svg.setAttribute("viewBox", `${slider.min} 0 ${high - slider.min} 12`);
  svg.setAttribute("preserveAspectRatio", "none");
  for (const [a, b] of told.free) make("rect", { x: a, y: 1, width: Math.max(Math.min(b, high) - a, 0), height: 10, fill: "#bfe3cd", stroke: "#17663a", "vector-effect": "non-scaling-stroke" }, svg);
  $("raise-says").textContent = told.free.length ? `free: ${told.free.map(([a, b]) => `${a.toFixed(2)} to ${b.toFixed(2)}`).join(", ")}` : "no raise is free";
}

// ------------------------------------------------------------------------------------------- panels
function showPanel(anew = false) {
  for (const tab of document.querySelectorAll("[role=tab]")) tab.setAttribute("aria-selected", tab.dataset.tab === page.tab);
  const panel = $("panel");
  if (page.tab === "changed") return panel.replaceChildren(...changedPanel());
  if (page.tab === "findings") return panel.replaceChildren(...findingsPanel());
  const busy = panel.contains(document.activeElement) && panel.dataset.item === page.chosen && !anew;
  if (busy && panel.shape === shapeOf()) return panel.refresh?.();
  panel.dataset.item = page.chosen ?? "";
  panel.shape = shapeOf();
  const focus = document.activeElement?.id;
  panel.replaceChildren(...itemPanel(panel));
  if (focus && focus !== document.activeElement?.id) $(focus)?.focus({ preventScroll: true });
}
const shapeOf = () => JSON.stringify([page.chosen, page.items[page.chosen]?.off, page.items[page.chosen]?.params.length]);

function element(name, text = "", attributes = {}) {
  const one = document.createElement(name);
  if (text) one.textContent = text;
  for (const [key, value] of Object.entries(attributes)) key in one ? (one[key] = value) : one.setAttribute(key, value);
  return one;
}

function itemPanel(panel) {
  panel.refresh = null;
  const item = page.items[page.chosen];
  if (!item) return [element("p", "Choose an item: click it in a drawing or in the list. Then drag it, use the arrow keys, or type."), element("p", "Keys: N next item, arrows move, ? all keys.", { className: "small" })];
  const name = page.chosen, out = [], fresh = [];
  const head = element("h3", item.label);
  const off = element("button", item.off ? "Put it on" : "Take it off", { id: "off", title: "key O" });
  off.onclick = () => send({ do: page.items[name].off ? "on" : "off", item: name });
  if (item.cut) { off.disabled = true; off.title = "it is cut"; }
  head.append(off);
  out.push(head);
  const line = element("p", "", { className: "small" });
  out.push(line);
  fresh.push(() => { const i = page.items[name]; line.textContent = [i.what, i.on ? `on "${i.on}"` : "on the table", i.origin ? `figures are of: ${i.origin}` : ""].filter(Boolean).join("; "); });
  const fields = element("div", "", { className: "fields" });
  const steps = item.steps;
  ["X", "Y", "Z", "turn"].forEach((axis, k) => {
    const small = k === 2 ? 0.1 : k === 3 ? 1 : steps[0], large = k === 2 ? 1 : k === 3 ? 5 : steps[1];
    const input = element("input", "", { type: "number", step: small, id: `at-${axis}` });
    input.setAttribute("aria-label", k === 3 ? "turn about Z, degrees" : `machine ${axis}, mm`);
    const by = (v) => (k === 3 ? send({ do: "move", item: name, turn: v, by: [0, 0, 0] }) : send({ do: "move", item: name, by: [0, 1, 2].map((a) => (a === k ? v : 0)) }));
    const less = element("button", "\u2212", { title: `${small} less; with Shift ${large}` }), more = element("button", "+", { title: `${small} more; with Shift ${large}` });
    less.setAttribute("aria-label", `${axis} less`); more.setAttribute("aria-label", `${axis} more`);
    less.onclick = (event) => by(event.shiftKey ? -large : -small);
    more.onclick = (event) => by(event.shiftKey ? large : small);
    const typed = () => { const now = page.items[name], was = k === 3 ? now.turn : now.at[k], v = parseFloat(input.value); if (Number.isFinite(v) && Math.abs(v - was) > 1e-9) by(v - was); };
    input.onchange = typed;
    const moved = element("span", "", { className: "by" });
    fields.append(element("label", k === 3 ? "Turn \u00B0" : axis, { htmlFor: input.id }), less, input, more, moved);
    fresh.push(() => {
      const now = page.items[name], value = k === 3 ? now.turn : now.at[k], d = k === 3 ? now.by_turn : now.moved[k];
      if (document.activeElement !== input || page.settled !== input.value) input.value = String(Math.round(value * 1000) / 1000);
      moved.textContent = Math.abs(d) > 5e-4 ? `${d > 0 ? "+" : "\u2212"}${Math.abs(d).toFixed(2)} from the file` : "";
    });
  });
  out.push(fields);
  const screw = element("div");
  out.push(screw);
  fresh.push(() => showScrew(screw, name));
  if (item.params.length) {
    out.push(element("h2", "Its dimensions"));
    for (const param of item.params) out.push(paramLine(name, param, fresh));
  }
  panel.refresh = () => fresh.forEach((one) => one());
  panel.refresh();
  return out;
}

function showScrew(box, name) {
  const item = page.items[name], screw = item?.screw;
  box.replaceChildren();
  if (!screw || item.off) return;
  if (item.slides) {
    const row = element("div", "", { className: "row" });
    for (const [text, by, key] of [["\u25C0 along its slot", -1, "Shift+L"], ["along its slot \u25B6", 1, "L"]]) {
      const button = element("button", text, { title: `1 mm, back or towards its tip; key ${key}` });
      button.onclick = () => send({ do: "slide", item: name, by });
      row.append(button, " ");
    }
    box.append(row);
  }
  if (screw.off === null) { box.append(element("p", `Its screw: nobody says where "${screw.on}" has thread holes.`, { className: "small" })); return; }
  const well = screw.off <= 1.0;
  const line = element("div", well ? `\u25CB Its screw stands in a thread hole of "${screw.on}".` : `\u25C6 No thread hole here: its screw stands ${screw.off.toFixed(1)} mm beside the nearest one of "${screw.on}", at X ${screw.nearest[0].toFixed(1)} Y ${screw.nearest[1].toFixed(1)}.`, { className: well ? "well" : "warn", id: "screw" });
  box.append(line);
  const row = element("div", "", { className: "row" });
  for (const [text, by, key] of [["\u25C0 hole", -1, "Shift+H"], ["Into the nearest hole", 0, ""], ["hole \u25B6", 1, "H"]]) {
    const button = element("button", text, { title: key ? `key ${key}` : "" });
    button.onclick = () => toHole(name, by);
    row.append(button, " ");
  }
  box.append(row);
}

/** The screw into the hole that is nearest, or the next one to the right or left. */
export function toHole(name, by) {
  const screw = page.items[name]?.screw;
  if (!screw?.holes.length) return;
  const [x, y] = screw.at, all = [...screw.holes].sort((p, q) => p[0] - q[0] || p[1] - q[1]);
  let k = all.reduce((best, p, j) => (Math.hypot(p[0] - x, p[1] - y) < Math.hypot(all[best][0] - x, all[best][1] - y) ? j : best), 0);
  k = Math.min(Math.max(k + by, 0), all.length - 1);
  send({ do: "move", item: name, by: [all[k][0] - x, all[k][1] - y, 0] });
}

function paramLine(name, param, fresh) {
  const line = element("div", "", { className: "param" }), id = `param-${param.name}`;
  const label = element("label", param.name.replaceAll("_", " "), { htmlFor: id, title: `${param.meaning}${param.unit ? ` (${param.unit})` : ""}` });
  const now = () => page.items[name]?.params.find((one) => one.name === param.name)?.value;
  if (param.choices.length) {
    const select = element("select", "", { id, className: "wide" });
    select.append(...param.choices.map((one) => option(one)));
    select.onchange = () => send({ do: "set", item: name, param: param.name, value: select.value });
    fresh.push(() => { select.value = now(); });
    line.append(label, select);
  } else if (param.many || typeof now() !== "number") {
    const input = element("input", "", { id, type: "text", className: "wide", title: param.meaning });
    input.onchange = () => { const v = input.value.split(/[ ,;]+/).filter(Boolean).map(Number); if (v.length && v.every(Number.isFinite)) send({ do: "set", item: name, param: param.name, value: param.many ? v : v[0] }); else refuse(`${param.name}: numbers, please`); };
    fresh.push(() => { if (document.activeElement !== input) input.value = [now()].flat().filter((v) => v !== null).join(", "); });
    line.append(label, input);
  } else {
    const value = now(), low = param.low ?? Math.min(0, value), high = Math.min(param.high ?? value * 3 + 10, Math.max(value * 3, low + 30));
    const fine = param.unit === "mm" ? 0.5 : 0.1;
    const slider = element("input", "", { type: "range", min: low, max: high, step: fine });
    slider.setAttribute("aria-label", label.textContent);
    const input = element("input", "", { id, type: "number", min: param.low ?? "", max: param.high ?? "", step: fine });
    let first = true;
    slider.oninput = () => { page.held = true; send({ do: "set", item: name, param: param.name, value: parseFloat(slider.value), on: !first }); first = false; };
    slider.onchange = () => { page.held = false; first = true; };
    input.onchange = () => { const v = parseFloat(input.value); if (Number.isFinite(v)) send({ do: "set", item: name, param: param.name, value: v }); };
    fresh.push(() => { const v = now(); if (document.activeElement !== input) input.value = Math.round(v * 1000) / 1000; if (!page.held) slider.value = v; });
    line.append(label, slider, input);
  }
  return line;
}

function changedPanel() {
  const told = page.told;
  if (!told?.changed.length) return [element("p", "Nothing is otherwise than in the file.")];
  const list = element("ul");
  for (const words of told.changed) list.append(element("li", words));
  const table = element("table"), head = table.createTHead().insertRow();
  for (const text of ["Head", "Item", "Before", "To spare", "Now", "To spare"]) head.append(element("th", text));
  const body = table.createTBody();
  for (const one of told.changes) {
    const line = body.insertRow();
    for (const [text, kind] of [[one.head], [one.item, "item"], [`${MARKS[one.before] ?? ""} ${one.before}`, one.before], [one.was, "n"], [`${MARKS[one.after] ?? ""} ${one.after}`, one.after], [one.spare, "n"]]) {
      const cell = line.insertCell(); cell.textContent = text; if (kind) cell.className = kind;
    }
    line.title = one.cut;
  }
  const out = [element("b", "Otherwise than in the file:"), list];
  if (told.changes.length) out.push(element("b", "What that changes, measured (mm):"), table);
  else out.push(element("p", "No head and no wire comes nearer to anything, or goes farther away."));
  return out;
}

function findingsPanel() {
  if (!page.judged) return [element("p", "Once it is judged.")];
  const n = stepped()?.n, all = page.judged.findings.filter((one) => n === undefined || one.state === null || one.state === n);
  if (!all.length) return [element("p", "Nothing else.")];
  return all.map((one) => element("div", `${MARKS[one.severity] ?? "\u2022"} ${one.severity}${one.item ? `, ${one.item}` : ""}: ${one.message}`, { className: one.severity === "note" ? "small" : "warn" }));
}

// ------------------------------------------------------------------------------------------- writing it down
function showDifference(told) {
  const box = $("dialog");
  const text = element("pre", "", { id: "difference", tabIndex: 0 });
  for (const line of told.lines) text.append(element("span", line, { className: line[0] === "+" ? "more" : line[0] === "-" ? "less" : "" }), "\n");
  const over = element("button", `Write it into ${told.file}`, { className: "main", id: "write-over" });
  const other = element("input", "", { type: "text", value: told.other, id: "other-name" }), as = element("button", "Write it under this name", { id: "write-other" });
  other.setAttribute("aria-label", "another name, beside the file");
  const no = element("button", "Do not write", { id: "write-not" });
  over.onclick = () => { box.close(); send({ do: "write" }); };
  as.onclick = () => { box.close(); send({ do: "write", name: other.value.trim() }); };
  no.onclick = () => box.close();
  const verdict = page.judged ? `Judged: ${page.judged.verdict}.` : "Not judged yet.";
  const row = element("div", "", { className: "row" }), second = element("div", "", { className: "row" });
  row.append(over, no); second.append(other, as);
  box.replaceChildren(element("h2", "What would be written"), element("p", `${verdict} Lines with \u2212 go, lines with + come; all else stays as it is.`), text, row, second);
  box.showModal();
  over.focus();
}

export function showKeys() {
  const box = $("dialog"), list = element("dl");
  const keys = [["N, Shift+N", "next item, item before"], ["Left Right Up Down", "move it along machine X and Y: laid by hand 1 mm, all else 0.1; with Shift 5 and 1"],
    ["Page Up, Page Down", "packing under it: 0.1 mm up, down; with Shift 1"], ["+, \u2212", "turn it by 1 degree, anticlockwise and clockwise"], ["H, Shift+H", "its screw into the next thread hole, the one before"],
    ["L, Shift+L", "push it along its slot by 1 mm, its screw where it is; back"], ["O", "take it off, put it on"], ["U, Y", "undo, redo"], ["R, Shift+R", "raise all on the table by 0.1 mm, lower it"], [", and .", "the job: step before, next step"], ["V", "the other side view"], ["F", "everything into the drawing"],
    ["J", "judge"], ["Esc", "stop judging; choose nothing"], ["W", "write it down"], ["Tab", "to every button, field and slider"]];
  for (const [key, words] of keys) { const dt = element("dt"); dt.append(element("kbd", key)); list.append(dt, element("dd", words)); }
  const shut = element("button", "Close", { className: "main" });
  shut.onclick = () => box.close();
  box.replaceChildren(element("h2", "Keys"), list, shut);
  box.showModal();
}

function choices() { return Object.keys(page.items); }

// ------------------------------------------------------------------------------------------- buttons
$("undo").onclick = () => send({ do: "undo" });
$("redo").onclick = () => send({ do: "redo" });
$("reset").onclick = () => send({ do: "reset" });
$("write").onclick = () => send({ do: "difference" });
$("reload").onclick = () => send({ do: "reload" });
$("help").onclick = showKeys;
$("stop").onclick = () => send({ do: "stop" });
$("before").onclick = () => step(-1);
$("after").onclick = () => step(1);
$("fit").onclick = fit;
$("nearer").onclick = () => plan.zoom(0.8);
$("farther").onclick = () => plan.zoom(1.25);
for (const id of ["show-heads", "show-labels", "show-lower", "show-upper"]) $(id).onchange = () => draw(true);
for (const tab of document.querySelectorAll("[role=tab]")) tab.onclick = () => { page.tab = tab.dataset.tab; showPanel(true); };
$("nozzles").onchange = () => send({ do: "mount", name: $("nozzles").value });
let raising = false;
$("raise").oninput = () => { page.held = true; $("raise-typed").value = $("raise").value; send({ do: "raise", by: parseFloat($("raise").value), on: raising }); raising = true; };
$("raise").onchange = () => { page.held = raising = false; };
$("raise-typed").onchange = () => { const v = parseFloat($("raise-typed").value); if (Number.isFinite(v)) send({ do: "raise", by: v }); };
export function turnSide() {
  side.name = side.name === "front" ? "right" : "front";
  $("side-name").textContent = side.name === "front" ? "From the front" : "From the right";
  $("turn-side").textContent = side.name === "front" ? "From the right" : "From the front";
  side.clear(); side.drawMachine(page.machine); side.names = new Set(Object.keys(page.items)); side.drawShapes(page.shapes);
  fit(); draw(true);
}
$("turn-side").onclick = turnSide;

hands(page);
