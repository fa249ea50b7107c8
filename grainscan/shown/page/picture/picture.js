// A photograph with what was found on it, in one SVG whose units are the photograph's pixels:
// layers to switch, closer and further, corners to move, places to click.
const SVG = "http://www.w3.org/2000/svg";
const STEP = 1.6; // one press of closer or further
const MOST = 16; // closest view, in parts of the whole

export default function ({ data, parentElement, setTriggerValue }) {
  const root = parentElement.querySelector(".picture");
  const svg = root.querySelector("svg");
  const state = (root.state ??= { view: null, box: null, off: new Set(), seen: new Set() });
  const [left, top, width, height] = data.box;
  const same = state.box && data.box.every((value, k) => value === state.box[k]);
  if (!same) {
    state.view = { x: left, y: top, w: width };
    state.box = data.box;
  }
  state.points = data.points.map((point) => [...point]);
  const aspect = () => svg.clientHeight / Math.max(svg.clientWidth, 1);
  const unit = () => state.view.w / Math.max(svg.clientWidth, 1); // pixels of the photo per CSS pixel

  function make(name, attributes, into) {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    into.appendChild(element);
    return element;
  }

  function draw() {
    // Moved by keys, a corner keeps the keys after the page has answered.
    const held = (parentElement.activeElement ?? document.activeElement)?.dataset?.point;
    svg.replaceChildren();
    svg.setAttribute("aria-label", data.alt);
    make("image", { href: data.image, x: left - 0.5, y: top - 0.5, width, height,
      preserveAspectRatio: "none" }, svg);
    for (const layer of data.layers) {
      const group = make("g", { "data-layer": layer.id, "aria-hidden": "true" }, svg);
      group.style.display = state.off.has(layer.id) ? "none" : "";
      for (const shape of layer.shapes) drawShape(shape, group);
    }
    data.points.forEach((_, k) => drawHandle(k));
    look();
    if (held !== undefined) svg.querySelector(`[data-point="${held}"]`)?.focus({ preventScroll: true });
  }

  function drawShape(shape, group) {
    if (shape.kind === "label") {
      const text = make("text", { x: shape.at[0], y: shape.at[1], class: `label ${shape.style}` }, group);
      text.textContent = shape.text;
      return;
    }
    const points = shape.points.map((point) => point.join(",")).join(" ");
    const kind = shape.closed ? "polygon" : "polyline";
    make(kind, { points, class: `casing ${shape.style}` }, group);
    make(kind, { points, class: `line ${shape.style}` }, group);
  }

  function drawHandle(k) {
    const name = data.point_names[k] ?? "";
    const handle = make("g", { class: "handle", tabindex: 0, role: "button", "aria-label": name,
      "data-point": k }, svg);
    make("circle", { class: "reach" }, handle);
    make("circle", { class: "ring" }, handle);
    make("circle", { class: "dot" }, handle);
    handle.addEventListener("keydown", (event) => {
      const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
      const way = ways[event.key];
      if (!way) return;
      event.preventDefault();
      event.stopPropagation();
      const far = (event.shiftKey ? 10 : 1) * Math.max(unit(), 1);
      state.points[k] = inside([state.points[k][0] + way[0] * far, state.points[k][1] + way[1] * far]);
      look();
      clearTimeout(state.timer);
      state.timer = setTimeout(() => setTriggerValue("moved", state.points), 700);
    });
    handle.addEventListener("pointerdown", (event) => {
      event.stopPropagation();
      handle.setPointerCapture(event.pointerId);
      const start = place(event);
      const from = [...state.points[k]];
      let moved = false;
      const move = (next) => {
        const now = place(next);
        moved = true;
        state.points[k] = inside([from[0] + now[0] - start[0], from[1] + now[1] - start[1]]);
        look();
      };
      const end = () => {
        handle.removeEventListener("pointermove", move);
        if (moved) setTriggerValue("moved", state.points);
      };
      handle.addEventListener("pointermove", move);
      handle.addEventListener("pointerup", end, { once: true });
      handle.addEventListener("pointercancel", end, { once: true });
    });
  }

  function inside([x, y]) {
    return [Math.min(Math.max(x, left), left + width - 1), Math.min(Math.max(y, top), top + height - 1)];
  }

  function place(event) {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [point.x, point.y];
  }

  // Everything that keeps its size on the screen follows the view.
  function look() {
    const { view } = state;
    view.w = Math.min(Math.max(view.w, width / MOST), width);
    const tall = view.w * aspect();
    view.x = Math.min(Math.max(view.x, left), left + width - view.w);
    const [low, high] = [top, top + height - tall];
    view.y = high < low ? (low + high) / 2 : Math.min(Math.max(view.y, low), high);
    svg.setAttribute("viewBox", `${view.x - 0.5} ${view.y - 0.5} ${view.w} ${tall}`);
    const u = unit();
    for (const text of svg.querySelectorAll("text")) text.setAttribute("font-size", 14 * u);
    for (const text of svg.querySelectorAll("text")) text.style.strokeWidth = 4 * u;
    for (const handle of svg.querySelectorAll(".handle")) {
      const [x, y] = state.points[Number(handle.dataset.point)];
      const sizes = { reach: 18, ring: 10, dot: 1.5 };
      for (const [name, size] of Object.entries(sizes)) {
        const circle = handle.querySelector(`.${name}`);
        circle.setAttribute("cx", x);
        circle.setAttribute("cy", y);
        circle.setAttribute("r", size * u);
      }
    }
    svg.classList.toggle("is-close", view.w < width);
  }

  function zoom(factor, at) {
    const { view } = state;
    const tall = view.w * aspect();
    const [x, y] = at ?? [view.x + view.w / 2, view.y + tall / 2];
    const w = Math.min(Math.max(view.w * factor, width / MOST), width);
    const share = w / view.w;
    view.x = x - (x - view.x) * share;
    view.y = y - (y - view.y) * share;
    view.w = w;
    look();
  }

  function whole() {
    state.view = { x: left, y: top, w: width };
    look();
  }

  // Close to the corners at one end: there a finger covers less of the blank.
  function near(a, b) {
    const [p, q] = [state.points[a], state.points[b]];
    const w = Math.min(3 * Math.hypot(p[0] - q[0], p[1] - q[1]), width);
    const tall = w * aspect();
    state.view = { x: (p[0] + q[0] - w) / 2, y: (p[1] + q[1] - tall) / 2, w };
    look();
  }

  function buttons() {
    const bar = root.querySelector(".bar");
    bar.replaceChildren();
    const button = (text, name, act) => {
      const made = document.createElement("button");
      made.type = "button";
      made.textContent = text;
      made.setAttribute("aria-label", name);
      made.addEventListener("click", act);
      bar.appendChild(made);
    };
    button("+", data.texts.closer, () => zoom(1 / STEP));
    button("−", data.texts.further, () => zoom(STEP));
    button(data.texts.whole, data.texts.whole, whole);
    if (state.points.length === 4) {
      button(data.texts.left, data.texts.left, () => near(0, 3));
      button(data.texts.right, data.texts.right, () => near(1, 2));
    }
    for (const layer of data.layers) {
      if (!layer.name) continue;
      if (!state.seen.has(layer.id)) {
        state.seen.add(layer.id);
        if (!layer.on) state.off.add(layer.id);
      }
      const label = document.createElement("label");
      const box = document.createElement("input");
      box.type = "checkbox";
      box.checked = !state.off.has(layer.id);
      box.addEventListener("change", () => {
        box.checked ? state.off.delete(layer.id) : state.off.add(layer.id);
        svg.querySelector(`[data-layer="${layer.id}"]`).style.display = box.checked ? "" : "none";
      });
      label.append(box, layer.name);
      bar.appendChild(label);
    }
  }

  // Pan with one finger or the mouse when close, pinch with two, click where nothing was moved.
  const fingers = new Map();
  let last = null;
  let travelled = 0;
  const spread = () => {
    const [a, b] = [...fingers.values()];
    return Math.hypot(a.x - b.x, a.y - b.y);
  };
  svg.onpointerdown = (event) => {
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    svg.setPointerCapture(event.pointerId);
    last = fingers.size === 2 ? spread() : null;
    if (fingers.size === 1) travelled = 0;
  };
  svg.onpointermove = (event) => {
    const finger = fingers.get(event.pointerId);
    if (!finger) return;
    const [dx, dy] = [event.clientX - finger.x, event.clientY - finger.y];
    travelled += Math.hypot(dx, dy);
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (fingers.size === 2) {
      const now = spread();
      if (last) zoom(last / now, place(event));
      last = now;
    } else if (state.view.w < width) {
      state.view.x -= dx * unit();
      state.view.y -= dy * unit();
      look();
    }
  };
  svg.onpointerup = (event) => {
    const alone = fingers.size === 1;
    fingers.delete(event.pointerId);
    if (alone && travelled < 6 && data.mode === "click") {
      setTriggerValue("clicked", inside(place(event)));
    }
  };
  svg.onpointercancel = (event) => fingers.delete(event.pointerId);
  svg.onwheel = (event) => {
    if (!event.ctrlKey) return;
    event.preventDefault();
    zoom(event.deltaY < 0 ? 1 / 1.2 : 1.2, place(event));
  };
  svg.onkeydown = (event) => {
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const way = ways[event.key];
    if (!way || state.view.w >= width) return;
    event.preventDefault();
    state.view.x += way[0] * state.view.w * 0.2;
    state.view.y += way[1] * state.view.w * 0.2 * aspect();
    look();
  };

  svg.style.aspectRatio = `${width} / ${height}`;
  svg.classList.toggle("to-click", data.mode === "click");
  buttons();
  draw();
  state.watch?.disconnect();
  state.watch = new ResizeObserver(look);
  state.watch.observe(svg);
  return () => state.watch.disconnect();
}
