// What stands where goes in; the drawing from above and from the side comes out, as SVG. A view is a projection
// of machine X, Y, Z on a plane; space.js has the one that is turned about.

const NS = "http://www.w3.org/2000/svg";
/** machine axes across and up each view */
export const AXES = { top: [0, 1], front: [0, 2], right: [1, 2] };

export function make(name, attributes = {}, parent = null) {
  const one = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
  if (parent) parent.append(one);
  return one;
}

/** Faces and edges, hundredths of a millimetre, as the data of two paths. */
function faces(numbers) {
  let d = "";
  for (let k = 0; k < numbers.length; k += 6) {
    d += `M${numbers[k] / 100} ${numbers[k + 1] / 100}L${numbers[k + 2] / 100} ${numbers[k + 3] / 100}`;
    d += `L${numbers[k + 4] / 100} ${numbers[k + 5] / 100}Z`;
  }
  return d;
}

export function lines(numbers) {
  let d = "", x = null, y = null;
  for (let k = 0; k < numbers.length; k += 4) {
    if (numbers[k] !== x || numbers[k + 1] !== y) d += `M${numbers[k] / 100} ${numbers[k + 1] / 100}`;
    x = numbers[k + 2]; y = numbers[k + 3];
    d += `L${x / 100} ${y / 100}`;
  }
  return d;
}

export class View {
  /** @param svg where it is drawn. @param name "top", "front" or "right". */
  constructor(svg, name) {
    this.svg = svg;
    this.name = name;
    this.box = null;
    this.known = new Map();
    this.clear();
    new ResizeObserver(() => this.resized()).observe(svg);
  }

  /** The place on the drawing, across and up, of a place of the machine; and of a way. */
  flat(p) { const [a, b] = this.axes; return [p[a], p[b]]; }
  /** The way in machine X, Y, Z of a way on the drawing; null for what a drag in it leaves as it is. */
  along(across, up) { const [a, b] = this.axes, to = [0, 0, 0]; to[a] = across; to[b] = up; return to; }
  /** As seen from above: X Y are dragged together, screws catch in holes. */
  get level() { return this.name === "top"; }

  clear() {
    this.svg.replaceChildren();
    this.known.clear();
    this.drawn = {};
    if (this.name === "top") this.hatch();
    this.flip = make("g", { transform: "scale(1,-1)" }, this.svg);
    for (const layer of ["machine", "swept", "items", "map", "ways", "heads", "handles"])
      this[layer] = make("g", {}, this.flip);
    this.words = make("g", {}, this.svg);
  }

  /** What is forbidden is hatched: colours alone tell nothing. */
  hatch() {
    const one = make("pattern", { id: "hatch", width: 3, height: 3, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, make("defs", {}, this.svg));
    make("path", { d: "M0 0V3", stroke: "#a8001c", "stroke-width": 0.8 }, one);
  }

  get axes() { return AXES[this.name]; }
  /** millimetres in a pixel */
  get mm() { return this.box ? this.box[2] / Math.max(this.svg.clientWidth, 1) : 1; }

  look(x, y, wide, high) {
    const w = this.svg.clientWidth || 600, h = this.svg.clientHeight || 300;
    const scale = Math.max(wide / w, high / h);
    this.box = [x - (scale * w) / 2, y - (scale * h) / 2, scale * w, scale * h];
    this.svg.setAttribute("viewBox", `${this.box[0]} ${-this.box[1] - this.box[3]} ${this.box[2]} ${this.box[3]}`);
    this.onlook?.();
  }

  resized() {
    if (!this.box || this.idle) return;
    const [x, y, w, h] = this.box;
    this.look(x + w / 2, y + h / 2, w, h);
  }

  zoom(factor, at = null) {
    const [x, y, w, h] = this.box;
    const c = at ?? [x + w / 2, y + h / 2];
    this.look(c[0] + (x + w / 2 - c[0]) * factor, c[1] + (y + h / 2 - c[1]) * factor, w * factor, h * factor);
  }

  /** The place, across and up in mm, under a pointer. */
  at(event) {
    const box = this.svg.getBoundingClientRect();
    const mm = this.mm;
    return [this.box[0] + (event.clientX - box.left) * mm, this.box[1] + (box.bottom - event.clientY) * mm];
  }

  drawMachine(bodies) {
    this.machine.replaceChildren();
    for (const body of bodies) this.body(make("g", { class: "machine" }, this.machine), body.draw);
  }

  body(group, draw) {
    const mine = draw[this.name];
    make("path", { class: "faces", d: faces(mine.faces) }, group);
    make("path", { class: "edges", d: lines(mine.edges) }, group);
  }

  /** New shapes; those of other items stay. */
  drawShapes(shapes) {
    for (const [name, shape] of Object.entries(shapes)) {
      let group = this.known.get(name);
      if (!group) {
        group = make("g", { "data-item": name }, this.items);
        this.known.set(name, group);
      }
      group.replaceChildren();
      group.top = shape.top;
      this.body(group, shape.draw);
      if (this.name === "top")
        for (let k = 0; k < shape.holes.length; k += 2)
          make("circle", { class: "hole", cx: shape.holes[k] / 100, cy: shape.holes[k + 1] / 100, r: 2.2 }, group);
    }
    for (const [name, group] of this.known) if (!shapes[name] && !this.names?.has(name)) { group.remove(); this.known.delete(name); }
  }

  /** Whether a layer is to be drawn again: what it shows is another thing than before. */
  anew(layer, ...what) {
    const before = this.drawn[layer];
    this.drawn[layer] = what;
    return !before || what.some((one, k) => one !== before[k]);
  }

  /** Each item where it is: shifted, and as seen from above turned. */
  place(items, chosen, there) {
    const [a, b] = this.axes;
    this.names = new Set(Object.keys(items));
    const order = [...this.known].sort((p, q) => p[1].top - q[1].top || (p[0] < q[0] ? -1 : 1));
    let last = null;
    for (const [name, group] of order) {
      const item = items[name];
      if (!item) continue;
      const turn = this.name === "top" && item.turned ? ` rotate(${item.turned})` : "";
      set(group, "transform", `translate(${item.shift[a]} ${item.shift[b]})${turn}`);
      const later = this.name !== "top" && item.turned ? " later" : "";
      const away = there && !there.has(name) ? " away" : "";
      set(group, "class", `item ${item.kind}${item.off ? " off" : ""}${name === chosen ? " chosen" : ""}${later}${away}`);
      if (last ? last.nextSibling !== group : this.items.firstChild !== group)
        last ? last.after(group) : this.items.prepend(group);
      last = group;
    }
  }

  /** Paths, by what each move has to spare where that is known: along[cut] = [[moves, level], ...]. */
  drawPaths(paths, along, next) {
    if (!this.anew("ways", paths, along, next)) return;
    if (this.name === "top") return this.drawWays(paths, along, next, () => "");
    this.ways.replaceChildren();
    this.drawLevels(paths);
  }

  /** The paths, each on its plane: by `turned` one that is not seen from above. */
  drawWays(paths, along, next, turned) {
    this.ways.replaceChildren();
    for (const path of paths) {
      const level = levels(path, along);
      const rapid = new Set(path.rapid);
      const by = new Map();
      for (let k = 0; k < path.move.length; k++) {
        const kind = !path.cut || rapid.has(k) ? "rapid" : level ? `l${level[path.move[k]]}` : "unknown";
        if (!by.has(kind)) by.set(kind, []);
        const p = path.points, list = by.get(kind);
        list.push(p[4 * k], p[4 * k + 1], p[4 * k + 2], p[4 * k + 3]);
      }
      for (const kind of ["rapid", "unknown", "l3", "l2", "l1", "l0"])
        if (by.has(kind)) {
          const one = make("path", { class: `way ${kind}`, d: lines(by.get(kind)), transform: turned(path) }, this.ways);
          one.plane = path.z[1];
          if (next && path.cut && path.name !== next) one.style.opacity = 0.25;
        }
    }
  }

  /** From the side: the heights at which both faces go along. */
  drawLevels(paths) {
    for (const path of paths) {
      const x = across(path, this.axes[0]);
      for (const z of path.z) make("line", { class: path.cut ? "way unknown" : "way rapid", x1: x[0], x2: x[1], y1: z, y2: z }, this.ways);
    }
  }

  /** All that a head goes over. */
  drawSwept(paths, heads, next) {
    if (!this.anew("swept", paths, next, heads.join())) return;
    this.swept.replaceChildren();
    for (const path of paths) {
      if (next && path.cut && path.name !== next) continue;
      for (const head of heads) {
        for (const piece of path[head]) {
          const r = Math.max(...piece.r), [x0, x1, y0, y1] = piece.rect;
          if (this.name === "top") {
            if (x0 || x1 || y0 || y1 || !path.cut) continue;
            make("path", { class: `swept ${head}`, d: lines(path.points), "stroke-width": 2 * r }, this.swept);
          } else if (path.cut) {
            const a = this.axes[0], low = a === 0 ? x0 : y0, high = a === 0 ? x1 : y1, x = across(path, a);
            make("rect", { class: `swept ${head}`, x: x[0] + low - r, width: x[1] - x[0] + high - low + 2 * r,
              y: piece.z[0], height: piece.z.at(-1) - piece.z[0] }, this.swept);
          }
        }
      }
    }
  }

  /** Both heads where they stand, machine X Y. */
  drawHeads(path, at, which) {
    if (!this.anew("heads", path, at, which)) return;
    this.heads.replaceChildren();
    if (!path || !at) return;
    for (const head of ["lower", "upper"]) {
      for (const piece of path[head]) {
        const [x0, x1, y0, y1] = piece.rect, r = Math.max(...piece.r);
        const kind = { class: `head ${head}`, style: "" };
        delete kind.style;
        if (which && which !== head && which !== "wire") kind.opacity = 0.45;
        if (this.name === "top") {
          if (x0 || x1 || y0 || y1) make("rect", { ...kind, x: at[0] + x0, y: at[1] + y0, width: x1 - x0, height: y1 - y0, rx: r }, this.heads);
          else make("circle", { ...kind, cx: at[0], cy: at[1], r }, this.heads);
        } else {
          const a = this.axes[0], low = a === 0 ? x0 : y0, high = a === 0 ? x1 : y1, c = at[a];
          const left = piece.z.map((z, k) => `${c + low - piece.r[k]} ${z}`), right = piece.z.map((z, k) => `${c + high + piece.r[k]} ${z}`);
          make("path", { ...kind, d: `M${left.join("L")}L${right.reverse().join("L")}Z` }, this.heads);
        }
      }
    }
  }

  /** Numbers at places, the chosen item's name, the axes. Numbers that would lie on each other stand beside
   *  their places, on a line to them; what is out of the drawing has none. */
  drawWords(places, chosen) {
    const mm = this.mm;
    this.words.replaceChildren();
    if (!this.box) return;
    const taken = [], arms = make("g", {}, this.words), [left, low, wide, high] = this.box;
    if (chosen) {
      const half = 4.3 * chosen.name.length * mm, y = this.flat(chosen.at)[1];
      const x = Math.min(Math.max(this.flat(chosen.at)[0], left + half), left + wide - half);
      taken.push([x, y + 19 * mm, half, 9 * mm]);
      make("text", { class: "name", x, y: -y - 14 * mm, "font-size": 13 * mm, "stroke-width": 3.5 * mm }, this.words).textContent = chosen.name;
    }
    const seen = places.map((place) => [place, ...this.flat(place.at)])
      .filter(([, x, y]) => x > left && x < left + wide && y > low && y < low + high);
    // a place keeps its own spot free of other places' numbers, where there is room
    const spots = seen.map(([, x, y]) => [x, y, 1.5 * mm, 1.5 * mm]);
    const apart = (x, y) => ([p, q, w, h]) => Math.abs(p - x) > w + 9.5 * mm || Math.abs(q - y) > h + 9.5 * mm;
    const inside = (x, y) => x > left + 10 * mm && x < left + wide - 10 * mm && y > low + 10 * mm && y < low + high - 10 * mm;
    const room = (x, y) => {
      for (const tight of [false, true])
        for (const far of [0, 21, 34, 48, 64, 84, 108, 140, 180])
          for (let k = 0; k < (far ? 12 : 1); k++) {
            const angle = Math.PI * (0.25 + k / 6), p = x + far * mm * Math.cos(angle), q = y + far * mm * Math.sin(angle), is = apart(p, q);
            if (inside(p, q) && taken.every(is) && (tight || spots.every((spot) => (spot[0] === x && spot[1] === y) || is(spot)))) return [p, q];
          }
      return [x, y];
    };
    for (const [place, x, y] of seen) {
      const at = room(x, y);
      taken.push([...at, 9 * mm, 9 * mm]);
      const group = make("g", { class: `place ${place.verdict}`, "data-place": place.number }, this.words);
      if (at[0] !== x || at[1] !== y) {
        make("line", { class: "axes", x1: x, y1: -y, x2: at[0], y2: -at[1] }, arms);
        make("circle", { class: "spot", cx: x, cy: -y, r: 2.2 * mm }, arms);
      }
      make("circle", { cx: at[0], cy: -at[1], r: 9 * mm }, group);
      make("text", { x: at[0], y: -at[1] + 4.5 * mm, "font-size": 12.5 * mm }, group).textContent = place.number;
    }
    this.drawAxes();
  }

  drawAxes() {
    const mm = this.mm, [a, b] = this.axes, x = this.box[0] + 14 * mm, y = -this.box[1] - 14 * mm, l = 30 * mm;
    make("path", { class: "axes", d: `M${x} ${y - l}V${y}H${x + l}` }, this.words);
    make("text", { class: "axes-words", x: x + l + 3 * mm, y: y + 4 * mm, "font-size": 13 * mm }, this.words).textContent = "XYZ"[a];
    make("text", { class: "axes-words", x: x - 4 * mm, y: y - l - 4 * mm, "font-size": 13 * mm }, this.words).textContent = "XYZ"[b];
  }

  /** The cross at the chosen item's own point, and the knob by which it is turned. */
  drawHandles(item) {
    const mm = this.mm;
    this.handles.replaceChildren();
    if (!item) return;
    const [x, y] = this.flat(item.at), s = 8 * mm;
    make("path", { class: "origin", d: `M${x - s} ${y}h${2 * s}M${x} ${y - s}v${2 * s}` }, this.handles);
    if (this.name !== "top") return;
    // on the side where it points, or on the other one where that is out of the drawing
    const [left, low, wide, high] = this.box, r = 9 * mm;
    const inside = (p, q) => p > left + r && p < left + wide - r && q > low + r && q < low + high - r;
    const ahead = (item.turn * Math.PI) / 180, far = 62 * mm, near = 36 * mm;
    const c = inside(x + far * Math.cos(ahead), y + far * Math.sin(ahead)) ? ahead : ahead + Math.PI;
    const kx = x + far * Math.cos(c), ky = y + far * Math.sin(c);
    make("line", { class: "arm", x1: x, y1: y, x2: kx, y2: ky }, this.handles);
    make("circle", { class: "handle", cx: kx, cy: ky, r, id: "turn-knob" }, this.handles);
    if (item.slides) make("rect", { class: "handle", x: x + near * Math.cos(c) - 7 * mm, y: y + near * Math.sin(c) - 7 * mm, width: 14 * mm, height: 14 * mm, id: "slide-knob" }, this.handles);
  }

  /** Where the chosen item's own point, or its screw, may be: free, forbidden by what, not known yet. */
  drawMap(map, item) {
    if (!this.anew("map", map, map && item.turn)) return;
    this.map.replaceChildren();
    if (!map || this.name !== "top") return;
    if (map.holes) return this.drawTurns(map, item);
    if (map.sides) {
      for (const side of map.sides) make("path", { class: `map side ${side.kind}`, d: lines(side.ends) }, this.map);
      return;
    }
    const ring = (rings) => rings.map((r) => { let d = ""; for (let k = 0; k < r.length; k += 2) d += `${k ? "L" : "M"}${r[k] / 100} ${r[k + 1] / 100}`; return d + "Z"; }).join("");
    for (const why of map.why) {
      const one = make("path", { class: "map no", d: ring(why.rings), "fill-rule": "evenodd" }, this.map);
      one.why = why.words;
    }
    make("path", { class: "map open", d: ring(map.open), "fill-rule": "evenodd" }, this.map);
    make("path", { class: "map free", d: ring(map.free), "fill-rule": "evenodd" }, this.map);
  }

  /** At each thread hole a ring: which way the item may point from there. */
  drawTurns(map, item) {
    const inner = 5;
    for (const hole of map.holes) {
      if (hole.turns.some(([, , kind]) => kind === "free")) make("circle", { class: "map ring", cx: hole.at[0], cy: hole.at[1], r: 13 }, this.map);
      for (const [from, to, kind] of hole.turns) {
        // what is free stands out, however little it is
        const outer = kind === "free" ? 17 : kind === "slot" ? 14 : 10, a = ((from + map.turn) * Math.PI) / 180, b = ((to + map.turn) * Math.PI) / 180, big = to - from > 180 ? 1 : 0;
        const p = (r, t) => `${hole.at[0] + r * Math.cos(t)} ${hole.at[1] + r * Math.sin(t)}`;
        const whole = to - from > 359.9;
        const d = whole
          ? [outer, inner].map((r) => `M${p(r, 0)}A${r} ${r} 0 1 1 ${p(r, Math.PI)}A${r} ${r} 0 1 1 ${p(r, 0)}Z`).join("")
          : `M${p(inner, a)}L${p(outer, a)}A${outer} ${outer} 0 ${big} 1 ${p(outer, b)}L${p(inner, b)}A${inner} ${inner} 0 ${big} 0 ${p(inner, a)}Z`;
        make("path", { class: `map turns ${kind}`, d, "fill-rule": "evenodd" }, this.map);
      }
    }
  }
}

function set(element, name, value) {
  if (element.getAttribute(name) !== value) element.setAttribute(name, value);
}

function levels(path, along) {
  const told = along?.[path.name];
  if (!told) return null;
  const out = [];
  for (const [count, level] of told) for (let k = 0; k < count; k++) out.push(level);
  return out;
}

function across(path, axis) {
  let low = Infinity, high = -Infinity;
  for (let k = axis; k < path.points.length; k += 2) { low = Math.min(low, path.points[k] / 100); high = Math.max(high, path.points[k] / 100); }
  return [low, high];
}
