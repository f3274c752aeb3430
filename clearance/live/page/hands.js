// Pointer and keys come in; what is moved, and by how much, goes out.

import { fit, leastRaise, nearer, step, stop, turnSide, turnSpace } from "./page.js";
import { showKeys } from "./panels.js";

const $ = (id) => document.getElementById(id);
/** a screw that comes so near to a thread hole goes into it, mm */
const CATCH = 4;
/** drags go in steps, mm and degrees */
const STEP = 0.1, DEGREE = 0.5, SLIDE = 0.5;

export function hands(page) {
  page.views.forEach((_, k) => pointer(page, page.views[k].svg, () => page.views[k]));
  addEventListener("keydown", (event) => key(page, event));
}

function pointer(page, svg, of) {
  let drag = null;
  svg.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    const view = of(), at = view.at(event), item = page.items[page.chosen];
    svg.focus({ preventScroll: true });
    svg.setPointerCapture(event.pointerId);
    if (event.target.id === "turn-knob") { drag = { kind: "turn", item: page.chosen, start: item.turn, from: angle(page, at), to: 0, on: false }; page.held = true; return; }
    if (event.target.id === "slide-knob") { drag = { kind: "slide", item: page.chosen, from: ahead(item, at), start: reach(item), on: false }; page.held = true; return; }
    const name = event.target.closest("[data-item]")?.dataset.item ?? null;
    if (name) {
      if (name !== page.chosen) page.choose(name);
      const { at: start, screw } = page.items[name];
      drag = { kind: "move", item: name, from: at, start, to: [null, null, null], on: false, way: null, screw, px: [event.clientX, event.clientY] };
      page.held = true;
    } else drag = { kind: "look", from: at };
  });
  svg.addEventListener("pointermove", (event) => {
    const view = of(), at = view.at(event);
    if (view.name === "top") $("where").textContent = `X ${at[0].toFixed(1)}  Y ${at[1].toFixed(1)}`;
    if (!drag) return;
    if (drag.kind === "look") {
      const [x, y, w, h] = view.box;
      view.look(x + w / 2 + drag.from[0] - at[0], y + h / 2 + drag.from[1] - at[1], w, h);
      return;
    }
    if (drag.kind === "turn") {
      const turn = Math.round(between(drag.from, angle(page, at)) / DEGREE) * DEGREE;
      if (turn !== drag.to) { page.send({ do: "to", item: drag.item, turn: between(0, drag.start + turn), on: drag.on }); drag.on = true; drag.to = turn; }
      return;
    }
    const item = page.items[drag.item];
    if (drag.kind === "slide") {
      // counted from what came of it so far: the slot has an end
      const gone = reach(item) - drag.start, [back, on] = item.slides ?? [0, 0];
      const by = Math.min(Math.max(Math.round((ahead(item, at) - drag.from - gone) / SLIDE) * SLIDE, -back), on);
      if (Math.abs(by) > 0.05 && page.waiting === null) { page.send({ do: "slide", item: drag.item, by, on: drag.on }); drag.on = true; }
      return;
    }
    // a click is no drag
    if (!drag.on && Math.hypot(event.clientX - drag.px[0], event.clientY - drag.px[1]) < 4) return;
    const by = view.along(at[0] - drag.from[0], at[1] - drag.from[1]);
    if (!view.level) {
      // one way at a time, so that nothing is lifted off by accident
      const [a, b] = view.axes;
      drag.way ??= Math.abs(by[a]) >= Math.abs(by[b]) ? a : b;
      by[drag.way === a ? b : a] = 0;
    }
    let to = by.map((v, k) => (v ? Math.round((drag.start[k] + Math.round(v / STEP) * STEP) * 1e6) / 1e6 : null));
    if (view.level && drag.screw?.holes.length && !event.altKey) {
      const x = drag.screw.at[0] + by[0], y = drag.screw.at[1] + by[1];
      const near = drag.screw.holes.find((hole, k) => !drag.screw.taken[k] && Math.hypot(hole[0] - x, hole[1] - y) < CATCH);
      if (near) to = [drag.start[0] + near[0] - drag.screw.at[0], drag.start[1] + near[1] - drag.screw.at[1], null];
    }
    if (to.some((v, k) => v !== drag.to[k])) {
      page.send({ do: "to", item: drag.item, at: to.map((v, k) => v ?? (drag.to[k] === null ? null : drag.start[k])), on: drag.on });
      drag.on = true;
      drag.to = to;
    }
  });
  const end = () => { drag = null; page.held = false; };
  svg.addEventListener("pointerup", end);
  svg.addEventListener("pointercancel", end);
  svg.addEventListener("wheel", (event) => { const view = of(); event.preventDefault(); view.zoom(event.deltaY > 0 ? 1.15 : 1 / 1.15, view.at(event)); }, { passive: false });
}

/** How far a place lies ahead of a strap's screw, where it points. */
function ahead(item, at) {
  const c = (item.turn * Math.PI) / 180;
  return (at[0] - item.at[0]) * Math.cos(c) + (at[1] - item.at[1]) * Math.sin(c);
}
const reach = (item) => item.params.find((one) => one.name === "reach")?.value ?? 0;

function angle(page, at) {
  const c = page.items[page.chosen].at;
  return (Math.atan2(at[1] - c[1], at[0] - c[0]) * 180) / Math.PI;
}
function between(was, now) { return ((((now - was + 180) % 360) + 360) % 360) - 180; }

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

function key(page, event) {
  if ($("dialog").open) return;
  const on = event.target;
  const typing = on.matches?.("input[type=number], input[type=text], input[type=range], select");
  if (event.ctrlKey || event.metaKey) {
    if (event.key === "z" && !typing) { event.preventDefault(); page.send({ do: event.shiftKey ? "redo" : "undo" }); }
    else if (event.key === "y" && !typing) { event.preventDefault(); page.send({ do: "redo" }); }
    return;
  }
  if (event.altKey) return;
  if (typing) {
    if (event.key === "Escape") { if (on.dataset.shown !== undefined) on.value = on.dataset.shown; on.blur(); }
    return;
  }
  const item = page.items[page.chosen], shift = event.shiftKey;
  const move = (by, turn = 0) => item && page.send({ do: "move", item: page.chosen, by, turn, on: event.repeat });
  const done = () => event.preventDefault();
  if (event.key in ARROWS && item) {
    done();
    const [x, y] = ARROWS[event.key], size = item.steps[shift ? 1 : 0];
    return move([x * size, y * size, 0]);
  }
  if (event.key in ARROWS) {
    done();
    for (const view of page.views) { const [x, y, w, h] = view.box, by = ARROWS[event.key]; view.look(x + w / 2 - (by[0] * w) / 10, y + h / 2 - (by[1] * h) / 10, w, h); }
    return;
  }
  if (event.key === "PageUp" || event.key === "PageDown") { done(); return move([0, 0, (event.key === "PageUp" ? 1 : -1) * (shift ? 1 : 0.1)]); }
  if (event.key === "+" || event.key === "=") return move([0, 0, 0], 1);
  if (event.key === "-") return move([0, 0, 0], -1);
  const all = page.choices(), k = all.indexOf(page.chosen);
  switch (event.key.toLowerCase()) {
    case "n": return page.choose(all[(k + (shift ? all.length - 1 : 1) + (k < 0 && shift ? 1 : 0)) % all.length]);
    case "h": return item && page.send({ do: "hole", item: page.chosen, step: shift ? -1 : 1 });
    case "l": return item && page.send({ do: "slide", item: page.chosen, by: shift ? -1 : 1, on: event.repeat });
    // a key counts from what the one before it asked for: the tool knows
    case "o": return item && page.send({ do: "toggle", item: page.chosen });
    case "u": return page.send({ do: "undo" });
    case "y": return page.send({ do: "redo" });
    // keys come faster than answers: here too each counts from what the one before it asked for
    case "r":
      page.raiseTo = Math.round(((page.raiseTo ?? page.told.raised) + (shift ? -0.1 : 0.1)) * 100) / 100;
      return page.send({ do: "raise", by: page.raiseTo, on: event.repeat });
    case "a": return leastRaise();
    case "v": return turnSide();
    case "[": return turnSpace(-15);
    case "]": return turnSpace(15);
    case "z": return nearer(shift ? 1.25 : 0.8);
    case "1": case "2": case "3": return document.querySelectorAll("[role=tab]")[event.key - 1].onclick();
    case "m": $("show-map").checked = !$("show-map").checked; return $("show-map").onchange();
    case "f": return fit(shift);
    case "j": page.judging = true; return page.send({ do: "rest" });
    case "w": return page.send({ do: "difference" });
    case ",": return step(-1);
    case ".": return step(1);
    case "?": return showKeys();
    case "escape":
      page.hush();
      if (page.judging) return stop();
      return page.choose(null);
  }
}
