// The table of lights: sorted by any column, walked through by keys.
//
// Its rows are laid out each for itself (frames.css), so that those out of sight cost nothing: a table of the browser's own
// takes a tenth of a second for five hundred rows. With that it would be no table for readers of the screen, but for roles.

import { element } from "./elements.js";

const LETTERS = new Intl.Collator("en", { numeric: true });
const PAGE = 15;

// Text that may be broken after each slash.
const broken = (text) => text.split(/(?<=\/)/).flatMap((part, k) => (k ? [element("wbr"), part] : [part]));

// Words that need more room than their column has stand on a line of their own, below the numbers.
function fill(cell, column, light) {
  const words = column.told(light);
  cell.replaceChildren(...broken(words));
  if (column.narrow) cell.classList.toggle("below", words.length > column.narrow);
  return cell;
}

export class LightTable {
  // columns: key, heading, told(light), digits for numbers. choose: called with a light on Enter or a click.
  // ticked: called when other lights are ticked.
  constructor(columns, lights, choose, ticked) {
    Object.assign(this, { columns, lights, chooseLight: choose, tickedOthers: ticked });
    this.ticks = new Set();
    this.kept = new Set(lights);
    this.sorted = { key: "time", down: false };
    this.rows = new Map(lights.map((light) => [light, this.#row(light)]));
    this.lightOf = new Map([...this.rows].map(([light, row]) => [row, light]));
    this.heads = new Map(columns.map((column) => [column.key, this.#head(column)]));
    this.body = element("tbody", { role: "rowgroup" });
    this.all = element("input", { type: "checkbox", "aria-label": "tick all lights shown" });
    this.all.addEventListener("change", () => this.#tick(this.#shown(), this.all.checked));
    this.none = element("p", { class: "soft", hidden: true }, "No light passes: take a filter back.");
    const grid = element(
      "table", { role: "grid", "aria-label": "Lights", class: "lights", "aria-multiselectable": "true" },
      element("thead", { role: "rowgroup" }, element("tr", { role: "row" }, element("th", { role: "columnheader", class: "tick" }, this.all), ...this.heads.values())), this.body,
    );
    this.box = element("div", { class: "scrolled" }, grid, this.none);
    this.body.addEventListener("click", (event) => this.#clicked(event));
    this.body.addEventListener("keydown", (event) => this.#key(event));
    this.#order();
  }

  // Show these lights only.
  keep(kept) {
    this.kept = kept;
    this.#order();
  }

  // Mark the light that is shown beside.
  choose(light) {
    if (this.chosen) this.rows.get(this.chosen).setAttribute("aria-selected", "false");
    this.chosen = light;
    this.rows.get(light).setAttribute("aria-selected", "true");
    this.#reach(this.rows.get(light));
    this.rows.get(light).scrollIntoView({ block: "nearest" });
  }

  // Tell of lights anew.
  renew(lights) {
    for (const light of lights) {
      const cells = this.rows.get(light).cells;
      for (const [k, column] of this.columns.entries()) fill(cells[k + 1], column, light);
    }
  }

  // Lights that are ticked and shown.
  get ticked() {
    return this.#shown().filter((light) => this.ticks.has(light));
  }

  #shown() {
    return [...this.body.rows].map((row) => this.lightOf.get(row));
  }

  #tick(lights, on) {
    for (const light of lights) {
      if (on) this.ticks.add(light);
      else this.ticks.delete(light);
      this.rows.get(light).querySelector("input").checked = on;
    }
    this.lastTick = lights.at(-1);
    this.#ticked();
  }

  #ticked() {
    const [shown, ticked] = [this.body.rows.length, this.ticked.length];
    this.all.checked = shown > 0 && ticked === shown;
    this.all.indeterminate = ticked > 0 && ticked < shown;
    this.tickedOthers();
  }

  #row(light) {
    const tick = element("td", { role: "gridcell", class: "tick" }, element("input", { type: "checkbox", tabindex: -1, "aria-label": `${light.file}: tick` }));
    const cells = this.columns.map((column) => fill(element("td", { role: "gridcell", class: column.digits ? "number" : column.key }), column, light));
    return element("tr", { role: "row", tabindex: -1, "aria-selected": "false", class: light.reason ? "aside" : null }, tick, ...cells);
  }

  #head(column) {
    const button = element("button", { type: "button", onclick: () => this.#sortBy(column.key) }, column.heading);
    return element("th", { role: "columnheader", class: column.digits ? "number" : column.key }, button);
  }

  #sortBy(key) {
    this.sorted = { key, down: this.sorted.key === key && !this.sorted.down };
    this.#order();
  }

  // Put the rows that are kept in their order; what is not known stands last either way.
  #order() {
    const { key, down } = this.sorted;
    for (const [name, head] of this.heads) {
      if (name === key) head.setAttribute("aria-sort", down ? "descending" : "ascending");
      else head.removeAttribute("aria-sort");
    }
    const sign = down ? -1 : 1;
    const by = this.columns.find((column) => column.key === key).order ?? key;
    const shown = this.lights.filter((light) => this.kept.has(light));
    shown.sort((one, other) => {
      const [a, b] = [one[by], other[by]];
      if (a == null || b == null) return (a == null) - (b == null) || one.number - other.number;
      return sign * (typeof a === "number" ? a - b : LETTERS.compare(a, b)) || one.number - other.number;
    });
    const rows = shown.map((light) => this.rows.get(light));
    this.body.replaceChildren(...rows);
    this.none.hidden = rows.length > 0;
    if (!this.kept.has(this.lightOf.get(this.reached)) && rows.length) this.#reach(rows[0]);
    this.#ticked();
  }

  // The one row that Tab reaches.
  #reach(row) {
    if (this.reached) this.reached.tabIndex = -1;
    this.reached = row;
    row.tabIndex = 0;
  }

  #clicked(event) {
    const row = event.target.closest("tr");
    if (!row) return;
    const light = this.lightOf.get(row);
    if (!event.target.closest(".tick")) {
      this.chooseLight(light);
      return;
    }
    const on = event.target.matches("input") ? event.target.checked : !this.ticks.has(light);
    const shown = this.#shown();
    const ends = [shown.indexOf(light), event.shiftKey ? shown.indexOf(this.lastTick) : -1].filter((k) => k >= 0);
    this.#tick(shown.slice(Math.min(...ends), Math.max(...ends) + 1), on);
    this.lastTick = light;
  }

  #key(event) {
    const row = event.target.closest("tr");
    const rows = [...this.body.rows];
    const at = rows.indexOf(row);
    const to = { ArrowDown: at + 1, ArrowUp: at - 1, PageDown: at + PAGE, PageUp: at - PAGE, Home: 0, End: rows.length - 1 }[event.key];
    if (to !== undefined) {
      const next = rows[Math.min(rows.length - 1, Math.max(0, to))];
      if (event.shiftKey) this.#tick([row, next].map((one) => this.lightOf.get(one)), true);
      this.#reach(next);
      next.focus();
    } else if (event.key === "Enter") this.chooseLight(this.lightOf.get(row));
    else if (event.key === " ") this.#tick([this.lightOf.get(row)], !this.ticks.has(this.lightOf.get(row)));
    else return;
    event.preventDefault();
  }
}
