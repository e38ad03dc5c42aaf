// What is on the page: the views of a project, and which of them is shown.

import { session } from "./asking.js";
import { element } from "./elements.js";
import { evidenceView } from "./evidence.js";
import { framesView } from "./frames.js";
import { planesView } from "./planes.js";
import { themed } from "./theme.js";

const said = document.getElementById("said");
const say = (sentence) => (said.textContent = sentence);
const main = document.getElementById("main");

themed(document.getElementById("theme"));

const VIEWS = {
  planes: { name: "Planes", needs: "stack", show: (place) => planesView(place, { say, name: "stack" }) },
  lines: { name: "Lines", needs: "lines", show: (place) => planesView(place, { say, name: "lines" }) },
  frames: { name: "Frames", show: (place) => framesView(place, { say }) },
  evidence: { name: "Evidence", show: (place) => evidenceView(place) },
};

let leave = null;
let turn = 0;

// Each view has a place of its own: one that was left before it was ready writes into nothing.
async function show(key) {
  const mine = ++turn;
  leave?.();
  leave = null;
  for (const link of document.querySelectorAll("#views a")) {
    if (link.dataset.view === key) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  say("");
  const place = element("div", { class: "view" });
  main.replaceChildren(place);
  try {
    const left = await VIEWS[key].show(place);
    if (mine === turn) leave = left;
    else left();
  } catch (error) {
    if (mine === turn) say(error.message);
  }
}

try {
  const facts = await session();
  document.getElementById("project").textContent = facts.name;
  document.title = `${facts.name} · Fourlight`;
  const there = Object.keys(VIEWS).filter((key) => !VIEWS[key].needs || facts.sets.includes(VIEWS[key].needs));
  document.getElementById("views").append(
    ...there.map((key) => element("a", { href: `#${key}`, "data-view": key }, VIEWS[key].name)),
  );
  const chosen = () => (there.includes(location.hash.slice(1)) ? location.hash.slice(1) : there[0]);
  addEventListener("hashchange", () => show(chosen()));
  await show(chosen());
} catch (error) {
  say(error.message);
}
