// What the tool tells comes in; verdict, rows and panels are shown, and what a person does is told.
// "measured" is what is known while something moves, "judged" what the whole check says of the place at rest;
// a message with another number n is about another place and is not shown.

import { make, View } from "./drawing.js";
import { hands } from "./hands.js";
import { hearMap, showMap, wantMap } from "./map.js";
import { field, showDifference, showKeys, showPanel, verdictNow } from "./panels.js";
import { Space } from "./space.js";

export const MARKS = { clash: "\u2715", undecided: "?", close: "\u25C6", clear: "\u25CB" };
const $ = (id) => document.getElementById(id);

export const page = {
  n: -1, items: {}, paths: [], rows: [], measured: null, judged: null, along: null, windows: null,
  judging: true, share: 0, chosen: null, row: 0, step: -1, tab: "item", waiting: null, next: [], number: 0,
  map: null, stale: null, ofFile: null, send, choose, refuse, showPanel, choices, draw, hush: () => tell(""),
};
const plan = new View($("plan"), "top"), side = new View($("side"), "front");
let space = null;
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
    } else if (last && last.do === "to" && told.do === "to" && last.item === told.item && last.on && told.on) {
      if (told.at) last.at = told.at.map((v, k) => v ?? last.at?.[k] ?? null);
      if (told.turn !== undefined) last.turn = told.turn;
    } else if (last && ["raise", "set"].includes(told.do) && last.do === told.do && last.on && last.item === told.item && last.param === told.param) {
      Object.assign(last, told);
    } else page.next.push({ ...told });
    return;
  }
  page.waiting = ++page.number;
  page.changing = changes(told);
  if (page.changing) unjudge(told.do === "raise");
  clearTimeout(page.late);
  page.late = setTimeout(() => { page.slow = true; showVerdict(); }, 400);
  if (socket.readyState === 1) socket.send(JSON.stringify({ ...told, q: page.waiting }));
}

/** Whether something is asked for that makes it another place. */
const changes = (told) => !["rest", "stop", "difference", "where"].includes(told.do);
const moving = () => (page.waiting !== null && page.changing) || page.next.some(changes);

/** What is known is about another place from now on. */
function unjudge(raised) {
  if (!page.stale) tell("");
  page.judged = page.along = null;
  // which raises are free does not depend on the raise
  if (!raised) page.windows = null;
  page.judging = true; page.share = 0; page.doing = "";
  showVerdict();
  showRaises();
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
  else if (told.is === "refused") { refuse(told.text); if (told.stale) files(told.stale); if (page.told) { showPanel(); showRaises(); field($("raise-typed"), page.told.raised); } }
  else if (told.is === "files") files(told.stale);
  else if (told.is === "where") hearMap(told);
  else if (told.is === "difference") showDifference(told);
  if (told.q !== undefined && told.q === page.waiting) {
    page.waiting = null;
    clearTimeout(page.late);
    if (page.slow) { page.slow = false; showVerdict(); }
    const next = page.next.shift();
    if (next) send(next);
    else page.raiseTo = null;
  }
}

function whole(told) {
  page.judged = page.along = page.windows = null;
  page.judging = true;
  document.title = `What if: ${told.title || told.file}`;
  $("title").textContent = $("title").title = told.title || "What if I move this?";
  $("file").textContent = told.file;
  for (const view of page.views) { view.clear(); view.drawMachine(told.machine); }
  page.machine = told.machine;
  page.shapes = {};
  $("nozzles-box").hidden = told.sets.length === 0;
  $("nozzles").replaceChildren(...told.sets.map((name) => option(name, name === "own" ? "own heads" : name)));
  state(told);
  if (!plan.box) fit();
  page.judgedOnce = false;
  tell(told.said ?? "");
  wantMap();
}

/** A file that has changed on the disk since it was read, or none. */
function files(stale) {
  if (stale === page.stale) return;
  page.stale = stale;
  $("stale-box").hidden = !stale;
  $("stale").textContent = stale ? `${stale} has changed on the disk. What is shown here is of before; nothing is written over it.` : "";
  showButtons();
}

function showButtons() {
  const told = page.told;
  $("undo").disabled = !told.undo;
  $("redo").disabled = !told.redo;
  $("reset").disabled = told.changed.length === 0;
  $("write").disabled = told.changed.length === 0 || !!page.stale;
  $("write").title = page.stale ? "the file has changed on the disk: read it again first" : "key W";
}

function state(told) {
  if (told.n !== page.n && told.is === "state") {
    page.judged = page.along = null;
    if (!told.keeps) page.windows = null;
    page.judging = true;
  }
  page.n = told.n;
  page.items = told.items;
  page.rows = told.rows;
  page.measured = told.measured;
  page.told = told;
  for (const [name, shape] of Object.entries(told.shapes)) page.shapes[name] = shape;
  for (const view of page.views) { view.names = new Set(Object.keys(told.items)); view.drawShapes(told.shapes); }
  if (told.paths) page.paths = told.paths;
  if (page.chosen && !page.items[page.chosen]) page.chosen = null;
  page.ofFile = told.of_file;
  files(told.stale);
  showButtons();
  field($("raise-typed"), told.raised);
  if (!page.held) $("raise").value = told.raised;
  $("nozzles").value = told.nozzles;
  showItems();
  draw(true);
  showVerdict();
  showRows();
  showRaises();
  showStates();
  showPanel();
}

function judged(told) {
  if (told.of_file) page.ofFile = told.of_file;
  if (told.share !== undefined) { page.share = told.share; page.doing = told.what; }
  if (told.judged) { page.judged = told.judged; page.judging = false; }
  if (told.along) page.along = told.along;
  if (told.windows) { page.windows = told.windows; showRaises(); }
  if (told.refused || told.failed) {
    page.judged = { verdict: "undecided", sentence: told.refused ?? `No verdict: ${told.failed}.`, rows: [], findings: [], states: [], none: true };
    page.judging = false;
  }
  if (told.stopped) { page.judging = false; page.judged = null; }
  if (told.share === undefined && !told.done) { draw(true); showRows(); showPanel(); showStates(); }
  showVerdict();
}

// ------------------------------------------------------------------------------------------- the drawing
/** The part, what is laid on it and the paths into the drawings, or all that stands there. */
export function fit(whole = false) {
  const near = Object.keys(page.shapes).filter((name) => page.items[name] && !page.items[name].off && page.items[name].kind !== "holder");
  const shown = whole || !near.length ? Object.keys(page.shapes) : near;
  const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
  for (const path of page.paths)
    for (let k = 0; k < path.points.length; k += 2)
      for (const a of [0, 1]) { const v = path.points[k + a] / 100; low[a] = Math.min(low[a], v - 40); high[a] = Math.max(high[a], v + 40); }
  for (const name of shown) {
    const item = page.items[name], shape = page.shapes[name];
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
    const corners = [0, 1, 2, 3, 4, 5, 6, 7].map((k) => view.flat([0, 1, 2].map((a) => ((k >> a) & 1 ? high[a] : low[a]))));
    const [left, right, under, over] = [Math.min(...corners.map((c) => c[0])), Math.max(...corners.map((c) => c[0])), Math.min(...corners.map((c) => c[1])), Math.max(...corners.map((c) => c[1]))];
    view.look((left + right) / 2, (under + over) / 2, right - left + 30, over - under + 30);
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
    if (all) view.drawMap(showMap(), item);
    view.drawWords(places, item && { name: item.label, at: item.at });
    view.drawHandles(item);
  }
  showLegend();
}

function showLegend() {
  const words = page.along
    ? [["l0", "too near: inside a margin"], ["l1", "under 0.5 mm to spare"], ["l2", "under 2 mm to spare"], ["l3", "more"]]
    : [["unknown", "the path; what it has to spare once it is judged"]];
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
function refuse(text) { tell(text, true); page.refused = (page.refused ?? 0) + 1; }
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
  } else if (page.slow && page.changing) {
    box.className = "judging";
    $("verdict-mark").textContent = "\u2026";
    $("verdict-word").textContent = "measuring \u2026";
    $("verdict-says").textContent = "What was asked for last takes a moment; no figure is of the new place yet.";
    $("progress").removeAttribute("value");
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
  $("items-are").textContent = judgedRows ? "as judged" : "as measured";
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
    const hole = !item.off && item.screw && item.screw.off > 1 ? "no hole" : "";
    more.textContent = [item.off ? "off" : "", hole, bad ? `${MARKS[bad]} ${bad}` : ""].filter(Boolean).join(" ");
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
  wantMap();
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
  $("raise-least").disabled = typeof told?.smallest !== "number" || told.smallest === page.told.raised;
  if (!told) {
    // the slider reaches what is, also where no windows are known
    slider.max = Math.max(slider.max, page.told?.raised ?? 0); slider.min = Math.min(slider.min, page.told?.raised ?? 0);
    if (!page.held) slider.value = page.told?.raised ?? 0;
    $("raise-says").textContent = page.judging || (page.judged && !page.judged.none) ? "which are free: to come" : ""; return;
  }
  if (told.none) { $("raise-says").textContent = told.none; return; }
  // no farther than anybody packs up, unless nothing less is free
  const high = Math.max(1, page.told.raised, Math.min(told.range[1], Math.max(20, (told.smallest ?? 0) + 10)));
  slider.min = Math.min(told.range[0], page.told.raised, 0); slider.max = high;
  if (!page.held) slider.value = page.told.raised;
  svg.setAttribute("viewBox", `${slider.min} 0 ${high - slider.min} 12`);
  svg.setAttribute("preserveAspectRatio", "none");
  for (const [a, b] of told.free) make("rect", { x: a, y: 1, width: Math.max(Math.min(b, high) - a, 0), height: 10, fill: "#bfe3cd", stroke: "#17663a", "vector-effect": "non-scaling-stroke" }, svg);
  $("raise-says").textContent = told.says;
}

function choices() { return Object.keys(page.items); }

// ------------------------------------------------------------------------------------------- buttons
$("undo").onclick = () => send({ do: "undo" });
$("redo").onclick = () => send({ do: "redo" });
$("reset").onclick = () => send({ do: "reset" });
$("write").onclick = () => send({ do: "difference" });
$("reload").onclick = () => send({ do: "reload" });
$("help").onclick = showKeys;
/** Stop what is being done, measuring or judging; what waits for it is not done. */
export function stop() {
  page.next = [];
  if (page.waiting === null) send({ do: "stop" });
  else if (socket.readyState === 1) socket.send(JSON.stringify({ do: "stop" }));
}
$("stop").onclick = stop;
$("before").onclick = () => step(-1);
$("after").onclick = () => step(1);
$("fit").onclick = () => fit(true);
$("fit-part").onclick = () => fit();
export function nearer(factor) { for (const view of page.views) view.zoom(factor); }
$("nearer").onclick = () => nearer(0.8);
$("farther").onclick = () => nearer(1.25);
$("show-map").onchange = () => wantMap();
for (const id of ["show-heads", "show-labels", "show-lower", "show-upper"]) $(id).onchange = () => draw(true);
for (const tab of document.querySelectorAll("[role=tab]")) tab.onclick = () => { page.tab = tab.dataset.tab; showPanel(true); };
$("nozzles").onchange = () => send({ do: "mount", name: $("nozzles").value });
let raising = false;
$("raise").oninput = () => { page.held = true; $("raise-typed").value = $("raise").value; send({ do: "raise", by: parseFloat($("raise").value), on: raising }); raising = true; };
$("raise").onchange = () => { page.held = raising = false; };
/** All up, or down, to the least raise at which nothing is touched. */
export function leastRaise() {
  const least = page.windows?.smallest;
  if (typeof least === "number") send({ do: "raise", by: least });
  else refuse(page.windows ? "No raise is free." : "Which raises are free is not known yet.");
}
$("raise-least").onclick = leastRaise;
$("raise-typed").onchange = () => { const v = parseFloat($("raise-typed").value); if (Number.isFinite(v)) send({ do: "raise", by: v }); };
const SIDES = [["front", "From the front"], ["right", "From the right"], ["space", "In space"]];
/** The other views: from the front, from the right, in space. */
export function turnSide(to = null) {
  const now = page.views[1], k = SIDES.findIndex(([name]) => name === now.name);
  const name = typeof to === "string" ? to : SIDES[(k + 1) % SIDES.length][0];
  now.idle = true;
  let view = side;
  if (name === "space") {
    space ??= new Space($("side"));
    space.onlook = () => draw(false);
    view = space;
  } else side.name = name;
  view.idle = false;
  page.views[1] = view;
  $("views").dataset.side = name;
  $("side-name").textContent = SIDES.find(([one]) => one === name)[1];
  for (const button of document.querySelectorAll("[data-side-view]")) button.setAttribute("aria-pressed", button.dataset.sideView === name);
  $("space-tools").hidden = name !== "space";
  view.clear(); view.drawMachine(page.machine); view.names = new Set(Object.keys(page.items)); view.drawShapes(page.shapes);
  // the drawings have another size now
  requestAnimationFrame(() => { fit(); draw(true); });
}

/** What is seen in space is turned about, by so many degrees. */
export function turnSpace(by = 0) {
  if (!space || page.views[1] !== space) return;
  const slider = $("space-turn");
  if (by) slider.value = ((((Number(slider.value) + by + 180) % 360) + 360) % 360) - 180;
  // a key may come before the first picture of it
  if (!space.box) fit();
  space.turn(Number(slider.value), Number($("space-tilt").value));
  draw(true);
}
for (const button of document.querySelectorAll("[data-side-view]")) button.onclick = () => turnSide(button.dataset.sideView);
$("space-turn").oninput = $("space-tilt").oninput = () => turnSpace();

hands(page);
