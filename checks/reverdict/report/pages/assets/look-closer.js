"use strict";
// Lets the curves of a figure be zoomed and read point by point, by pointer and by keyboard. Their numbers stand in the
// figure's data-curves. Without this script there are the drawn figure and the same in figures.

const LEAST_SHARE = 1 / 500; // of an axis is the most that can be zoomed into
const HEIGHT = 320;
const LIBRARY = new URL("uplot/uPlot.iife.min.js", document.currentScript.src).href;

// Once, when the first curve is looked at; where it cannot be had, the drawn figures stay as they are.
let loading = null;
const library = () =>
  (loading ??= new Promise((done, failed) => {
    const script = document.createElement("script");
    script.src = LIBRARY;
    script.addEventListener("load", done);
    script.addEventListener("error", failed);
    document.head.append(script);
  }));

for (const figure of document.querySelectorAll("figure[data-curves]")) {
  const open = document.createElement("button");
  open.type = "button";
  open.className = "look";
  open.textContent = "Look closer";
  open.setAttribute("aria-expanded", "false");
  let closer = null;
  open.addEventListener("click", async () => {
    try {
      await library();
    } catch {
      open.remove();
      return;
    }
    closer ??= build(figure);
    closer.hidden = open.getAttribute("aria-expanded") === "true";
    open.setAttribute("aria-expanded", String(!closer.hidden));
    if (closer.hidden) return;
    closer.draw();
    closer.scrollIntoView({ block: "nearest" });
  });
  figure.querySelector("figcaption").after(open);
}

function build(figure) {
  const curves = JSON.parse(figure.dataset.curves);
  const box = element("div", "closer");
  const bar = box.appendChild(element("div", "tools"));
  const choice = element("select");
  for (const curve of curves) choice.add(new Option(curve.name));
  if (curves.length > 1) {
    const label = bar.appendChild(element("label"));
    label.append("curve ", choice);
  }
  const host = box.appendChild(element("div", "canvas"));
  host.tabIndex = 0;
  host.setAttribute("role", "application");
  const range = box.appendChild(element("output", "range"));
  const point = box.appendChild(element("output", "point"));
  const help = box.appendChild(element("p", "quiet"));
  help.textContent =
    "Drag to zoom, double-click for all. Keys on the chart: + and − zoom, arrows read point by point, " +
    "Shift with arrows moves along, 0 shows all.";

  let plot = null;
  let curve = null;
  let xs = [];
  let at = null;

  const whole = () => [xs[0], xs.at(-1)];
  const shown = () => [plot.scales.x.min, plot.scales.x.max];
  const show = (min, max) => {
    const [low, high] = whole();
    const wide = Math.min(Math.max(max - min, (high - low) * LEAST_SHARE), high - low);
    const from = Math.min(Math.max((min + max - wide) / 2, low), high - wide);
    plot.setScale("x", { min: from, max: from + wide });
  };
  const zoom = (by) => {
    const [min, max] = shown();
    const middle = at !== null && xs[at] >= min && xs[at] <= max ? xs[at] : (min + max) / 2;
    show(middle - (middle - min) * by, middle + (max - middle) * by);
  };
  const move = (share) => {
    const [min, max] = shown();
    show(min + share * (max - min), max + share * (max - min));
  };
  const all = () => show(...whole());
  const read = (step) => {
    const [min, max] = shown();
    const first = xs.findIndex((x) => x >= min);
    const last = xs.findLastIndex((x) => x <= max);
    at = at === null ? (step > 0 ? first : last) : Math.min(Math.max(at + step, first), last);
    const place = plot.valToPos(xs[at], "x");
    const beside = plot.valToPos(curve.build[at] ?? 0, "y");
    plot.setCursor(curve.upright ? { left: beside, top: place } : { left: place, top: beside });
  };

  for (const [said, act] of [
    ["zoom in", () => zoom(0.5)],
    ["zoom out", () => zoom(2)],
    ["earlier", () => move(-0.25)],
    ["later", () => move(0.25)],
    ["show all", all],
  ]) {
    const button = bar.appendChild(element("button"));
    button.type = "button";
    button.textContent = said;
    button.addEventListener("click", act);
  }

  host.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const along = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
    if (along && event.shiftKey) move(0.25 * along);
    else if (along) read(along);
    else if (event.key === "+" || event.key === "=") zoom(0.5);
    else if (event.key === "-" || event.key === "−") zoom(2);
    else if (event.key === "0" || event.key === "Home") all();
    else return;
    event.preventDefault();
  });

  const told = () => {
    const index = plot?.cursor.idx;
    if (index === null || index === undefined) return;
    at = index;
    const { golden, build, low, high } = curve;
    const values = [`golden ${number(golden[index], 4)}`, `build ${number(build[index], 4)}`];
    if (high) values.push(`${curve.of_band ?? "limit"} ${number(low[index], 4)} to ${number(high[index], 4)}`);
    const [x, x_unit] = named(curve.x_label);
    const [y, y_unit] = named(curve.y_label);
    point.value = `${x} ${number(xs[index])} ${x_unit}; ${y}: ${values.join(", ")} ${y_unit}`;
  };
  const ranged = () => {
    if (!plot) return;
    const [min, max] = shown();
    const [x, unit] = named(curve.x_label);
    range.value = `Shown: ${x}, ${number(min)} to ${number(max)} ${unit}`;
    host.setAttribute("aria-label", `${curve.name}: ${curve.y_label} over ${curve.x_label}. ${range.value}`);
  };

  box.draw = () => {
    const kept = plot && curve === curves[choice.selectedIndex] ? shown() : null;
    plot?.destroy();
    plot = null;
    curve = filled(curves[choice.selectedIndex]);
    curves[choice.selectedIndex] = curve;
    xs = curve.x;
    at = null;
    point.value = "";
    const made = new uPlot(options(curve, host.clientWidth, told, ranged), data(curve), host);
    plot = made;
    if (kept) plot.setScale("x", { min: kept[0], max: kept[1] });
    ranged();
  };
  choice.addEventListener("change", box.draw);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => box.hidden || box.draw());
  figure.append(box);
  new ResizeObserver(() => plot && host.clientWidth && plot.setSize({ width: host.clientWidth, height: HEIGHT })).observe(
    host,
  );
  return box;
}

// Numbers as they stand in the page made into one array for each line.
function filled(curve) {
  if (curve.filled) return curve;
  curve = { ...curve };
  for (const name of ["golden", "build", "low", "high"]) curve[name] = unpacked(curve[name]);
  const count = curve.build.length;
  const [first, last] = curve.x;
  const evenly = curve.x.length === 3 && curve.x[2] === count && count !== 3;
  const x = evenly ? curve.build.map((_, index) => first + ((last - first) * index) / (count - 1)) : curve.x;
  const every = (values) => (values && values.length === 1 ? Array(count).fill(values[0]) : values);
  const golden = Array.isArray(curve.golden) ? curve.golden : Array(count).fill(curve.golden);
  const high = every(curve.high);
  const low = every(curve.low) ?? high?.map((value) => (value === null ? null : -value));
  return { ...curve, x, golden, high, low, filled: true };
}

// 16 bits each, little-endian, in parts of the largest; the lowest of all stands for none.
function unpacked(values) {
  if (!values?.parts) return values;
  const bytes = Uint8Array.from(atob(values.parts), (one) => one.charCodeAt(0));
  const view = new DataView(bytes.buffer);
  return Array.from({ length: bytes.length / 2 }, (_, index) => {
    const part = view.getInt16(2 * index, true);
    return part === -32768 ? null : (values.largest * part) / 32767;
  });
}

function data(curve) {
  const lines = [curve.golden, curve.build];
  return curve.high ? [curve.x, curve.high, curve.low, ...lines] : [curve.x, ...lines];
}

function options(curve, width, told, ranged) {
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  const axis = (label, side) => ({
    label,
    side,
    stroke: colour("soft"),
    font: "12px system-ui, sans-serif",
    labelFont: "12px system-ui, sans-serif",
    grid: { stroke: colour("line"), width: 0.6 },
    ticks: { stroke: colour("line"), width: 0.6 },
    values: (_, splits) => splits.map((value) => (value === null ? "" : number(value))),
    ...(side === 3 ? { size: 58 } : {}),
  });
  const edge = { stroke: "transparent", width: 0, points: { show: false } };
  const line = (stroke, thick) => ({ stroke, width: thick, points: { show: false } });
  return {
    width,
    height: HEIGHT,
    legend: { show: false },
    scales: { x: { time: false, ori: curve.upright ? 1 : 0 }, y: { ori: curve.upright ? 0 : 1 } },
    axes: [axis(curve.x_label, curve.upright ? 3 : 2), axis(curve.y_label, curve.upright ? 2 : 3)],
    series: [
      {},
      ...(curve.high ? [edge, edge] : []),
      line(colour("golden"), 5),
      line(colour("build"), 1.5),
    ],
    bands: curve.high ? [{ series: [1, 2], fill: colour("band") }] : [],
    cursor: { drag: { x: true, y: false }, points: { size: 7 } },
    hooks: { setCursor: [told], setScale: [(_, key) => key === "x" && ranged()] },
  };
}

// "frequency, Hz" as what it is and its unit.
function named(label) {
  const cut = label.lastIndexOf(", ");
  return [label.slice(0, cut), label.slice(cut + 2)];
}

function number(value, digits = 6) {
  if (value === null || value === undefined) return "none";
  return String(Number(value.toPrecision(digits))).replace("-", "−");
}

function element(kind, name = "") {
  const made = document.createElement(kind);
  if (name) made.className = name;
  return made;
}
