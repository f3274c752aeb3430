// Where the chosen item may stand: asked of the tool while the box is ticked, drawn as it fills, and said in words
// of the place at which it stands now.

import { page } from "./page.js";

const $ = (id) => document.getElementById(id);
let about = null, says = "";

/** Ask for the map of what is chosen, or for none. */
export function wantMap() {
  const wanted = $("show-map").checked ? page.chosen : null;
  if (wanted === about) return say();
  about = wanted;
  page.map = null;
  says = wanted ? "filling \u2026" : "";
  page.send({ do: "where", item: wanted });
  page.draw(true);
  say();
}

/** What came of it. */
export function hearMap(told) {
  if (told.item !== about || about === null) return;
  if (told.anew) { page.map = null; says = "filled anew once all rests"; }
  if (told.map) { page.map = told.map; says = told.map.done ? "" : "filling \u2026"; }
  if (told.refused) says = `No map: ${told.refused}.`;
  if (told.failed) says = `No map: ${told.failed}.`;
  page.draw(true);
  say();
}

/** The map that is drawn, or none. */
export function showMap() {
  say();
  return about !== null && about === page.chosen ? page.map : null;
}

function say() {
  const item = page.items[page.chosen], out = [];
  if ($("show-map").checked && !page.chosen) out.push("Choose an item.");
  if (about !== null && page.map && item) {
    const [mark, words] = here(page.map, item);
    out.push(`${mark} ${words}`);
  }
  if (says) out.push(says);
  const text = out.join(" ");
  if ($("map-says").textContent !== text) $("map-says").textContent = $("map-says").title = text;
}

/** The mark and words of what the map says of where the item stands now. */
function here(map, item) {
  if (map.holes) {
    const screw = item.screw, hole = screw && map.holes.find((one) => Math.hypot(one.at[0] - screw.at[0], one.at[1] - screw.at[1]) < 0.5);
    if (!hole) return ["\u25C6", "No thread hole here."];
    // a turn belongs to the range that it is in, whichever way round it is counted
    const turn = item.turn - map.turn, kind = hole.turns.find(([from, to]) => [turn, turn + 360, turn - 360].some((t) => t >= from - 1e-6 && t <= to + 1e-6))?.[2];
    if (kind === "free") return ["\u25CB", "It may stand here."];
    if (kind === "slot") return ["\u25C6", "It may stand in this hole once it is pushed along its slot."];
    if (kind === "no") return ["\u2715", "It may not stand so in this hole."];
    return ["?", map.done ? "Not decided here, at an edge of what is free." : "Not known here yet."];
  }
  if (map.sides) {
    const on = (one) => { const e = one.ends, t = item.turn - map.turn - one.turn; if (Math.abs(((t + 540) % 360) - 180) > 0.1) return false;
      for (let k = 0; k < e.length; k += 4) if (apart(item.at, e.slice(k, k + 4).map((v) => v / 100)) < 0.1) return true; return false; };
    const kind = ["no", "open", "free"].find((one) => map.sides.some((side) => side.kind === one && on(side)));
    if (kind === "free") return ["\u25CB", "It may stand here."];
    if (kind === "no") return ["\u2715", "It may not stand here."];
    if (kind === "open") return ["?", map.done ? "Not decided here, at an edge of what is free." : "Not known here yet."];
    return ["\u25C6", "It does not lie against the side of a part here."];
  }
  const at = new DOMPoint(item.at[0], item.at[1]);
  for (const path of $("plan").querySelectorAll(".map")) {
    if (!path.isPointInFill(at)) continue;
    if (path.classList.contains("free")) return ["\u25CB", "It may stand here."];
    if (path.classList.contains("no")) return ["\u2715", `It may not stand here: ${path.why}.`];
  }
  return ["?", map.done ? "Not decided here, at an edge of what is free." : "Not known here yet."];
}

/** How far a place is from a bit of a line, x, y, x, y. */
function apart([x, y], [x1, y1, x2, y2]) {
  const dx = x2 - x1, dy = y2 - y1, t = Math.min(Math.max(((x - x1) * dx + (y - y1) * dy) / (dx * dx + dy * dy || 1), 0), 1);
  return Math.hypot(x - x1 - t * dx, y - y1 - t * dy);
}
