// What is chosen, what changed and what else was found come in; the panel on the right and the dialogs are shown.

import { MARKS, option, page, stepped } from "./page.js";

const $ = (id) => document.getElementById(id);
const send = (told) => page.send(told);

export function showPanel(anew = false) {
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
/** A figure into a field; what is being typed there stays. */
export function field(input, value) {
  const words = String(typeof value === "number" ? Math.round(value * 1000) / 1000 : value);
  if (document.activeElement === input && input.value !== (input.dataset.shown ?? "")) return;
  input.value = input.dataset.shown = words;
}
/** What was typed is taken: from now on the field shows what is. */
const taken = (input) => { input.dataset.shown = input.value; };

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
  off.onclick = () => send({ do: "toggle", item: name });
  if (item.cut) { off.disabled = true; off.title = "it is cut"; }
  head.append(off);
  out.push(head);
  const line = element("p", "", { className: "small", id: "what" });
  out.push(line);
  fresh.push(() => { const i = page.items[name]; line.textContent = line.title = [i.what, i.on ? `on "${i.on}"` : "on the table", i.origin ? `figures are of: ${i.origin}` : ""].filter(Boolean).join("; "); });
  const fields = element("div", "", { className: "fields" });
  const steps = item.steps;
  ["X", "Y", "Z", "turn"].forEach((axis, k) => {
    const small = k === 2 ? 0.1 : k === 3 ? 1 : steps[0], large = k === 2 ? 1 : k === 3 ? 5 : steps[1];
    const input = element("input", "", { type: "number", step: small, id: `at-${axis}` });
    input.setAttribute("aria-label", k === 3 ? "turn about Z, degrees" : `machine ${axis}, mm`);
    const by = (v) => send({ do: "move", item: name, by: [0, 1, 2].map((a) => (a === k ? v : 0)), turn: k === 3 ? v : 0 });
    const less = element("button", "\u2212", { title: `${small} less; with Shift ${large}` }), more = element("button", "+", { title: `${small} more; with Shift ${large}` });
    less.setAttribute("aria-label", `${axis} less`); more.setAttribute("aria-label", `${axis} more`);
    less.onclick = (event) => by(event.shiftKey ? -large : -small);
    more.onclick = (event) => by(event.shiftKey ? large : small);
    input.onchange = () => {
      const v = parseFloat(input.value);
      taken(input);
      if (Number.isFinite(v)) send(k === 3 ? { do: "to", item: name, turn: v } : { do: "to", item: name, at: [0, 1, 2].map((a) => (a === k ? v : null)) });
    };
    const label = element("label", ["X", "Y", "Z", "Turn"][k], { htmlFor: input.id, title: k === 2 ? "packing under it: page up, page down" : "" });
    if (k % 2) label.style.gridColumn = 6;
    fields.append(label, less, input, more);
    fresh.push(() => field(input, k === 3 ? page.items[name].turn : page.items[name].at[k]));
  });
  out.push(fields);
  const moved = element("p", "", { className: "small", id: "by" });
  out.push(moved);
  fresh.push(() => {
    const now = page.items[name], signed = (d) => `${d > 0 ? "+" : "\u2212"}${Math.abs(d).toFixed(2)}`;
    const words = [...now.moved, now.by_turn].map((d, k) => (Math.abs(d) > 5e-4 ? `${["X", "Y", "Z", "turn"][k]} ${signed(d)}` : "")).filter(Boolean);
    moved.textContent = words.length ? `From the file: ${words.join(", ")}` : "Where the file has it.";
  });
  const idle = element("div", "", { id: "idle" });
  out.push(idle);
  fresh.push(() => {
    const told = page.judged?.findings.find((one) => one.kind === "clamp idle" && one.item === page.items[name].label);
    idle.textContent = told && !page.items[name].off ? `\u25C6 It ${told.message}.` : "";
    idle.className = told ? "warn" : "";
  });
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
    const row = element("div", "", { className: "row slot" });
    for (const [text, by, key] of [["\u25C0 along its slot", -1, "Shift+L"], ["along its slot \u25B6", 1, "L"]]) {
      const button = element("button", text, { title: `1 mm, back or towards its tip; key ${key}` });
      button.onclick = () => send({ do: "slide", item: name, by });
      row.append(button, " ");
    }
    box.append(row);
  }
  if (screw.off === null) {
    const words = screw.on ? `Nobody says where "${screw.on}" has thread holes; its screw wants one here.` : "It stands on the table: nobody says that there is a thread hole for its screw.";
    box.append(element("p", words, { className: "warn", id: "screw" }));
    return;
  }
  const well = screw.off <= 1.0, there = screw.holes.findIndex((hole) => Math.hypot(hole[0] - screw.at[0], hole[1] - screw.at[1]) <= 1.0), other = well ? screw.taken[there] : null;
  const words = !well ? `\u25C6 No thread hole here: its screw stands ${screw.off.toFixed(1)} mm beside the nearest one of "${screw.on}", at X ${screw.nearest[0].toFixed(1)} Y ${screw.nearest[1].toFixed(1)}.`
    : other ? `\u2715 "${other}" stands in this thread hole of "${screw.on}" already.` : `\u25CB Its screw stands in a thread hole of "${screw.on}".`;
  box.append(element("div", words, { className: well && !other ? "well" : "warn", id: "screw" }));
  const row = element("div", "", { className: "row" });
  for (const [text, by, key] of [["\u25C0 hole", -1, "Shift+H"], ["Into the nearest hole", 0, ""], ["hole \u25B6", 1, "H"]]) {
    const button = element("button", text, { title: `the next one that is free${key ? `; key ${key}` : ""}`, id: `hole${by}` });
    button.onclick = () => send({ do: "hole", item: name, step: by });
    row.append(button, " ");
  }
  box.append(row);
}

function paramLine(name, param, fresh) {
  const line = element("div", "", { className: "param" }), id = `param-${param.name}`;
  const label = element("label", "", { htmlFor: id, title: `${param.meaning}${param.unit ? ` (${param.unit})` : ""}` });
  const told = () => page.items[name]?.params.find((one) => one.name === param.name), now = () => told()?.value;
  const named = () => { label.textContent = param.name.replaceAll("_", " ") + (told()?.fitted ? " (fits)" : ""); };
  named();
  fresh.push(named);
  if (param.choices.length) {
    const select = element("select", "", { id, className: "wide" });
    select.append(...param.choices.map((one) => option(one)));
    select.onchange = () => send({ do: "set", item: name, param: param.name, value: select.value });
    fresh.push(() => { select.value = now(); });
    line.append(label, select);
  } else if (param.many || typeof now() !== "number") {
    const input = element("input", "", { id, type: "text", className: "wide", title: param.meaning });
    input.onchange = () => { taken(input); const v = input.value.split(/[ ,;]+/).filter(Boolean).map(Number); if (v.length && v.every(Number.isFinite)) send({ do: "set", item: name, param: param.name, value: param.many ? v : v[0] }); else page.refuse(`${param.name}: numbers, please`); };
    fresh.push(() => field(input, [now()].flat().filter((v) => v !== null).join(", ")));
    line.append(label, input);
  } else {
    const value = now(), low = param.low ?? Math.min(0, value), high = param.high ?? Math.max(value * 3, low + 30);
    const slider = element("input", "", { type: "range", min: low, max: high, step: "any" });
    slider.setAttribute("aria-label", label.textContent);
    const input = element("input", "", { id, type: "number", min: param.low ?? "", max: param.high ?? "", step: 0.1 });
    let first = true;
    const set = (v, on = false) => send({ do: "set", item: name, param: param.name, value: Math.round(v * 1000) / 1000, on });
    // a drag goes in tenths; a key by one of these, with Shift by ten
    slider.oninput = () => { page.held = true; set(Math.round(slider.value * 10) / 10, !first); first = false; };
    slider.onchange = () => { page.held = false; first = true; };
    slider.onkeydown = (event) => {
      const way = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
      if (!way) return;
      event.preventDefault();
      slider.value = Math.min(Math.max(Number(slider.value) + way * (event.shiftKey ? 1 : 0.1), low), high);
      set(Number(slider.value), event.repeat);
    };
    input.onchange = () => { const v = parseFloat(input.value); taken(input); if (Number.isFinite(v)) send({ do: "set", item: name, param: param.name, value: v }); };
    fresh.push(() => { const v = now(); field(input, v); if (!page.held && document.activeElement !== slider) slider.value = v; });
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
  const verdicts = element("p", "", { id: "verdicts" }), before = page.ofFile, now = page.judged;
  verdicts.textContent = `Judged: ${before ? `${MARKS[before.verdict]} ${before.verdict}, least to spare ${before.spare}, as the file has it` : "nobody had it judged as the file has it"}; now ${now && !now.none ? `${MARKS[now.verdict]} ${now.verdict}, least to spare ${now.rows[0]?.spare ?? "-"}` : "not judged yet"}.`;
  out.push(verdicts);
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
/** What a look at the difference says of the verdict, as long as it is open. */
export function verdictNow() {
  return page.judged && !page.judged.none ? `Judged: ${page.judged.verdict}.` : "Not judged yet.";
}

export function showDifference(told) {
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
  const verdict = element("b", verdictNow(), { id: "dialog-verdict" }), words = element("p");
  words.append(verdict, " Lines with \u2212 go, lines with + come; all else stays as it is.");
  const row = element("div", "", { className: "row" }), second = element("div", "", { className: "row" });
  row.append(over, no); second.append(other, as);
  box.replaceChildren(element("h2", "What would be written"), words, text, row, second);
  box.showModal();
  over.focus();
}

export function showKeys() {
  const box = $("dialog"), list = element("dl");
  const keys = [["N, Shift+N", "next item, item before"], ["Left Right Up Down", "move it along machine X and Y: laid by hand 1 mm, all else 0.1; with Shift 5 and 1"],
    ["Page Up, Page Down", "packing under it: 0.1 mm up, down; with Shift 1"], ["+, \u2212", "turn it by 1 degree, anticlockwise and clockwise"], ["H, Shift+H", "its screw into the next thread hole that is free, the one before"],
    ["L, Shift+L", "push it along its slot by 1 mm, its screw where it is; back"], ["O", "take it off, put it on"], ["U, Y", "undo, redo"], ["R, Shift+R", "raise all on the table by 0.1 mm, lower it"], ["A", "to the least raise that is free"], [", and .", "the job: step before, next step"], ["1, 2, 3", "its figures, what changed, what was found besides"], ["M", "where it may stand: fill the map, leave it"],
    ["V", "from the front, from the right, in space; [ and ] turn what is seen in space"], ["F, Shift+F", "the part into the drawings, all into them"], ["Z, Shift+Z", "nearer, farther; with nothing chosen the arrows push the drawing"],
    ["J", "judge"], ["Esc", "out of a field, which stays as it was; stop judging; choose nothing"], ["W", "write it down"], ["Tab", "to every button, field and slider"]];
  for (const [key, words] of keys) { const dt = element("dt"); dt.append(element("kbd", key)); list.append(dt, element("dd", words)); }
  const shut = element("button", "Close", { className: "main" });
  shut.onclick = () => box.close();
  box.replaceChildren(element("h2", "Keys"), list, shut);
  box.showModal();
}

