// A region of the field, dragged in a panel or given by its edges, and what the stack says of it.

import { getJson } from "./asking.js";
import { element } from "./elements.js";

const EDGES = ["left", "upper", "right", "lower"];

export function regionBox(seeing, say) {
  const choose = element("button", { type: "button", "aria-pressed": "false" }, "choose a region");
  const fields = EDGES.map((name) => element("input", { type: "number", min: 0, max: name === "left" || name === "right" ? seeing.nx : seeing.ny, required: true, "aria-label": `${name} edge, px` }));
  const told = element("div", { role: "status", class: "told" });
  const form = element("form", { class: "controls", "aria-label": "Region" }, choose, ...fields.map((field, k) => element("label", {}, `${EDGES[k]} `, field)), element("button", {}, "measure"));
  const choosing = (on) => {
    seeing.choosing = on;
    choose.setAttribute("aria-pressed", String(on));
  };
  choose.addEventListener("click", () => choosing(!seeing.choosing));
  let asking = new AbortController();
  const measure = async () => {
    const box = fields.map((field) => field.valueAsNumber);
    seeing.mark(box);
    say("");
    asking.abort(); // a large region takes longer than a small one after it
    asking = new AbortController();
    try {
      const facts = await getJson(`/region/${box.join("/")}`, asking.signal);
      told.replaceChildren(...table(facts));
    } catch (error) {
      if (error.name === "AbortError") return;
      told.replaceChildren();
      say(error.message);
    }
  };
  seeing.addEventListener("chosen", () => {
    if (!seeing.region) return;
    fields.forEach((field, k) => (field.value = seeing.region[k]));
    choosing(false);
    measure();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    measure();
  });
  const escape = (event) => event.key === "Escape" && choosing(false);
  document.addEventListener("keydown", escape);
  return {
    box: element("section", { class: "region", "aria-label": "Numbers of a region" }, form, told),
    leave: () => document.removeEventListener("keydown", escape),
  };
}

function table(facts) {
  const rows = facts.planes.map((plane) =>
    element("tr", {}, element("th", { scope: "row" }, plane.name), element("td", {}, plane.light), element("td", {}, plane.share)));
  const head = element("tr", {}, ...["Plane", `Light above the sky, ${facts.unit} per pixel`, "Share"].map((words) => element("th", { scope: "col" }, words)));
  return [
    element("table", { "aria-label": facts.title }, element("caption", {}, facts.title), element("thead", {}, head), element("tbody", {}, ...rows)),
    element("p", { class: "note" }, facts.note, " ", element("code", {}, facts.command)),
  ];
}
