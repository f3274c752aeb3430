// Pointer and keys come in; what is moved, and by how much, goes out.

import { fit, step, turnSide } from "./page.js";
import { showKeys, toHole } from "./panels.js";

const $ = (id) => document.getElementById(id);
/** a screw that comes so near to a thread hole goes into it, mm */
const CATCH = 4;
/** drags go in steps, mm and degrees */
const STEP = 0.1, DEGREE = 0.5;

export function hands(page) {
  for (const view of page.views) pointer(page, view);
  addEventListener("keydown", (event) => key(page, event));
}

function pointer(page, view) {
  let drag = null;
  view.svg.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    const at = view.at(event);
    view.svg.focus({ preventScroll: true });
    view.svg.setPointerCapture(event.pointerId);
    if (event.target.id === "turn-knob") { drag = { kind: "turn", item: page.chosen, gone: 0, from: angle(page, at), on: false }; page.held = true; return; }
    const name = event.target.closest("[data-item]")?.dataset.item ?? null;
    if (name) {
      if (name !== page.chosen) page.choose(name);
      drag = { kind: "move", item: name, from: at, gone: [0, 0, 0], on: false, way: null, screw: page.items[name].screw, px: [event.clientX, event.clientY] };
      page.held = true;
    } else drag = { kind: "look", from: at };
  });
  view.svg.addEventListener("pointermove", (event) => {
    const at = view.at(event);
    if (view.name === "top") $("where").textContent = `X ${at[0].toFixed(1)}  Y ${at[1].toFixed(1)}`;
    if (!drag) return;
    if (drag.kind === "look") {
      const [x, y, w, h] = view.box;
      view.look(x + w / 2 + drag.from[0] - at[0], y + h / 2 + drag.from[1] - at[1], w, h);
      return;
    }
    if (drag.kind === "turn") {
      const turn = Math.round(between(drag.from, angle(page, at)) / DEGREE) * DEGREE;
      const by = turn - drag.gone;
      if (by) { page.send({ do: "move", item: drag.item, by: [0, 0, 0], turn: by, on: drag.on }); drag.on = true; drag.gone = turn; }
      return;
    }
    // a click is no drag
    if (!drag.on && Math.hypot(event.clientX - drag.px[0], event.clientY - drag.px[1]) < 4) return;
    const [a, b] = view.axes, to = [0, 0, 0];
    to[a] = at[0] - drag.from[0];
    to[b] = at[1] - drag.from[1];
    if (view.name !== "top") {
      // one way at a time, so that nothing is lifted off by accident
      drag.way ??= Math.abs(to[a]) >= Math.abs(to[b]) ? a : b;
      to[drag.way === a ? b : a] = 0;
    }
    for (const k of [0, 1, 2]) to[k] = Math.round(to[k] / STEP) * STEP;
    if (view.name === "top" && drag.screw?.holes.length && !event.altKey) {
      const x = drag.screw.at[0] + to[0], y = drag.screw.at[1] + to[1];
      const near = drag.screw.holes.find((hole) => Math.hypot(hole[0] - x, hole[1] - y) < CATCH);
      if (near) { to[0] = near[0] - drag.screw.at[0]; to[1] = near[1] - drag.screw.at[1]; }
    }
    const by = to.map((v, k) => v - drag.gone[k]);
    if (by.some((v) => Math.abs(v) > 1e-9)) {
      page.send({ do: "move", item: drag.item, by, on: drag.on });
      drag.on = true;
      drag.gone = to;
    }
  });
  const end = () => { drag = null; page.held = false; };
  view.svg.addEventListener("pointerup", end);
  view.svg.addEventListener("pointercancel", end);
  view.svg.addEventListener("wheel", (event) => { event.preventDefault(); view.zoom(event.deltaY > 0 ? 1.15 : 1 / 1.15, view.at(event)); }, { passive: false });
}

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
  if (typing) { if (event.key === "Escape") on.blur(); return; }
  const item = page.items[page.chosen], shift = event.shiftKey;
  const move = (by, turn = 0) => item && page.send({ do: "move", item: page.chosen, by, turn, on: event.repeat });
  const done = () => event.preventDefault();
  if (event.key in ARROWS && item) {
    done();
    const [x, y] = ARROWS[event.key], size = item.steps[shift ? 1 : 0];
    return move([x * size, y * size, 0]);
  }
  if (event.key === "PageUp" || event.key === "PageDown") { done(); return move([0, 0, (event.key === "PageUp" ? 1 : -1) * (shift ? 1 : 0.1)]); }
  if (event.key === "+" || event.key === "=") return move([0, 0, 0], 1);
  if (event.key === "-") return move([0, 0, 0], -1);
  const all = page.choices(), k = all.indexOf(page.chosen);
  switch (event.key.toLowerCase()) {
    case "n": return page.choose(all[(k + (shift ? all.length - 1 : 1) + (k < 0 && shift ? 1 : 0)) % all.length]);
    case "h": return item && toHole(page.chosen, shift ? -1 : 1);
    case "l": return item?.slides && page.send({ do: "slide", item: page.chosen, by: shift ? -1 : 1, on: event.repeat });
    case "o": return item && !item.cut && page.send({ do: item.off ? "on" : "off", item: page.chosen });
    case "u": return page.send({ do: "undo" });
    case "y": return page.send({ do: "redo" });
    // keys come faster than answers: each counts from what the one before it asked for
    case "r":
      page.raiseTo = Math.round(((page.raiseTo ?? page.told.raised) + (shift ? -0.1 : 0.1)) * 100) / 100;
      return page.send({ do: "raise", by: page.raiseTo, on: event.repeat });
    case "v": return turnSide();
    case "f": return fit();
    case "j": page.judging = true; return page.send({ do: "rest" });
    case "w": return page.told.changed.length && page.send({ do: "difference" });
    case ",": return step(-1);
    case ".": return step(1);
    case "?": return showKeys();
    case "escape":
      if (page.judging) return page.send({ do: "stop" });
      return page.choose(null);
  }
}
