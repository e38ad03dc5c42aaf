// One light: what was measured of it, why it was set aside, and what the raw frame looks like.

import { get } from "./asking.js";
import { element } from "./elements.js";
import { waiting } from "./marking.js";

const PARTS = {
  field: ["whole frame", (file) => `Raw light ${file}, the whole frame in grey`],
  detail: ["its middle, sample by sample", (file) => `Raw light ${file}, the middle, enlarged`],
};

export class LightPanel {
  constructor(facts, quantities) {
    Object.assign(this, { facts, quantities });
    this.addresses = [];
    this.name = element("h2", { hidden: true });
    // stays in the page, so that readers of the screen are told when it changes
    this.state = element("p", { role: "status" }, "Click on a light in the table or in a chart, or press Enter on it: it is shown here.");
    this.more = element("div", {});
    this.box = element("section", { class: "shown", "aria-label": "Light shown" }, this.name, this.state, this.more);
  }

  leave() {
    this.waiting?.abort();
    for (const address of this.addresses.splice(0)) URL.revokeObjectURL(address);
  }

  show(light) {
    this.leave();
    this.waiting = new AbortController();
    const told = [["Start", light.time?.slice(0, 19).replace("T", " ") ?? light.night ?? "–"], ...this.quantities.filter((one) => one.digits).map((one) => [one.heading, one.told(light)])];
    const numbers = told.map(([name, words]) => element("div", {}, element("dt", {}, name), element("dd", {}, words)));
    const remarks = light.flags.map((flag) => element("p", { class: "soft" }, `${flag}: ${this.facts.remarks[flag] ?? ""}`));
    const pictures = element("div", { class: "pictures" });
    this.name.hidden = false;
    this.name.textContent = light.file;
    this.tell(light);
    this.more.replaceChildren(...remarks, element("dl", {}, ...numbers), pictures);
    this.box.scrollIntoView({ block: "nearest" });
    this.#pictures(light, pictures, this.waiting.signal);
  }

  // What became of a light, and what the next run would do with it.
  tell(light) {
    const next = waiting(light);
    this.state.className = light.reason ? "aside" : "used";
    this.state.textContent = `${light.reason ? `Set aside: ${light.reason}.` : "Used."}${next ? ` ${next[0].toUpperCase()}${next.slice(1)}.` : ""}`;
  }

  async #pictures(light, place, signal) {
    try {
      for (const [part, [caption, words]] of Object.entries(PARTS)) {
        const answer = await get(`/lights/${this.facts.version}/${light.number}/${part}.png`, signal);
        const address = URL.createObjectURL(await answer.blob());
        if (signal.aborted) return URL.revokeObjectURL(address);
        this.addresses.push(address);
        const image = element("img", { src: address, alt: words(light.file) });
        place.append(element("figure", { class: part }, element("span", { class: "reddened" }, image), element("figcaption", {}, caption)));
      }
    } catch (error) {
      if (error.name !== "AbortError") place.replaceChildren(element("p", { class: "gone" }, error.message));
    }
    return undefined;
  }
}
