// Which two steps of a picture are looked at, and their pictures.

import { element } from "./elements.js";
import { ShownImage } from "./shown_image.js";

const FINISHED = "finished";

export class StepPair extends EventTarget {
  constructor(facts) {
    super();
    this.facts = facts;
    this.loaded = new Map();
    this.selects = { before: element("select"), after: element("select") };
    this.rows = Object.entries(this.selects).map(([name, select]) => element("label", {}, `${name} `, select));
    for (const select of Object.values(this.selects)) select.addEventListener("change", () => this.dispatchEvent(new Event("chosen")));
  }

  get before() {
    return this.selects.before.value;
  }

  get after() {
    return this.selects.after.value;
  }

  get title() {
    return `${this.before ? `left ${this.#named(this.before)}, right ` : ""}${this.#named(this.after)}`;
  }

  // Sentences of the step after; of the finished picture, those of all steps.
  get notes() {
    const steps = this.facts.steps.filter((step) => this.after === FINISHED || step.name === this.after);
    return steps.flatMap((step) => step.notes);
  }

  // There is another picture.
  update(facts) {
    this.facts = facts;
    this.loaded = new Map();
    const seen = facts.steps.filter((step) => step.seen).map((step) => [step.name, step.title]);
    const finished = [FINISHED, "Finished, every pixel"];
    this.#fill(this.selects.before, [["", "nothing"], ...seen, finished], "");
    this.#fill(this.selects.after, [...seen, finished], FINISHED);
    this.dispatchEvent(new Event("chosen"));
  }

  // Both pictures, the first one null where there is nothing before; nothing where others have been chosen or made meanwhile.
  async images() {
    const { before, after, facts } = this;
    const found = await Promise.all([before ? this.#image(before) : null, this.#image(after)]);
    return before === this.before && after === this.after && facts === this.facts ? found : null;
  }

  #fill(select, names, otherwise) {
    const value = names.some(([name]) => name === select.value) && select.options.length ? select.value : otherwise;
    select.replaceChildren(...names.map(([name, text]) => element("option", { value: name }, text)));
    select.value = value;
  }

  #named(name) {
    return name === FINISHED ? "the finished picture" : this.facts.steps.find((step) => step.name === name)?.title;
  }

  #image(name) {
    const place = name === FINISHED ? "files/picture.jpg" : `steps/${name}`;
    if (!this.loaded.has(name)) {
      const [coming, loaded] = [ShownImage.from(`/picture/${place}?${this.facts.version}`), this.loaded];
      coming.catch(() => loaded.delete(name)); // it is asked for again
      loaded.set(name, coming);
    }
    return this.loaded.get(name);
  }
}
