// Lets one turn a stone, or stones in their rough: facetraceSolid(element, drawing), after solid3d-draw.js.
//
// drawing: what facetrace/report/drawing3d.py makes. A page gives both scripts and solid3d.css inside itself.
// The element .ft-stage says in data-turn, data-tilt, data-zoom and data-scale (pixels per mm) what is seen, and
// element.facetrace has, for pages and tests:
//   project([x, y, z])  pixels [right, down] in the picture of a point of the drawing's frame, mm
//   state()             {turn, tilt, zoom, scene, facet}: number of the scene, name of the facet or tier chosen or null
//   set({turn, tilt, zoom})    looks from there at once
//   pick(right, down)   name of the facet under a pixel of the picture, or null
const facetraceSolid = (() => {
  "use strict";
  const {
    PATTERNS, DASHES, EDGE_ON, dot, less, within, short, plural, html, draw, holds, meshOf, partsOf, ballOf, eyeOf,
    farthestFirst, layersOf, paint, whereFrom, facetWords, captionOf,
  } = facetracePictures;
  const VIEWS = [
    ["From above", 0, 0], ["Side", 0, 90], ["End", -90, 90], ["From below", 0, 180], ["Three-quarter", 30, 55],
  ];
  const TOGGLES = [
    ["rough", "Rough"], ["stone", "Stone"], ["bodies", "Flaws and zones"], ["hidden", "Hidden edges"],
    ["axis", "c-axis"],
  ];
  const STEP = 5, LEAST_ZOOM = 0.5, MOST_ZOOM = 20;
  let instances = 0;

  return function facetraceSolid(element, drawing) {
    const id = `ft${++instances}`, still = matchMedia("(prefers-reduced-motion: reduce)");
    const meshed = drawing.rough ? meshOf(drawing.rough) : null;
    const now = { turn: VIEWS[4][1], tilt: VIEWS[4][2], zoom: 1, aside: [0, 0], scene: 0, list: null };
    const shown = Object.fromEntries(TOGGLES.map(([key]) => [key, true]));
    let ready, chosenOf = () => false, frame = 0, motion = 0, speaking = 0;

    element.classList.add("facetrace-solid");
    const field = (parent, label, name) => {
      html(parent, "label", { for: `${id}-${name}` }, label);
      return html(parent, "select", { id: `${id}-${name}` });
    };
    const group = (label) => html(element, "div", { class: "ft-row", role: "group", "aria-label": label });
    let plans = null;
    if (drawing.scenes.length > 1) {
      plans = field(group("What is drawn"), "Show", "scene");
      drawing.scenes.forEach((s, k) => html(plans, "option", { value: k }, s.name));
    }
    const stage = html(element, "div", {
      class: "ft-stage", tabindex: 0, role: "application", "aria-roledescription": "drawing that turns",
      "aria-describedby": `${id}-where ${id}-help`,
    });
    const svg = draw(stage, "svg", { "aria-hidden": "true", focusable: "false" });
    const layers = layersOf(svg, id, drawing.bodies);
    const tip = html(stage, "span", { class: "ft-tip", "aria-hidden": "true", hidden: "" });
    const where = html(element, "p", { class: "ft-where", id: `${id}-where`, role: "status", "aria-live": "polite" });
    const button = (row, text, act, label) => html(row, "button", { type: "button", ...(label && { "aria-label": label }) }, text)
      .addEventListener("click", act);
    const views = group("Views");
    for (const [text, turn, tilt] of VIEWS) button(views, text, () => turnTo(turn, tilt));
    button(views, "\u2212", () => zoomBy(1 / 1.25), "Zoom out");
    button(views, "+", () => zoomBy(1.25), "Zoom in");
    const list = field(group("Facets by name"), "Facet", "facet");
    const facet = html(element, "p", { class: "ft-facet", role: "status", "aria-live": "polite" });
    const toggles = group("What is shown");
    const boxes = TOGGLES.map(([key, label]) => {
      const holder = html(toggles, "label", { class: "ft-toggle" });
      const box = html(holder, "input", { type: "checkbox", name: `${id}-${key}` });
      box.checked = true;
      holder.append(` ${label}`);
      box.addEventListener("change", () => { shown[key] = box.checked; repaint(true); });
      return [key, holder];
    });
    const legend = html(element, "ul", { class: "ft-legend", "aria-label": "Legend of defects and zones" });
    html(element, "p", { class: "ft-help", id: `${id}-help` },
      "Drag sideways to turn, up and down to tilt; on a touch screen one finger turns (up and down it scrolls the page), " +
      "two fingers tilt and zoom. Keys: arrows turn and tilt, with Shift they move the picture, + and - zoom, Home resets. Ctrl and wheel " +
      "zoom. Tap a facet for its name.");
    const caption = html(element, "p", { class: "ft-caption" });
    const prints = html(element, "div", { class: "ft-print", "aria-hidden": "true" });
    const stills = VIEWS.slice(0, 3).map(([text, turn, tilt], k) => {
      const figure = html(prints, "div"), picture = draw(figure, "svg", { viewBox: "0 0 300 300" });
      html(figure, "p", {}, text);
      return { turn, tilt, layers: layersOf(picture, `${id}-s${k}`, drawing.bodies) };
    });

    // ---- views and painting

    function viewOf(turn, tilt, zoom, aside, width, height, chosen) {
      const eye = eyeOf(turn, tilt, ready.scene.axes), centre = ready.ball.centre;
      const scale = (zoom * (Math.min(width, height) / 2 - 18)) / ready.reach;
      const [x, y] = [width / 2 + aside[0], height / 2 + aside[1]];
      const at = (p) => {
        const d = less(p, centre);
        return [x + scale * dot(eye[0], d), y - scale * dot(eye[1], d)];
      };
      return { eye, at, scale, width, height, shown, chosen };
    }

    const size = () => [Math.max(stage.clientWidth, 120), Math.max(stage.clientHeight, 120)];
    const current = () => viewOf(now.turn, now.tilt, now.zoom, now.aside, ...size(), chosenOf);

    function repaint(all) {
      const view = current();
      svg.setAttribute("viewBox", `0 0 ${view.width} ${view.height}`);
      paint(layers, ready, view);
      const words = whereFrom(now.turn, now.tilt, now.zoom);
      stage.setAttribute("aria-label", `${short(ready.scene.name, 80)}, ${words}`);
      stage.dataset.turn = now.turn.toFixed(3);
      stage.dataset.tilt = now.tilt.toFixed(3);
      stage.dataset.zoom = now.zoom.toFixed(4);
      stage.dataset.scale = view.scale.toFixed(5);
      clearTimeout(speaking);
      // said once the picture rests, not at every step
      speaking = setTimeout(() => { where.textContent = `Seen ${words}.`; }, 250);
      if (all) for (const s of stills) paint(s.layers, ready, viewOf(s.turn, s.tilt, 1, [0, 0], 300, 300, chosenOf));
    }

    function later() {
      if (!frame) frame = requestAnimationFrame(() => { frame = 0; repaint(false); });
    }

    function look(turn, tilt, zoom) {
      now.turn = ((turn % 360) + 540) % 360 - 180;
      now.tilt = within(tilt, 0, 180);
      now.zoom = within(zoom, LEAST_ZOOM, MOST_ZOOM);
      later();
    }

    function turnTo(turn, tilt) {
      cancelAnimationFrame(motion);
      if (still.matches) return look(turn, tilt, now.zoom);
      const from = [now.turn, now.tilt], start = performance.now();
      const way = ((turn - from[0]) % 360 + 540) % 360 - 180;
      const step = (time) => {
        const t = within((time - start) / 300, 0, 1), s = t * t * (3 - 2 * t);
        look(from[0] + s * way, from[1] + s * (tilt - from[1]), now.zoom);
        if (t < 1) motion = requestAnimationFrame(step);
      };
      motion = requestAnimationFrame(step);
    }

    /** Zooms about a pixel of the picture, its middle unless given. */
    function zoomBy(factor, about) {
      const zoom = within(now.zoom * factor, LEAST_ZOOM, MOST_ZOOM), [w, h] = size();
      const p = about ? [about[0] - w / 2, about[1] - h / 2] : [0, 0], k = zoom / now.zoom;
      now.aside = zoom <= 1 ? [0, 0] : [0, 1].map((i) => p[i] + k * (now.aside[i] - p[i]));
      look(now.turn, now.tilt, zoom);
    }

    // ---- facets

    /** value: that of an option of the list, "" for none. */
    function choose(value, towards) {
      const [key, k, f] = value.split(" "), stone = value ? ready.scene.stones[k] : null;
      now.list = stone ? stone.facets[f][key] : null;
      chosenOf = (other, _, g) => other === stone && other.facets[g][key] === now.list;
      list.value = value;
      const found = stone ? stone.facets.filter((_, g) => chosenOf(stone, k, g)) : [];
      facet.textContent = !stone ? "" : key === "name" ? facetWords(found[0], stone.gear)
        : `${now.list}: ${plural(new Set(found.map((one) => one.name)).size, "facet")}`;
      if (found.length && towards) {
        const n = ready.scene.axes.map((axis) => dot(axis, found[0].normal)), level = Math.hypot(n[0], n[1]);
        const deg = 180 / Math.PI;
        turnTo(level > 1e-6 ? -90 - deg * Math.atan2(n[1], n[0]) : now.turn, deg * Math.atan2(level, n[2]));
        if (now.zoom > 1) now.aside = [0, 0];
      }
      repaint(true);
    }

    function hit(x, y) {
      if (!shown.stone) return null;
      const view = current();
      for (const part of farthestFirst(ready.parts, view.eye[2]).reverse()) {
        for (const f of part.facets) {
          const one = part.stone.facets[f];
          if (dot(one.normal, view.eye[2]) <= EDGE_ON) continue;
          if (holds(one.polygon.map((i) => view.at(part.stone.vertices[i])), x, y)) return { one, part };
        }
      }
      return null;
    }

    const numberOf = (stone, name) => stone.facets.findIndex((f) => f.name === name);

    function fillList() {
      list.replaceChildren();
      html(list, "option", { value: "" }, "none");
      ready.scene.stones.forEach((stone, k) => {
        const lead = ready.scene.stones.length > 1 ? `stone ${k + 1}, ` : "";
        for (const tier of new Set(stone.facets.map((f) => f.tier))) {
          const mine = [...new Set(stone.facets.filter((f) => f.tier === tier).map((f) => f.name))].map((n) => numberOf(stone, n));
          const part = html(list, "optgroup", { label: lead + tier });
          if (mine.length > 1) html(part, "option", { value: `tier ${k} ${mine[0]}` }, `${lead}${tier}, all ${mine.length}`);
          for (const f of mine) {
            const { name, angle_deg: angle, index } = stone.facets[f];
            const at = index === null ? "" : `, index ${Number(index.toFixed(2))}`;
            html(part, "option", { value: `name ${k} ${f}` }, `${lead}${name}, ${angle.toFixed(1)} degrees${at}`);
          }
        }
      });
    }

    function show(number) {
      const scene = drawing.scenes[number], ball = ballOf(scene, drawing);
      now.scene = number;
      ready = { drawing, scene, parts: partsOf(scene), mesh: meshed, ball, reach: 1.16 * ball.radius };
      const has = { rough: drawing.rough, stone: scene.stones.length, bodies: scene.bodies.length, axis: scene.c_axis, hidden: true };
      for (const [key, holder] of boxes) holder.hidden = !has[key];
      list.closest(".ft-row").hidden = !has.stone;
      legend.replaceChildren();
      const names = new Set();
      for (const k of scene.bodies) {
        const body = drawing.bodies[k], c = body.colour % PATTERNS;
        if (names.has(body.name)) continue;
        names.add(body.name);
        const item = html(legend, "li"), swatch = draw(item, "svg", { viewBox: "0 0 28 16", class: "ft-swatch", "aria-hidden": "true" });
        draw(swatch, "path", { d: "M1 1H27V15H1Z", class: `ft-body ft-c${c}`, style: `fill:url(#${id}-p${c})`, "stroke-dasharray": DASHES[c] });
        item.append(` ${body.name} (${body.kind}${body.wish ? `; wish: ${body.wish}` : ""})`);
      }
      caption.textContent = captionOf(ready);
      now.aside = [0, 0];
      fillList();
      choose("", false);
    }

    // ---- hands and keys

    const fingers = new Map();
    const place = (event) => { const r = svg.getBoundingClientRect(); return [event.clientX - r.left, event.clientY - r.top]; };
    const pair = () => {
      const [a, b] = [...fingers.values()];
      return { middle: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2], apart: Math.hypot(a[0] - b[0], a[1] - b[1]) || 1 };
    };
    let pressed = null;

    stage.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      cancelAnimationFrame(motion);
      fingers.set(event.pointerId, place(event));
      pressed = fingers.size === 1 ? place(event) : null;
      stage.setPointerCapture(event.pointerId);
    });
    stage.addEventListener("pointermove", (event) => {
      const to = place(event), from = fingers.get(event.pointerId);
      if (!from) return event.pointerType === "mouse" ? hover(to) : undefined;
      tip.hidden = true;
      if (pressed && Math.hypot(to[0] - pressed[0], to[1] - pressed[1]) < 5) return undefined;
      pressed = null;
      const was = fingers.size > 1 ? pair() : null;
      fingers.set(event.pointerId, to);
      // one finger up and down is the page's
      const [dx, dy] = [to[0] - from[0], event.pointerType === "touch" ? 0 : to[1] - from[1]];
      if (was) {
        const is = pair();
        zoomBy(is.apart / was.apart, is.middle);
        look(now.turn + 0.5 * (is.middle[0] - was.middle[0]), now.tilt - 0.5 * (is.middle[1] - was.middle[1]), now.zoom);
      } else if (event.shiftKey) move(dx, dy);
      else look(now.turn + 0.5 * dx, now.tilt - 0.5 * dy, now.zoom);
      return undefined;
    });
    for (const name of ["pointerup", "pointercancel"]) {
      stage.addEventListener(name, (event) => {
        if (name === "pointerup" && pressed) {
          const found = hit(...pressed);
          choose(found ? `name ${found.part.k} ${numberOf(found.part.stone, found.one.name)}` : "", false);
        }
        pressed = null;
        fingers.delete(event.pointerId);
      });
    }
    stage.addEventListener("pointerleave", () => { tip.hidden = true; });
    // two fingers are ours, one moves the page up and down (touch-action: pan-y)
    stage.addEventListener("touchstart", (event) => { if (event.touches.length > 1) event.preventDefault(); }, { passive: false });
    stage.addEventListener("wheel", (event) => {
      if (!event.ctrlKey) return;
      event.preventDefault();
      zoomBy(Math.exp(-0.002 * within(event.deltaY, -200, 200)), place(event));
    }, { passive: false });

    function hover([x, y]) {
      const found = hit(x, y);
      tip.hidden = !found;
      if (!found) return;
      tip.textContent = facetWords(found.one, found.part.stone.gear);
      tip.style.left = `${within(x + 12, 0, Math.max(0, size()[0] - tip.offsetWidth - 4))}px`;
      tip.style.top = `${y > 50 ? y - 34 : y + 18}px`;
    }

    function move(dx, dy) {
      now.aside = [now.aside[0] + dx, now.aside[1] + dy];
      later();
    }

    stage.addEventListener("keydown", (event) => {
      const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      if (way && event.shiftKey) move(20 * way[0], -20 * way[1]);
      else if (way) look(now.turn + STEP * way[0], now.tilt + STEP * way[1], now.zoom);
      else if (event.key === "+" || event.key === "=") zoomBy(1.25);
      else if (event.key === "-") zoomBy(1 / 1.25);
      else if (event.key === "Home") { now.aside = [0, 0]; now.zoom = 1; turnTo(VIEWS[4][1], VIEWS[4][2]); }
      else if (event.key === "Escape") choose("", false);
      else return;
      event.preventDefault();
    });
    list.addEventListener("change", () => choose(list.value, true));
    if (plans) plans.addEventListener("change", () => show(Number(plans.value)));
    new ResizeObserver(later).observe(stage);

    element.facetrace = {
      project: (point) => current().at(point),
      state: () => ({ turn: now.turn, tilt: now.tilt, zoom: now.zoom, scene: now.scene, facet: now.list }),
      set: (to) => { cancelAnimationFrame(motion); look(to.turn ?? now.turn, to.tilt ?? now.tilt, to.zoom ?? now.zoom); repaint(false); },
      pick: (right, down) => { const found = hit(right, down); return found ? found.one.name : null; },
    };
    show(0);
  };
})();
