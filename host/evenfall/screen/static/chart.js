// Curves as SVG: axes once, then only the points of a line are set anew.
import { number, say } from "./lang.js";

const SPACE = "http://www.w3.org/2000/svg";
// each line has its own stroke besides its shade
export const STROKES = {
  this: { cls: "c-this", dash: "" },
  last: { cls: "c-last", dash: "9 4" },
  best: { cls: "c-best", dash: "2 4" },
  set: { cls: "c-set", dash: "6 3 1.5 3" },
};

let pairs = [];

// colour and stroke of curve `i`, the same as on paper
export function useStrokes(from) { pairs = from; }
export function pairStroke(i) {
  const [color, dash] = pairs[i % pairs.length] ?? ["#000", []];
  return { color, dash: dash.map((d) => 2.2 * d).join(" "), cls: "c-pair" };
}

function make(name, attributes = {}, text = null) {
  const e = document.createElementNS(SPACE, name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  if (text !== null) e.textContent = text;
  return e;
}

export function ticks(low, high, wanted = 5) {
  const span = high - low || 1;
  const rough = span / wanted;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 2.5, 5, 10].map((m) => m * power).find((s) => s >= rough) ?? 10 * power;
  const first = Math.ceil(low / step - 1e-9) * step;
  const out = [];
  for (let v = first; v <= high + step * 1e-6; v += step) out.push(Number(v.toFixed(10)));
  return { at: out, decimals: Math.max(0, -Math.floor(Math.log10(step) + 1e-9) + (step / power === 2.5 ? 1 : 0)) };
}

// places of things that are counted
function wholeTicks(low, high, wanted) {
  const step = Math.max(1, Math.ceil((high - low) / wanted));
  const first = Math.ceil(low);
  return { at: Array.from({ length: Math.floor((high - first) / step) + 1 }, (_, i) => first + i * step), decimals: 0 };
}

export class Chart {
  // axes: {x: label, y: label, unit}; title for the spoken name
  constructor(svg) {
    this.svg = svg;
    this.lines = [];
    this.axes = { x: "", y: "" };
    this.title = "";
    this.unit = "";
    this.fixed = {};
    svg.setAttribute("role", "img");
    new ResizeObserver(() => this.draw()).observe(svg);
  }

  // lines: [{name, stroke, x: [], y: [], low: [], high: []}]
  show(lines, axes, title, unit = "", fixed = {}) {
    Object.assign(this, { lines, axes, title, unit, fixed });
    this.draw();
  }

  range() {
    const all = this.lines.flatMap((l) => [l.y, l.high ?? []]).flat().filter((v) => v !== null);
    const xs = this.lines.flatMap((l) => l.x);
    const f = this.fixed;
    const lowest = Math.min(...all), highest = Math.max(...all);
    return {
      x: [f.x?.[0] ?? Math.min(...xs), f.x?.[1] ?? Math.max(...xs)],
      y: [f.y?.[0] ?? Math.min(0, lowest), f.y?.[1] ?? highest + 0.06 * Math.abs(highest || 1)],
    };
  }

  draw() {
    const box = this.svg.getBoundingClientRect();
    const w = Math.round(box.width), h = Math.round(box.height);
    this.svg.replaceChildren();
    this.paths = [];
    if (w < 60 || h < 60) return;
    this.svg.setAttribute("viewBox", `0 0 ${w} ${h}`);
    const known = this.lines.some((l) => l.x.length) || this.fixed.x;
    if (!known) {
      this.svg.append(make("text", { x: w / 2, y: h / 2, class: "c-empty" }, say("chart_empty")));
      this.svg.setAttribute("aria-label", `${this.title}. ${say("chart_empty")}`);
      return;
    }
    const r = this.range();
    this.lastRange = r;
    const left = 58, right = 30, bottom = 40;
    const places = this.places(w, left, right);
    const top = 11 + Math.max(13, ...places.map((p) => p.y)); // the names never lie on the curves
    this.px = (v) => left + ((v - r.x[0]) / (r.x[1] - r.x[0] || 1)) * (w - left - right);
    this.py = (v) => h - bottom - ((v - r.y[0]) / (r.y[1] - r.y[0] || 1)) * (h - top - bottom);
    this.frame(w, h, r, { left, right, top, bottom });
    for (const line of this.lines) this.paths.push(this.add(line));
    this.legend(places);
    this.speak();
  }

  frame(w, h, r, m) {
    const wanted = Math.max(3, Math.floor((w - m.left) / 90));
    const xt = this.fixed.whole ? wholeTicks(r.x[0], r.x[1], 2 * wanted) : ticks(r.x[0], r.x[1], wanted);
    const yt = ticks(r.y[0], r.y[1], Math.max(2, Math.floor((h - m.top) / 45)));
    for (const v of yt.at) {
      this.svg.append(make("line", { x1: m.left, x2: w - m.right, y1: this.py(v), y2: this.py(v), class: "c-rule" }));
      this.svg.append(make("text", { x: m.left - 7, y: this.py(v) + 5, class: "c-tick end" }, number(v, yt.decimals)));
    }
    for (const v of xt.at) {
      this.svg.append(make("line", { x1: this.px(v), x2: this.px(v), y1: h - m.bottom, y2: h - m.bottom + 5, class: "c-axis" }));
      this.svg.append(make("text", { x: this.px(v), y: h - m.bottom + 20, class: "c-tick mid" }, number(v, xt.decimals)));
    }
    this.svg.append(make("line", { x1: m.left, x2: w - m.right, y1: h - m.bottom, y2: h - m.bottom, class: "c-axis" }));
    if (this.fixed.zero && r.y[0] < 0 && r.y[1] > 0) this.svg.append(make("line", { x1: m.left, x2: w - m.right, y1: this.py(0), y2: this.py(0), class: "c-axis" }));
    this.svg.append(make("text", { x: w - m.right, y: h - 4, class: "c-name end" }, this.axes.x));
    this.svg.append(make("text", { x: 4, y: 15, class: "c-name" }, this.axes.y));
  }

  // the points of a line from place `from` on
  points(line, from = 0) {
    let out = "";
    for (let i = from; i < line.x.length; i++) {
      if (line.y[i] !== null) out += `${this.px(line.x[i]).toFixed(1)},${this.py(line.y[i]).toFixed(1)} `;
    }
    return out;
  }

  add(line) {
    const s = line.stroke;
    if (line.low && line.high) this.band(line);
    line.drawn = this.points(line);
    line.until = line.x.length;
    const path = make("polyline", { points: line.drawn, class: `c-line ${s.cls ?? ""}`, "stroke-dasharray": s.dash ?? "" });
    if (s.color) path.style.stroke = s.color;
    if (!line.alone) this.svg.append(path);
    if (line.dots) this.dots(line);
    return path;
  }

  dots(line) {
    line.x.forEach((x, i) => {
      if (line.y[i] === null) return;
      const dot = make("circle", { cx: this.px(x), cy: this.py(line.y[i]), r: line.big ? 9 : 4.5, class: line.big ? "c-ring" : "c-dot" });
      if (line.stroke.color) dot.style[line.big ? "stroke" : "fill"] = line.stroke.color;
      this.svg.append(dot);
    });
  }

  band(line) {
    const there = line.x.map((x, i) => [x, line.low[i], line.high[i]]).filter((p) => p[1] !== null && p[2] !== null);
    const up = there.map((p) => `${this.px(p[0]).toFixed(1)},${this.py(p[2]).toFixed(1)}`);
    const down = there.reverse().map((p) => `${this.px(p[0]).toFixed(1)},${this.py(p[1]).toFixed(1)}`);
    this.svg.append(make("polygon", { points: [...up, ...down].join(" "), class: `c-band ${line.stroke.cls ?? ""}` }));
  }

  // where each name stands: from the right, in as many rows as it takes
  places(w, left, right) {
    let x = w - right, y = 13;
    const out = [];
    for (const line of [...this.lines].reverse().filter((l) => l.name)) {
      const width = line.name.length * 7.4 + 44;
      if (x - width < left + 90 && x < w - right) { x = w - right; y += 18; }
      x -= width;
      out.push({ line, x, y });
    }
    return out;
  }

  legend(places) {
    for (const { line, x, y } of places) {
      const sample = make("line", { x1: x, x2: x + 30, y1: y - 4, y2: y - 4, class: `c-line ${line.stroke.cls ?? ""}`, "stroke-dasharray": line.stroke.dash ?? "" });
      if (line.stroke.color) sample.style.stroke = line.stroke.color;
      const dot = make("circle", { cx: x + 15, cy: y - 4, r: 5, class: line.big ? "c-ring" : "c-dot" });
      if (line.stroke.color) dot.style[line.big ? "stroke" : "fill"] = line.stroke.color;
      this.svg.append(line.alone ? dot : sample);
      this.svg.append(make("text", { x: x + 35, y, class: "c-name" }, line.name));
    }
  }

  speak() {
    const told = this.lines.filter((l) => l.x.length).map((l) => {
      let best = -1;
      l.y.forEach((v, i) => { if (v !== null && (best < 0 || v > l.y[best])) best = i; });
      return best < 0 ? l.name : say("chart_line", { name: l.name, value: number(l.y[best], 2), unit: this.unit, at: number(l.x[best]) });
    });
    this.svg.setAttribute("aria-label", say("chart_label", { title: this.title, lines: told.join("; ") }));
  }

  // the last line grew: its points anew; the axes too when it leaves them
  grow(index = this.lines.length - 1) {
    const line = this.lines[index], path = this.paths?.[index];
    if (!path || !line.x.length) return this.draw();
    const r = this.lastRange;
    for (let i = line.until; i < line.x.length; i++) {
      const x = line.x[i], y = line.y[i];
      if (x > r.x[1] || x < r.x[0] || (y !== null && (y > r.y[1] || y < r.y[0]))) return this.draw();
    }
    line.drawn += this.points(line, line.until);
    line.until = line.x.length;
    path.setAttribute("points", line.drawn);
    return undefined;
  }
}
