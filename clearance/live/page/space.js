// The view in space: bodies as points, facets and edges go in; what is seen of them from a side that is turned
// about comes out, as SVG like the other views. X and Y are dragged in it as they are seen.

import { View, lines, make } from "./drawing.js";

/** which of three shades a facet has, by its normal */
const shade = (n) => (n[2] > 0.7 ? 0 : Math.abs(n[0]) > Math.abs(n[1]) ? 1 : 2);

export class Space extends View {
  constructor(svg) {
    super(svg, "space");
    this.turned = 30;
    this.tilt = 35;
    this.shapes = new Map();
  }

  get axes() { return [0, 1]; }
  get level() { return true; }

  look3() {
    const a = (this.turned * Math.PI) / 180, t = (this.tilt * Math.PI) / 180;
    return { ca: Math.cos(a), sa: Math.sin(a), ct: Math.cos(t), st: Math.sin(t) };
  }

  flat(p) {
    const { ca, sa, ct, st } = this.look3();
    return [p[0] * ca + p[1] * sa, (p[1] * ca - p[0] * sa) * st + p[2] * ct];
  }

  along(across, up) {
    const { ca, sa, st } = this.look3(), away = up / st;
    return [across * ca - away * sa, across * sa + away * ca, 0];
  }

  /** The nearer of two places has more. */
  near(p) {
    const { ca, sa, ct, st } = this.look3();
    return (p[0] * sa - p[1] * ca) * ct + p[2] * st;
  }

  clear() {
    super.clear();
    this.shapes?.clear();
  }

  /** @param turned, tilt degrees. */
  turn(turned, tilt) {
    // about what is in the middle of the drawing, at the table's height
    const [left, low, wide, high] = this.box, pivot = this.along(left + wide / 2, low + high / 2);
    this.turned = turned; this.tilt = tilt;
    delete this.drawn.heads;
    for (const layer of [this.ways, this.swept]) for (const one of layer.children) one.setAttribute("transform", this.onPlane(one.plane));
    if (this.bodies) this.drawMachine(this.bodies);
    this.look(...this.flat(pivot), wide, high);
  }

  drawMachine(bodies) {
    this.bodies = bodies;
    this.machine.replaceChildren();
    for (const body of bodies) {
      const group = make("g", { class: "machine" }, this.machine);
      this.solid(group, known(body.draw.space), 0);
    }
  }

  drawShapes(shapes) {
    for (const [name, shape] of Object.entries(shapes)) {
      let group = this.known.get(name);
      if (!group) { group = make("g", { "data-item": name }, this.items); this.known.set(name, group); }
      group.as = null;
      group.top = shape.top;
      this.shapes.set(name, { ...known(shape.draw.space), box: shape.box });
    }
    for (const [name, group] of this.known) if (!shapes[name] && !this.names?.has(name)) { group.remove(); this.known.delete(name); }
  }

  /** A body, turned about Z by so many degrees, into a group. */
  solid(group, shape, turn) {
    group.replaceChildren();
    const { ca, sa, ct, st } = this.look3(), c = Math.cos((turn * Math.PI) / 180), s = Math.sin((turn * Math.PI) / 180);
    const { points, faces, edges, normals } = shape, n = points.length / 3, u = new Array(n), v = new Array(n);
    for (let k = 0; k < n; k++) {
      const x = points[3 * k] * c - points[3 * k + 1] * s, y = points[3 * k] * s + points[3 * k + 1] * c;
      u[k] = Math.round(x * ca + y * sa) / 100;
      v[k] = Math.round((y * ca - x * sa) * st + points[3 * k + 2] * ct) / 100;
    }
    const seen = new Array(faces.length / 3), d = ["", "", ""];
    for (let k = 0; k < seen.length; k++) {
      const x = normals[3 * k] * c - normals[3 * k + 1] * s, y = normals[3 * k] * s + normals[3 * k + 1] * c, z = normals[3 * k + 2];
      seen[k] = (x * sa - y * ca) * ct + z * st > 1e-6;
      if (!seen[k]) continue;
      const [p, q, r] = [faces[3 * k], faces[3 * k + 1], faces[3 * k + 2]];
      d[shade([x * ca + y * sa, y * ca - x * sa, z])] += `M${u[p]} ${v[p]}L${u[q]} ${v[q]}L${u[r]} ${v[r]}Z`;
    }
    d.forEach((path, k) => path && make("path", { class: `faces shade${k}`, d: path }, group));
    let e = "";
    for (let k = 0; k < edges.length; k += 5) {
      const a = seen[edges[k + 2]], b = edges[k + 3] >= 0 && seen[edges[k + 3]];
      if ((a && b && edges[k + 4]) || a !== b) e += `M${u[edges[k]]} ${v[edges[k]]}L${u[edges[k + 1]]} ${v[edges[k + 1]]}`;
    }
    make("path", { class: "edges", d: e }, group);
  }

  place(items, chosen, there) {
    this.names = new Set(Object.keys(items));
    const standing = [...this.known].filter(([name]) => items[name] && this.shapes.has(name));
    for (const [name, group] of standing) {
      const item = items[name], as = `${this.turned} ${this.tilt} ${item.turned}`;
      if (group.as !== as) { this.solid(group, this.shapes.get(name), item.turned); group.as = as; }
      const [u, v] = this.flat(item.shift);
      group.setAttribute("transform", `translate(${u} ${v})`);
      const away = there && !there.has(name) ? " away" : "";
      group.setAttribute("class", `item ${item.kind}${item.off ? " off" : ""}${name === chosen ? " chosen" : ""}${away}`);
    }
    this.items.append(...this.order(standing, items));
  }

  /** Groups, what stands under another one before it, else the farther before the nearer. */
  order(standing, items) {
    const boxes = standing.map(([name, group]) => {
      const box = this.shapes.get(name).box, by = items[name].shift;
      return { group, low: [0, 1, 2].map((k) => box[k] + by[k]), high: [0, 1, 2].map((k) => box[k + 3] + by[k]) };
    });
    for (const one of boxes) one.near = this.near([0, 1, 2].map((k) => (one.low[k] + one.high[k]) / 2));
    const under = (p, q) => (p.low[2] + p.high[2] < q.low[2] + q.high[2]) && [0, 1].every((k) => p.low[k] < q.high[k] && q.low[k] < p.high[k]);
    const out = [];
    while (boxes.length) {
      const free = boxes.filter((q) => !boxes.some((p) => p !== q && under(p, q)));
      const next = (free.length ? free : boxes).reduce((p, q) => (q.near < p.near ? q : p));
      boxes.splice(boxes.indexOf(next), 1);
      out.push(next.group);
    }
    return out;
  }

  /** What lies on a level plane, from its drawing from above. */
  onPlane(z) {
    const { ca, sa, ct, st } = this.look3();
    return `matrix(${ca} ${-sa * st} ${sa} ${ca * st} 0 ${z * ct})`;
  }

  drawPaths(paths, along, next) {
    if (!this.anew("ways", paths, along, next)) return;
    // at the upper head's face, where they are seen
    this.drawWays(paths, along, next, (path) => this.onPlane(path.z[1]));
  }

  drawSwept(paths, heads, next) {
    if (!this.anew("swept", paths, next, heads.join())) return;
    this.swept.replaceChildren();
    for (const path of paths) {
      if (!path.cut || (next && path.name !== next)) continue;
      for (const head of heads)
        for (const piece of path[head])
          if (!piece.rect.some(Boolean))
            piece.z.forEach((z, k) => {
              // fill and width of a line are turned with its plane
              const one = make("path", { class: `swept ${head}`, d: lines(path.points), "stroke-width": 2 * piece.r[k], transform: this.onPlane(z) }, this.swept);
              one.style.strokeOpacity = 0.07;
              one.plane = z;
            });
    }
  }

  drawHeads(path, at, which) {
    if (!this.anew("heads", path, at, which)) return;
    this.heads.replaceChildren();
    if (!path || !at) return;
    const { st } = this.look3();
    for (const head of ["lower", "upper"])
      for (const piece of path[head]) {
        const [x0, x1, y0, y1] = piece.rect, kind = { class: `head ${head}` };
        if (which && which !== head && which !== "wire") kind.opacity = 0.45;
        if (piece.rect.some(Boolean)) {
          const z = [piece.z[0], piece.z.at(-1)], r = Math.max(...piece.r);
          const corner = (k, h) => this.flat([at[0] + [x0 - r, x1 + r, x1 + r, x0 - r][k], at[1] + [y0 - r, y0 - r, y1 + r, y1 + r][k], h]).join(" ");
          let d = "";
          for (const h of z) d += `M${[0, 1, 2, 3].map((k) => corner(k, h)).join("L")}Z`;
          for (const k of [0, 1, 2, 3]) d += `M${corner(k, z[0])}L${corner(k, z[1])}`;
          make("path", { ...kind, d }, this.heads);
          continue;
        }
        let before = null;
        piece.z.forEach((z, k) => {
          const [u, v] = this.flat([at[0], at[1], z]), r = piece.r[k];
          make("ellipse", { ...kind, cx: u, cy: v, rx: r, ry: r * st }, this.heads);
          if (before) make("path", { ...kind, d: `M${before[0] - before[2]} ${before[1]}L${u - r} ${v}M${before[0] + before[2]} ${before[1]}L${u + r} ${v}` }, this.heads);
          before = [u, v, r];
        });
      }
  }

  drawAxes() {
    const mm = this.mm, x = this.box[0] + 40 * mm, y = this.box[1] + 34 * mm;
    ["X", "Y", "Z"].forEach((name, k) => {
      const [u, v] = this.flat([0, 1, 2].map((a) => (a === k ? 28 * mm : 0)));
      make("path", { class: "axes", d: `M${x} ${-y}L${x + u} ${-y - v}` }, this.words);
      make("text", { class: "axes-words", x: x + 1.3 * u - 4 * mm, y: -y - 1.3 * v + 4 * mm, "font-size": 13 * mm }, this.words).textContent = name;
    });
  }
}

/** A body as it is sent, with its facets' normals. */
function known(sent) {
  if (sent.normals) return sent;
  const { points, faces } = sent, normals = new Float64Array(faces.length);
  for (let k = 0; k < faces.length; k += 3) {
    const [p, q, r] = [3 * faces[k], 3 * faces[k + 1], 3 * faces[k + 2]];
    const a = [0, 1, 2].map((i) => points[q + i] - points[p + i]), b = [0, 1, 2].map((i) => points[r + i] - points[p + i]);
    const n = [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]], l = Math.hypot(...n) || 1;
    for (const i of [0, 1, 2]) normals[k + i] = n[i] / l;
  }
  sent.normals = normals;
  return sent;
}
