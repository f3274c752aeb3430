// What the tool tells comes in; verdict, rows and panels are shown, and what a person does is told.
// "measured" is what is known while something moves, "judged" what the whole check says of the place at rest;
// a message with another number n is about another place and is not shown.

import { make, View } from "./drawing.js";
import { hands } from "./hands.js";
import { showDifference, showKeys, showPanel, verdictNow } from "./panels.js";

export const MARKS = { clash: "\u2715", undecided: "?", close: "\u25C6", clear: "\u25CB" };
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
    else page.raiseTo = null;
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
export const stepped = () => (page.step >= 0 ? page.judged?.states[page.step] : null);

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
export function option(value, text = value) { const one = document.createElement("option"); one.value = value; one.textContent = text; return one; }

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
  if ($("dialog-verdict")) $("dialog-verdict").textContent = verdictNow();
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
