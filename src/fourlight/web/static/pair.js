// Two planes in one panel: one left and one right of an edge, or in turn.

import { element, slider } from "./elements.js";

const TURN_MS = 800; // slower than three flashes in a second

// choices: name of what can be shown to its planes and tables. panel: that which shows both; `tell` is told what is seen.
export class Pair {
  constructor(choices, panel, tell) {
    Object.assign(this, { choices, panel, tell, way: "wipe", edge: 0.5, turn: 0, timer: 0 });
    const names = [...choices.keys()];
    this.shown = [names[0], names[1]];
    this.layers = new Map([...choices].map(([name, { planes, tables }]) => [name, panel.layer(planes, tables)]));
    const select = (label, k) => {
      const box = element("select", {}, ...names.map((name) => element("option", { value: name, selected: name === this.shown[k] }, name)));
      box.addEventListener("change", () => { this.shown[k] = box.value; this.#draw(); });
      return element("label", {}, `${label} `, box);
    };
    const change = (value) => { this.edge = value / 100; this.#draw(); };
    this.slider = slider("edge", { low: 0, high: 100, step: 1, value: 50, shown: (value) => `${value} %`, change }).row;
    this.still = element("button", { type: "button", "aria-pressed": "false", onclick: () => this.#hold(!this.held) }, "hold");
    this.controls = element("div", { class: "controls" }, select("First", 0), select("Second", 1), this.slider, this.still);
  }

  // Show both by a wipe or a blink.
  begin(way) {
    this.end();
    this.way = way;
    this.slider.hidden = way !== "wipe";
    this.still.hidden = way !== "blink";
    this.#hold(matchMedia("(prefers-reduced-motion: reduce)").matches);
    this.#draw();
  }

  end() {
    clearInterval(this.timer);
  }

  #hold(held) {
    this.held = held;
    this.still.setAttribute("aria-pressed", String(held));
    clearInterval(this.timer);
    if (this.way === "blink" && !held) this.timer = setInterval(() => { this.turn = 1 - this.turn; this.#draw(); }, TURN_MS);
  }

  #draw() {
    const [first, second] = this.shown.map((name) => this.layers.get(name));
    const wiped = this.way === "wipe";
    const one = { ...(this.turn && !wiped ? second : first), from: 0, to: wiped ? this.edge : 1 };
    this.panel.show(wiped ? [one, { ...second, from: this.edge, to: 1 }] : [one]);
    this.tell(wiped ? `${this.shown[0]} | ${this.shown[1]}` : this.shown[this.turn]);
  }
}
