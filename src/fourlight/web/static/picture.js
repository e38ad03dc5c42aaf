// The finished picture: its steps one against the other, its settings, and its files.

import { getJson } from "./asking.js";
import { element } from "./elements.js";
import { Seeing } from "./seeing.js";
import { settingsOf } from "./picture_settings.js";
import { listening } from "./renewed.js";
import { StepPair } from "./step_pair.js";
import { Wipe } from "./wipe.js";

const KEYS = "arrow keys move, plus and minus zoom, 0 shows all, 1 single pixels";

export async function pictureView(place, { say }) {
  const facts = await getJson("/picture");
  const canvas = element("canvas", { tabindex: 0, role: "img" });
  const seeing = new Seeing(facts.nx, facts.ny);
  const wipe = new Wipe(canvas, seeing, () => document.documentElement.dataset.theme === "night");
  const edge = edgeOf(wipe);
  const notes = element("ul", { class: "notes", "aria-label": "What was done" });
  const files = element("ul", { class: "files", "aria-label": "Files to take along" });
  const figure = element("figure", {}, canvas);
  const pair = new StepPair(facts);
  const settings = settingsOf(facts, say);

  const show = async () => {
    edge.disabled = !pair.before;
    canvas.setAttribute("aria-label", `${pair.title}; ${KEYS}`);
    notes.replaceChildren(...pair.notes.map((note) => element("li", {}, note)));
    try {
      const images = await pair.images();
      if (images) wipe.show(...images);
    } catch (error) {
      say(error.message);
    }
  };
  const filled = (news) => {
    Object.assign(seeing, { nx: news.nx, ny: news.ny });
    figure.style.aspectRatio = `${news.nx} / ${news.ny}`;
    files.replaceChildren(...news.files.map(fileOf));
    settings.update(news);
    pair.update(news);
  };
  const themed = () => wipe.later();

  pair.addEventListener("chosen", show);
  const controls = element(
    "div", { class: "controls" }, ...pair.rows,
    element("label", { class: "slider" }, element("span", { "aria-hidden": "true" }, "edge"), edge),
    element("button", { type: "button", onclick: () => seeing.whole() }, "whole field"),
    element("button", { type: "button", onclick: () => seeing.single() }, "single pixels"),
  );
  const seen = element("section", { class: "seen", "aria-label": "Picture" }, controls, figure, files, element("h2", {}, "What was done"), notes);
  place.replaceChildren(element("div", { class: "picture" }, seen, settings.element));
  filled(facts);
  document.addEventListener("themed", themed);
  // not shown anew as a whole: settings, zoom and the steps that were chosen stay
  const still = listening("/picture", say, facts, filled);
  return () => {
    document.removeEventListener("themed", themed);
    still();
    settings.leave();
  };
}

// Where one picture ends and the other begins, for those who do not draw it.
function edgeOf(wipe) {
  const edge = element("input", { type: "range", min: 0, max: 100, value: 50, "aria-label": "edge between before and after" });
  edge.addEventListener("input", () => wipe.move(edge.valueAsNumber / 100));
  wipe.addEventListener("edge", () => (edge.value = Math.round(100 * wipe.edge)));
  return edge;
}

function fileOf({ name, kind, bytes }) {
  const size = bytes >= 1e6 ? `${(bytes / 1e6).toFixed(1)} MB` : `${Math.ceil(bytes / 1e3)} kB`;
  return element("li", {}, element("a", { href: `/picture/files/${name}`, download: name }, name), ` ${kind}, ${size}`);
}
