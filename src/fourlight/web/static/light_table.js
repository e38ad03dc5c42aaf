// The table of lights: sorted by any column, walked through by keys.
//
// Its rows are laid out each for itself (frames.css), so that those out of sight cost nothing: a table of the browser's own
// takes a tenth of a second for five hundred rows. With that it would be no table for readers of the screen, but for roles.

import { element } from "./elements.js";

const LETTERS = new Intl.Collator("en", { numeric: true });
const PAGE = 15;

// Text that may be broken after each slash.
const broken = (text) => text.split(/(?<=\/)/).flatMap((part, k) => (k ? [element("wbr"), part] : [part]));

export class LightTable {
  // columns: key, heading, told(light), digits for numbers. choose: called with a light on Enter, Space or a click.
  constructor(columns, lights, choose) {
    Object.assign(this, { columns, lights, chooseLight: choose });
    this.kept = new Set(lights);
    this.sorted = { key: "time", down: false };
    this.rows = new Map(lights.map((light) => [light, this.#row(light)]));
    this.lightOf = new Map([...this.rows].map(([light, row]) => [row, light]));
    this.heads = new Map(columns.map((column) => [column.key, this.#head(column)]));
    this.body = element("tbody", { role: "rowgroup" });
    this.none = element("p", { class: "soft", hidden: true }, "No light passes: take a filter back.");
    const grid = element(
      "table", { role: "grid", "aria-label": "Lights", class: "lights" },
      element("thead", { role: "rowgroup" }, element("tr", { role: "row" }, ...this.heads.values())), this.body,
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

  #row(light) {
    const cells = this.columns.map((column) => element("td", { role: "gridcell", class: column.digits ? "number" : column.key }, ...broken(column.told(light))));
    return element("tr", { role: "row", tabindex: -1, "aria-selected": "false", class: light.reason ? "aside" : null }, ...cells);
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
  }

  // The one row that Tab reaches.
  #reach(row) {
    if (this.reached) this.reached.tabIndex = -1;
    this.reached = row;
    row.tabIndex = 0;
  }

  #clicked(event) {
    const row = event.target.closest("tr");
    if (row) this.chooseLight(this.lightOf.get(row));
  }

  #key(event) {
    const row = event.target.closest("tr");
    const rows = [...this.body.rows];
    const at = rows.indexOf(row);
    const to = { ArrowDown: at + 1, ArrowUp: at - 1, PageDown: at + PAGE, PageUp: at - PAGE, Home: 0, End: rows.length - 1 }[event.key];
    if (to !== undefined) {
      const next = rows[Math.min(rows.length - 1, Math.max(0, to))];
      this.#reach(next);
      next.focus();
    } else if (event.key === "Enter" || event.key === " ") this.chooseLight(this.lightOf.get(row));
    else return;
    event.preventDefault();
  }
}
