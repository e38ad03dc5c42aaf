// One measured number of all lights over the nights, as a drawing that can be clicked on and walked through.

import { element } from "./elements.js";
import { nightAxis } from "./night_axis.js";

const HEIGHT = 136;
const [LEFT, RIGHT, TOP, BASE] = [52, 8, 10, HEIGHT - 22];
const NEAR = 30; // screen pixels within which a click finds a light
const WIDEST = 3; // lights set aside stretch the axis to so many times the span of those used

const drawn = (kind, given = {}, ...inside) => {
  const made = document.createElementNS("http://www.w3.org/2000/svg", kind);
  for (const [name, value] of Object.entries(given)) made.setAttribute(name, value);
  made.append(...inside);
  return made;
};

// Round numbers (1, 2, 2.5, 5 times a power of ten) that span an interval.
export function ticks(low, high, count = 3) {
  if (!(high - low > 1e-9 * Math.abs(high))) [low, high] = [low - (0.1 * Math.abs(low) || 0.5), high + (0.1 * Math.abs(high) || 0.5)];
  const power = 10 ** Math.floor(Math.log10((high - low) / count));
  const step = [1, 2, 2.5, 5, 10].map((times) => times * power).find((one) => one * 1.001 >= (high - low) / count);
  const [first, last] = [Math.floor(low / step + 1e-9), Math.ceil(high / step - 1e-9)];
  return Array.from({ length: last - first + 1 }, (_, k) => (first + k) * step);
}

export class TimeChart {
  // quantity: key, heading, told(light), factor, and whether the axis starts at zero.
  constructor(quantity, lights, choose) {
    Object.assign(this, { quantity, lights, chooseLight: choose, kept: new Set(lights) });
    this.at = 0;
    this.value = (light) => (light[quantity.key] == null ? null : light[quantity.key] * (quantity.factor ?? 1));
    this.read = element("span", { class: "read", "aria-hidden": "true" });
    this.svg = drawn("svg", { tabindex: 0, role: "slider", "aria-label": `${quantity.heading}: light`, height: HEIGHT, width: "100%" });
    this.box = element("figure", {}, element("figcaption", {}, element("strong", {}, quantity.heading), this.read), this.svg);
    this.marks = this.#axis();
    this.sized = new ResizeObserver(() => this.#draw());
    this.sized.observe(this.svg);
    this.#listen();
    this.#tell();
  }

  leave() {
    this.sized.disconnect();
  }

  // Lights that do not pass are drawn faint.
  keep(kept) {
    this.kept = kept;
    this.#points();
  }

  choose(light) {
    this.chosen = light;
    this.at = light.number;
    this.#tell();
    this.#points();
  }

  #axis() {
    const known = (aside) => this.lights.filter((light) => Boolean(light.reason) === aside).map(this.value).filter((value) => value != null);
    const used = known(false).length ? known(false) : known(true);
    if (!used.length) return [];
    const [low, high] = [Math.min(...used), Math.max(...used)];
    const reach = WIDEST * Math.max(high - low, 0.1 * Math.abs(high));
    const near = known(true).filter((value) => value >= high - reach && value <= low + reach);
    return ticks(this.quantity.zero ? 0 : Math.min(low, ...near), Math.max(high, ...near));
  }

  #y(value) {
    const [low, high] = [this.marks[0], this.marks.at(-1)];
    return BASE - ((value - low) / (high - low)) * (BASE - TOP);
  }

  #draw() {
    const width = this.svg.clientWidth;
    if (!width) return;
    const { x, nights } = nightAxis(this.lights, LEFT + 4, width - RIGHT - 4);
    this.x = x;
    const parts = [];
    for (const [k, night] of nights.entries()) {
      if (k % 2) parts.push(drawn("rect", { class: "band", x: night.from - 4, y: TOP - 6, width: night.to - night.from + 8, height: BASE - TOP + 10 }));
      if (night.words) parts.push(drawn("text", { class: "tick", x: night.middle, y: HEIGHT - 5, "text-anchor": "middle" }, night.words));
    }
    for (const mark of this.marks) {
      const y = this.#y(mark);
      parts.push(drawn("line", { class: "rule", x1: LEFT, x2: width - RIGHT, y1: y, y2: y }));
      parts.push(drawn("text", { class: "tick", x: LEFT - 6, y: y + 4, "text-anchor": "end" }, mark.toLocaleString("en", { maximumFractionDigits: 4 })));
    }
    if (!this.marks.length) parts.push(drawn("text", { class: "tick", x: LEFT, y: BASE / 2 }, "not measured"));
    this.paths = Object.fromEntries(["faint dot", "faint cross", "dot", "cross"].map((name) => [name, drawn("path", { class: name })]));
    this.ring = drawn("circle", { class: "ring", r: 7, visibility: "hidden" });
    this.hand = drawn("line", { class: "hand", y1: TOP - 6, y2: BASE + 4, visibility: "hidden" });
    this.svg.replaceChildren(...parts, this.hand, ...Object.values(this.paths), this.ring);
    this.#points();
  }

  #points() {
    if (!this.x) return;
    const path = { "faint dot": "", "faint cross": "", dot: "", cross: "" };
    for (const light of this.lights) {
      const value = this.value(light);
      if (value == null) continue;
      const [x, y] = [this.x.get(light).toFixed(1), this.#y(value)];
      const name = `${this.kept.has(light) ? "" : "faint "}${light.reason ? "cross" : "dot"}`;
      if (y < TOP - 4) path[name] += `M${x} ${TOP}m-4 2l4 -5l4 5`;
      else if (y > BASE + 4) path[name] += `M${x} ${BASE}m-4 -2l4 5l4 -5`;
      else path[name] += `M${x} ${y.toFixed(1)}` + (light.reason ? "m-3.5 -3.5l7 7m0 -7l-7 7" : "h.01");
    }
    for (const [name, d] of Object.entries(path)) this.paths[name].setAttribute("d", d);
    this.#mark(this.ring, this.chosen);
  }

  #mark(ring, light) {
    const value = light && this.value(light);
    ring.setAttribute("visibility", value == null ? "hidden" : "visible");
    if (value == null) return;
    ring.setAttribute("cx", this.x.get(light));
    ring.setAttribute("cy", Math.min(BASE, Math.max(TOP, this.#y(value))));
  }

  // What is told of the light that the keys or the pointer have come to.
  #tell(hand = false) {
    const light = this.lights[this.at];
    if (!light) return;
    const words = `${light.file}, ${this.quantity.told(light)}, ${light.reason ? "set aside" : "used"}`;
    const given = { "aria-valuemin": 1, "aria-valuemax": this.lights.length, "aria-valuenow": this.at + 1, "aria-valuetext": words };
    for (const [name, value] of Object.entries(given)) this.svg.setAttribute(name, value);
    this.read.textContent = hand || light === this.chosen ? `${light.file}: ${this.quantity.told(light)}` : "";
    if (!this.x) return;
    this.hand.setAttribute("visibility", hand ? "visible" : "hidden");
    for (const end of ["x1", "x2"]) this.hand.setAttribute(end, this.x.get(light));
  }

  // The light of those kept that is nearest to a place, if one is near.
  #under(event) {
    const box = this.svg.getBoundingClientRect();
    let [best, found] = [NEAR ** 2, null];
    for (const light of this.lights) {
      const value = this.value(light);
      if (value == null || !this.kept.has(light) || !this.x) continue;
      const y = Math.min(BASE, Math.max(TOP, this.#y(value)));
      const apart = (this.x.get(light) - event.clientX + box.left) ** 2 + (y - event.clientY + box.top) ** 2;
      if (apart < best) [best, found] = [apart, light];
    }
    return found;
  }

  #listen() {
    const come = (light) => {
      this.at = light.number;
      this.#tell(true);
    };
    const rest = () => {
      if (this.chosen) this.at = this.chosen.number;
      this.#tell();
    };
    this.svg.addEventListener("pointermove", (event) => {
      const light = this.#under(event);
      if (light) come(light);
      else rest();
    });
    this.svg.addEventListener("pointerleave", rest);
    this.svg.addEventListener("blur", rest);
    this.svg.addEventListener("focus", () => this.lights.length && come(this.lights[this.at]));
    this.svg.addEventListener("click", (event) => {
      const light = this.#under(event);
      if (light) this.chooseLight(light);
    });
    this.svg.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return; // keys of the browser
      const kept = this.lights.filter((light) => this.kept.has(light));
      const [before, after] = [kept.filter((light) => light.number < this.at), kept.filter((light) => light.number > this.at)];
      const to = { ArrowRight: after[0], ArrowLeft: before.at(-1), Home: kept[0], End: kept.at(-1) };
      if (event.key in to) come(to[event.key] ?? this.lights[this.at]);
      else if (event.key === "Enter" || event.key === " ") this.chooseLight(this.lights[this.at]);
      else return;
      event.preventDefault();
    });
  }
}
