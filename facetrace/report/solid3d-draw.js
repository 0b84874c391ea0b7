// Pictures of solids that turn, for solid3d.js: what is drawn, how it is seen, and the words for it.
//
// drawing: what facetrace/report/drawing3d.py makes (its head says what is in it). Without
// perspective, in SVG, so that colours come from solid3d.css and print as lines.
// The view: turn about the stone's own upright axis, counter-clockwise seen from above, then tilt of its
// upper side towards the lower edge of the picture, degrees: 0 from above, 90 from the side, 180 from below.
const facetracePictures = (() => {
  "use strict";
  const SVG = "http://www.w3.org/2000/svg";
  const PATTERNS = 6, DASHES = ["", "7 3", "2 3", "9 3 2 3", "4 4", "12 3"];
  const EDGE_ON = 1e-7;

  // ---- small helpers ---------------------------------------------------------------------------

  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const less = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
  const plus = (a, b, t) => [a[0] + t * b[0], a[1] + t * b[1], a[2] + t * b[2]];
  const cross = (a, b) => [
    a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0],
  ];
  const unit = (a) => { const l = Math.hypot(...a) || 1; return [a[0] / l, a[1] / l, a[2] / l]; };
  const within = (x, low, high) => Math.min(high, Math.max(low, x));
  const short = (text, most) => (text.length > most ? `${text.slice(0, most - 1)}\u2026` : text);
  const plural = (count, word) => `${count.toLocaleString("en")} ${word}${count === 1 ? "" : "s"}`;

  function put(node, parent, attributes, text) {
    for (const [key, value] of Object.entries(attributes || {})) node.setAttribute(key, value);
    if (text !== undefined) node.textContent = text;
    if (parent) parent.appendChild(node);
    return node;
  }
  const html = (parent, name, attributes, text) =>
    put(document.createElement(name), parent, attributes, text);
  const draw = (parent, name, attributes, text) =>
    put(document.createElementNS(SVG, name), parent, attributes, text);

  const line = (a, b) => `M${a[0].toFixed(2)} ${a[1].toFixed(2)}L${b[0].toFixed(2)} ${b[1].toFixed(2)}`;
  const ring = (points) =>
    points.length ? `M${points.map((p) => `${p[0].toFixed(2)} ${p[1].toFixed(2)}`).join("L")}Z` : "";

  /** The convex hull of points in the plane, in order (Andrew's monotone chain). */
  function hull(points) {
    const sorted = [...points].sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    const half = (list) => {
      const kept = [];
      for (const p of list) {
        while (kept.length > 1) {
          const [a, b] = kept.slice(-2);
          if ((b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) > 0) break;
          kept.pop();
        }
        kept.push(p);
      }
      return kept.slice(0, -1);
    };
    return sorted.length < 3 ? sorted : [...half(sorted), ...half(sorted.reverse())];
  }

  /** Shares [from, to] of the line from a to b that lie in a convex ring, or null. */
  function inside(a, b, convex) {
    let from = 0, to = 1;
    for (let i = 0; i < convex.length; i++) {
      const p = convex[i], q = convex[(i + 1) % convex.length];
      const n = [p[1] - q[1], q[0] - p[0]];
      const start = n[0] * (a[0] - p[0]) + n[1] * (a[1] - p[1]);
      const slope = n[0] * (b[0] - a[0]) + n[1] * (b[1] - a[1]);
      if (Math.abs(slope) < 1e-9) { if (start < 1e-6) return null; continue; }
      if (slope > 0) from = Math.max(from, -start / slope); else to = Math.min(to, -start / slope);
    }
    return to - from > 1e-6 ? [from, to] : null;
  }

  function holds(points, x, y) {
    let odd = false;
    for (let i = 0, j = points.length - 1; i < points.length; j = i++) {
      const [ax, ay] = points[i], [bx, by] = points[j];
      if (ay > y !== by > y && x < ((bx - ax) * (y - ay)) / (by - ay) + ax) odd = !odd;
    }
    return odd;
  }

  // ---- what is drawn, made ready once ----------------------------------------------------------

  /** Convex parts of a scene's stones, with their planes, edges and corners. */
  function partsOf(scene) {
    return scene.stones.flatMap((stone, k) => {
      const owner = [];
      stone.parts.forEach((facets, part) => facets.forEach((f) => { owner[f] = part; }));
      const plane = (f) => ({
        normal: stone.facets[f].normal,
        distance: dot(stone.facets[f].normal, stone.vertices[stone.facets[f].polygon[0]]),
      });
      return stone.parts.map((facets, part) => {
        const sign = part ? 1 : -1, wall = stone.wall;
        const walls = wall
          ? [{ normal: wall.normal.map((x) => sign * x), distance: sign * wall.distance }] : [];
        const corners = [...new Set(facets.flatMap((f) => stone.facets[f].polygon))];
        return {
          stone, k, part, facets, corners, planes: [...facets.map(plane), ...walls],
          edges: stone.edges.filter((e) => owner[e[2]] === part || owner[e[3]] === part)
            .map((e) => ({ ends: e, mine: [e[2], e[3]].filter((f) => owner[f] === part) })),
        };
      });
    });
  }

  /** Edges of the rough with the faces that meet in each; sharp ones, the sharpest first. */
  function meshOf(rough) {
    const normals = rough.triangles.map((t) => {
      const [a, b, c] = t.map((i) => rough.vertices[i]);
      return unit(cross(less(b, a), less(c, a)));
    });
    const found = new Map();
    rough.triangles.forEach((t, face) => t.forEach((a, i) => {
      const b = t[(i + 1) % 3], key = a < b ? `${a} ${b}` : `${b} ${a}`;
      if (!found.has(key)) found.set(key, { a: Math.min(a, b), b: Math.max(a, b), faces: [], signs: [] });
      const edge = found.get(key);
      edge.faces.push(face);
      edge.signs.push(a < b ? 1 : -1);
    }));
    const edges = [...found.values()], least = Math.cos((rough.sharp_deg * Math.PI) / 180);
    for (const e of edges) e.bend = e.faces.length === 2 ? dot(normals[e.faces[0]], normals[e.faces[1]]) : -1;
    const sharp = edges.filter((e) => e.bend < least).sort((a, b) => a.bend - b.bend);
    return { rough, normals, edges, sharp: sharp.slice(0, rough.most_edges) };
  }

  /** Centre and radius, mm, of a ball around all that a scene shows. */
  function ballOf(scene, drawing) {
    const points = drawing.rough ? drawing.rough.vertices : scene.stones.flatMap((s) => s.vertices);
    const low = [0, 1, 2].map((k) => points.reduce((m, p) => Math.min(m, p[k]), Infinity));
    const high = [0, 1, 2].map((k) => points.reduce((m, p) => Math.max(m, p[k]), -Infinity));
    const centre = low.map((x, k) => (x + high[k]) / 2);
    return { centre, radius: points.reduce((m, p) => Math.max(m, Math.hypot(...less(p, centre))), 0) };
  }

  /** Rows: right, up and towards the eye, in the drawing's frame. */
  function eyeOf(turn, tilt, axes) {
    const a = (turn * Math.PI) / 180, b = (tilt * Math.PI) / 180;
    const [c, s, u, v] = [Math.cos(a), Math.sin(a), Math.cos(b), Math.sin(b)];
    const rows = [[c, -s, 0], [u * s, u * c, v], [-v * s, -v * c, u]];
    return rows.map((r) => [0, 1, 2].map((k) => r[0] * axes[0][k] + r[1] * axes[1][k] + r[2] * axes[2][k]));
  }

  /** Whether part a hides, or may hide, part b from an eye in that direction. */
  function before(a, b, eye) {
    if (a.k === b.k) return (dot(a.stone.wall.normal, eye) > 0) === (a.part < b.part);
    const outside = (p, q) => p.planes.find((f) =>
      q.corners.every((i) => dot(f.normal, q.stone.vertices[i]) > f.distance - 1e-4));
    const mine = outside(a, b), theirs = outside(b, a);
    if (mine) return dot(mine.normal, eye) < 0;
    if (theirs) return dot(theirs.normal, eye) > 0;
    const depth = (p) => p.corners.reduce((t, i) => t + dot(eye, p.stone.vertices[i]), 0) / p.corners.length;
    return depth(a) > depth(b);
  }

  /** Whether a body lies outside all parts and none of them can hide it. */
  function clearOf(body, parts, eye) {
    const [a, b, c] = body.points, flat = body.kind === "crack" ? cross(less(b, a), less(c, a)) : null;
    return parts.every((part) => {
      if (part.planes.some((f) => dot(f.normal, eye) > 0 && body.points.every((p) => dot(f.normal, p) > f.distance - 1e-4))) return true;
      if (!flat) return false;
      const up = dot(flat, eye) > 0 ? 1 : -1;
      return part.corners.every((i) => up * dot(flat, less(part.stone.vertices[i], a)) < 0);
    });
  }

  function farthestFirst(parts, eye) {
    const left = [...parts], order = [];
    while (left.length) {
      const next = left.find((p) => left.every((q) => q === p || !before(p, q, eye))) || left[0];
      order.push(...left.splice(left.indexOf(next), 1));
    }
    return order;
  }

  // ---- one picture -----------------------------------------------------------------------------

  /** An SVG element's layers, from the back to the front. */
  function layersOf(svg, id, bodies) {
    const defs = draw(svg, "defs");
    for (let k = 0; k < PATTERNS; k++) patternOf(defs, `${id}-p${k}`, k);
    const path = (name) => draw(svg, "path", { class: name });
    const group = (name) => draw(svg, "g", { class: name });
    const layers = {
      roughFill: path("ft-rough-fill"), roughBack: path("ft-rough-back"), axisFar: path("ft-axis"),
      hidden: path("ft-hidden"), bodies: group("ft-bodies"), axisIn: path("ft-axis ft-inside"),
      front: group("ft-front"), chosen: path("ft-chosen"), edges: path("ft-edges"),
      chosenLine: path("ft-chosen-line"), nearBodies: group("ft-bodies"), roughFront: path("ft-rough-front"), axisNear: path("ft-axis"),
      axisEnd: draw(svg, "circle", { class: "ft-axis-end", r: 3.5 }), words: group("ft-words"),
      bar: path("ft-bar"),
    };
    layers.body = bodies.map((body) => {
      const k = body.colour % PATTERNS;
      return draw(layers.bodies, "path", {
        class: `ft-body ft-c${k}`, style: `fill:url(#${id}-p${k})`, "stroke-dasharray": DASHES[k],
      });
    });
    return layers;
  }

  /** Hatches that differ in direction and kind, not by colour alone. */
  function patternOf(parent, id, k) {
    const pattern = draw(parent, "pattern", {
      id, width: 8, height: 8, patternUnits: "userSpaceOnUse", class: `ft-c${k}`,
    });
    draw(pattern, "rect", { width: 8, height: 8, class: "ft-wash" });
    const strokes = [
      "M-1 1L1 -1M0 8L8 0M7 9L9 7", "M-1 7L1 9M0 0L8 8M7 -1L9 1", "M0 0L8 8M0 8L8 0", null, "M4 0V8", "M0 4H8",
    ][k];
    if (strokes) draw(pattern, "path", { d: strokes, class: "ft-hatch" });
    else draw(pattern, "circle", { cx: 4, cy: 4, r: 1.3, class: "ft-dot" });
  }

  /** Paints a scene into layers. view: eye, at (rows and pixel of a point), scale, width, height, shown, chosen. */
  function paint(layers, ready, view) {
    const { eye, at, shown } = view, towards = eye[2];
    const stones = ready.scene.stones.map((s) => s.vertices.map(at));
    const set = (name, text) => layers[name].setAttribute("d", text);
    paintRough(set, ready, view);
    const parts = shown.stone ? farthestFirst(ready.parts, towards) : [];
    layers.front.replaceChildren();
    let hidden = "", edges = "", chosen = "";
    parts.forEach((part, n) => {
      const own = stones[part.k], stone = part.stone;
      const facing = (f) => dot(stone.facets[f].normal, towards) > EDGE_ON;
      const nearer = parts.slice(n + 1).map((p) => hull(p.corners.map((i) => stones[p.k][i])));
      const tones = ["", "", "", ""];
      for (const f of part.facets.filter(facing)) {
        const text = ring(stone.facets[f].polygon.map((i) => own[i]));
        tones[toneOf(stone.facets[f].normal, eye)] += text;
      }
      tones.forEach((d, k) => d && draw(layers.front, "path", { class: `ft-face ft-t${k}`, d }));
      for (const f of part.facets.filter((x) => view.chosen(stone, part.k, x))) {
        chosen += ring(stone.facets[f].polygon.map((i) => own[i]));
      }
      for (const { ends, mine } of part.edges) {
        const [a, b] = [own[ends[0]], own[ends[1]]];
        // an edge of two parts lies on the wall: the nearer one decides
        if (mine.length === 1 && nearer.length && parts.slice(n + 1).some((p) => p.k === part.k)) continue;
        if (!mine.some(facing)) { hidden += line(a, b); continue; }
        const [open, covered] = cut(a, b, nearer);
        edges += open;
        hidden += covered;
      }
    });
    set("hidden", shown.hidden ? hidden : "");
    set("edges", edges);
    set("chosen", chosen);
    set("chosenLine", chosen);
    layers.words.replaceChildren();
    layers.body.forEach((path, k) => {
      const on = shown.bodies && ready.scene.bodies.includes(k);
      const body = ready.drawing.bodies[k];
      path.setAttribute("d", on ? ring(hull(body.points.map(at))) : "");
      (on && clearOf(body, parts, towards) ? layers.nearBodies : layers.bodies).appendChild(path);
    });
    if (shown.bodies) nameBodies(layers, ready, view);
    paintAxis(layers, set, ready, view);
    paintBar(layers, set, view);
  }

  /** Which pieces of a line no nearer part covers, and which are covered. */
  function cut(a, b, nearer) {
    const gone = nearer.map((h) => inside(a, b, h)).filter(Boolean).sort((p, q) => p[0] - q[0]);
    const point = (t) => [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
    let open = "", covered = "", from = 0;
    for (const [start, end] of gone) {
      if (start > from + 1e-6) open += line(point(from), point(start));
      covered += line(point(start), point(end));
      from = Math.max(from, end);
    }
    return [from < 1 - 1e-6 ? open + line(point(from), b) : open, covered];
  }

  /** Four tones, lit from the upper left: shape, not the stone's light. */
  function toneOf(normal, eye) {
    const lit = (-0.45 * dot(normal, eye[0]) + 0.55 * dot(normal, eye[1]) + 0.7 * dot(normal, eye[2]));
    return within(Math.floor(4 * (1 - lit)), 0, 3);
  }

  function paintRough(set, ready, view) {
    let back = "", front = "", fill = "";
    if (ready.mesh && view.shown.rough) {
      const { rough, normals, edges, sharp } = ready.mesh;
      const facing = normals.map((n) => dot(n, view.eye[2]) > 0);
      const seen = rough.vertices.map(view.at);
      const next = new Map();
      for (const e of edges) {
        let sum = 0;
        for (let i = 0; i < e.faces.length; i++) if (facing[e.faces[i]]) sum += e.signs[i];
        if (!sum) continue;
        front += line(seen[e.a], seen[e.b]);
        const [from, to] = sum > 0 ? [e.a, e.b] : [e.b, e.a];
        if (!next.has(from)) next.set(from, []);
        next.get(from).push(to);
      }
      for (const e of sharp) {
        const open = e.faces.filter((f) => facing[f]).length;
        if (open === e.faces.length) front += line(seen[e.a], seen[e.b]);
        else if (!open) back += line(seen[e.a], seen[e.b]);
      }
      fill = loops(next).map((loop) => ring(loop.map((i) => seen[i]))).join("");
    }
    set("roughFill", fill);
    set("roughFront", front);
    set("roughBack", view.shown.hidden ? back : "");
  }

  /** Closed loops of the outline's directed edges. */
  function loops(next) {
    const found = [];
    for (const start of next.keys()) {
      while (next.get(start).length) {
        const loop = [start];
        let here = next.get(start).pop();
        while (here !== start && (next.get(here) || []).length) { loop.push(here); here = next.get(here).pop(); }
        found.push(loop);
      }
    }
    return found;
  }

  /** c as a line: dashed inside the stone, whole outside, beyond all that is drawn. */
  function paintAxis(layers, set, ready, view) {
    const axis = view.shown.axis && ready.scene.c_axis;
    for (const name of ["axisFar", "axisIn", "axisNear"]) set(name, "");
    layers.axisEnd.style.display = axis ? "" : "none";
    if (!axis) return;
    const near = dot(axis.direction, view.eye[2]) >= 0 ? axis.direction : axis.direction.map((x) => -x);
    const point = (t) => plus(axis.at, near, t), reach = ready.reach;
    let from = Infinity, to = -Infinity;
    for (const part of ready.parts) {
      let a = -Infinity, b = Infinity;
      for (const { normal, distance } of part.planes) {
        const slope = dot(normal, near), room = distance - dot(normal, axis.at);
        if (Math.abs(slope) < 1e-12) { if (room < 0) a = Infinity; } else if (slope > 0) b = Math.min(b, room / slope);
        else a = Math.max(a, room / slope);
      }
      if (a < b) { from = Math.min(from, a); to = Math.max(to, b); }
    }
    const pixel = (t) => view.at(point(t));
    if (from < to && view.shown.stone) {
      set("axisFar", line(pixel(-reach), pixel(from)));
      set("axisIn", line(pixel(from), pixel(to)));
      set("axisNear", line(pixel(to), pixel(reach)));
    } else set("axisIn", line(pixel(-reach), pixel(reach)));
    const tip = pixel(reach), flat = pixel(-reach);
    layers.axisEnd.setAttribute("cx", tip[0].toFixed(2));
    layers.axisEnd.setAttribute("cy", tip[1].toFixed(2));
    const top = tip[1] <= flat[1] + 1 ? tip : flat;
    word(layers, within(top[0] + 7, 4, view.width - 46), within(top[1] + 4, 14, view.height - 6), "c-axis");
  }

  const word = (layers, x, y, text) =>
    draw(layers.words, "text", { x: x.toFixed(1), y: y.toFixed(1) }, text);

  /** Names beside the bodies, one each, moved down where two would meet. */
  function nameBodies(layers, ready, view) {
    const taken = [], named = new Set();
    for (const k of ready.scene.bodies) {
      const body = ready.drawing.bodies[k];
      if (named.has(body.name)) continue;
      named.add(body.name);
      const spots = body.points.map(view.at), mean = (i) => spots.reduce((t, p) => t + p[i], 0) / spots.length;
      const text = short(body.name, 24), wide = 8 * text.length, right = Math.max(...spots.map((p) => p[0]));
      // what is smaller than its name would be hidden by it
      const small = 2 * (right - mean(0)) < 1.3 * wide;
      const x = within(small ? right + 6 : mean(0) - wide / 2, 4, Math.max(4, view.width - wide - 4));
      let y = within(mean(1), 16, view.height - 30);
      while (taken.some((t) => Math.abs(t.y - y) < 16 && x < t.x + t.wide && t.x < x + wide)) y += 17;
      taken.push({ x, y, wide });
      word(layers, x, y, text);
    }
  }

  /** The longest of 1, 2, 5 times a power of ten that fits. */
  function barOf(scale, width) {
    const most = Math.min(150, 0.35 * width) / scale, ten = 10 ** Math.floor(Math.log10(most));
    return [5, 2, 1].map((n) => n * ten).find((mm) => mm <= most);
  }

  function paintBar(layers, set, view) {
    const mm = barOf(view.scale, view.width), y = view.height - 12;
    const [a, b] = [10, 10 + mm * view.scale];
    set("bar", `M${a} ${y - 4}V${y + 4}M${a} ${y}H${b.toFixed(2)}M${b.toFixed(2)} ${y - 4}V${y + 4}`);
    word(layers, 10, y - 8, `${Number(mm.toPrecision(1))} mm`);
  }

  // ---- words -----------------------------------------------------------------------------------

  function whereFrom(turn, tilt, zoom) {
    const t = Math.round(tilt), r = ((Math.round(turn) % 360) + 540) % 360 - 180;
    const words = [t === 90 ? "from the side" : t < 90 ? "from above" : "from below"];
    if (r) words.push(`turned ${Math.abs(r)} degrees${r < 0 ? " clockwise" : ""}`);
    if (t % 90) words.push(`tilted ${t < 90 ? t : 180 - t} degrees`);
    if (Math.abs(zoom - 1) > 0.005) words.push(`zoom ${zoom.toFixed(1)}`);
    return words.join(", ");
  }

  function facetWords(facet, gear) {
    const angle = `${facet.angle_deg.toFixed(2)} degrees from the girdle plane`;
    const index = facet.index === null ? "" : `, index ${Number(facet.index.toFixed(2))} of ${gear}`;
    return `${facet.name}: ${facet.side}, ${angle}${index}`;
  }

  function captionOf(ready) {
    const { drawing, mesh } = ready, words = ["Drawn without perspective; "];
    words.push(`lengths in ${drawing.unit}, rounded to ${drawing.rounded_mm} ${drawing.unit}. Hidden edges are dashed.`);
    if (mesh) {
      const { rough, edges, sharp } = mesh, kept = rough.triangles.length;
      words.push(` Of the rough's ${plural(edges.length, "edge")} its outline is drawn, and `);
      words.push(`${sharp.length.toLocaleString("en")} where it turns by more than ${rough.sharp_deg.toFixed(0)} degrees.`);
      if (kept < rough.of) {
        words.push(` Its ${rough.of.toLocaleString("en")} triangles are drawn as ${kept.toLocaleString("en")}; `);
        words.push(`corners are moved by at most ${rough.moved_mm} mm, in this drawing only.`);
      }
    }
    return words.join("");
  }

  return {
    PATTERNS, DASHES, EDGE_ON, dot, less, within, short, plural, html, draw, holds, meshOf, partsOf, ballOf, eyeOf,
    farthestFirst, layersOf, paint, whereFrom, facetWords, captionOf,
  };
})();
