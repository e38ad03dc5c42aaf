// Marks on lights for the next run: a reason, what is marked, and the job that takes the marks.

import { send } from "./asking.js";
import { element } from "./elements.js";
import { jobs } from "./jobs.js";

const REASONS = ["an aeroplane or a satellite", "cloud", "dew", "wind", "the focus was off", "the mount had lost its star", "twilight"];
const NEXT = { leave: (why) => `next run: left out (${why})`, use: () => "next run: used anyway", none: () => "next run: as it is measured" };

// What a mark says that the stack does not have yet; empty where there is none.
export const waiting = (light) => (light.mark?.[2] ? NEXT[light.mark[0]](light.mark[1]) : "");

export class Marking {
  // chosen(): lights that a mark is for. changed(lights): lights whose marks are others now.
  constructor(facts, lights, { chosen, changed, say }) {
    Object.assign(this, { facts, lights, chosen, changed, say });
    this.reason = element("input", { type: "text", list: "reasons", size: 26, maxlength: 200 });
    this.target = element("output", { class: "count", role: "status", "aria-label": "Lights to be marked" });
    this.buttons = {
      leave: this.#button("leave out", () => this.#mark("leave")),
      use: this.#button("use anyway", () => this.#mark("use")),
      none: this.#button("take marks off", () => this.#mark("none")),
      undo: this.#button("undo", () => this.#step("undo")),
      redo: this.#button("redo", () => this.#step("redo")),
    };
    this.state = element("p", { role: "status", class: "state", tabindex: -1 });
    this.run = this.#button("run again with the marks", () => this.#run());
    this.box = element("section", { class: "marking", "aria-label": "Marks for the next run" },
      element("div", { class: "controls" }, this.target, element("label", {}, "Reason ", this.reason), ...Object.values(this.buttons)),
      element("div", { class: "controls" }, this.state, this.run),
      element("datalist", { id: "reasons" }, ...REASONS.map((value) => element("option", { value }))));
    this.#put(facts.marks);
    this.follow();
    this.working = () => (this.run.disabled = Boolean(jobs.atWork));
    jobs.addEventListener("changed", this.working);
  }

  leave() {
    jobs.removeEventListener("changed", this.working);
  }

  // Say which lights a mark would be for.
  follow() {
    const lights = this.chosen();
    this.target.textContent = lights.length === 1 ? lights[0].file : lights.length ? `${lights.length} lights ticked` : "no light ticked";
    for (const name of ["leave", "use", "none"]) this.buttons[name].disabled = !lights.length;
  }

  #button(name, press) {
    return element("button", { type: "button", onclick: press }, name);
  }

  async #mark(mark) {
    const numbers = this.chosen().map((light) => light.number);
    await this.#ask(`/lights/${this.facts.version}/marks`, { lights: numbers, mark, reason: this.reason.value });
  }

  #step(way) {
    return this.#ask(`/marks/${way}`, {});
  }

  async #ask(address, wish) {
    try {
      const done = await send(address, wish);
      this.say(done.passed_over ? `${done.passed_over} of the lights ticked cannot be marked so` : "");
      this.#put(done.marks);
    } catch (error) {
      this.say(error.message);
      if (!this.reason.value && wish.mark === "leave") this.reason.focus();
    }
  }

  #put(marks) {
    const others = this.lights.filter((light) => JSON.stringify(light.mark) !== JSON.stringify(marks.lights[light.number]));
    for (const light of others) light.mark = marks.lights[light.number];
    this.buttons.undo.disabled = !marks.undo;
    this.buttons.redo.disabled = !marks.redo;
    const many = marks.waiting === 1 ? "1 mark is" : `${marks.waiting} marks are`;
    this.state.textContent = marks.waiting
      ? `${many} not in the stack yet: it changes only with the next run, which takes them from ${marks.file}.`
      : "A mark changes the stack only with the next run. No mark waits for one.";
    this.run.hidden = !marks.waiting;
    this.changed(others);
  }

  async #run() {
    try {
      const { offers, none } = await jobs.offers();
      if (none) throw new Error(none);
      const offer = ["again", "run"].find((kind) => offers.some((one) => one.kind === kind));
      if (!offer) throw new Error(`Lights were added to this stack in steps: run all nights in the terminal, with --recipe ${this.facts.marks.file}`);
      await jobs.start(offer);
      location.hash = "#run";
    } catch (error) {
      this.say(error.message);
    }
  }
}
