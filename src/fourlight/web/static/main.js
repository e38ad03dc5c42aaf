// What is on the page: the views of a project, and which of them is shown.

import { session } from "./asking.js";
import { element } from "./elements.js";
import { evidenceView } from "./evidence.js";
import { framesView } from "./frames.js";
import { jobs } from "./jobs.js";
import { pictureView } from "./picture.js";
import { planView } from "./plan.js";
import { planesView } from "./planes.js";
import { runView } from "./run.js";
import { startView } from "./start.js";
import { themed } from "./theme.js";

const said = document.getElementById("said");
const say = (sentence) => (said.textContent = sentence);
const main = document.getElementById("main");
const nav = document.getElementById("views");

themed(document.getElementById("theme"));

// What a view needs is one of the sets of the project; a view without needs is always there.
const VIEWS = {
  start: { name: "Start", needs: "start", show: (place, say) => startView(place, { say, facts }) },
  picture: { name: "Picture", needs: "picture", show: (place, say) => pictureView(place, { say }) },
  planes: { name: "Planes", needs: "stack", show: (place, say) => planesView(place, { say, name: "stack" }) },
  lines: { name: "Lines", needs: "lines", show: (place, say) => planesView(place, { say, name: "lines" }) },
  frames: { name: "Frames", needs: "stack", show: (place, say) => framesView(place, { say }) },
  evidence: { name: "Evidence", needs: "stack", show: (place, say) => evidenceView(place, { say }) },
  run: { name: "Run", show: (place, say) => runView(place, { say }) },
  plan: { name: "Plan", show: (place, say) => planView(place, { say }) },
};

let leave = null;
let turn = 0;
let there = [];
let facts = {};

// Each view has a place of its own, and a voice: one that was left before it was ready writes into nothing, unheard.
async function show(key) {
  const mine = ++turn;
  const sayOwn = (sentence) => mine === turn && say(sentence);
  leave?.();
  leave = null;
  for (const link of nav.querySelectorAll("a")) {
    if (link.dataset.view === key) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  say("");
  const place = element("div", { class: "view" });
  main.replaceChildren(place);
  main.dataset.view = key;
  try {
    const left = await VIEWS[key].show(place, sayOwn);
    if (mine === turn) leave = left;
    else left();
  } catch (error) {
    sayOwn(error.message);
  }
}

const chosen = () => (there.includes(location.hash.slice(1)) ? location.hash.slice(1) : there[0]);

// The views that the project has now.
async function listed() {
  facts = await session();
  document.getElementById("project").textContent = facts.name;
  document.title = `${facts.name} · Fourlight`;
  there = Object.keys(VIEWS).filter((key) => !VIEWS[key].needs || facts.sets.includes(VIEWS[key].needs));
  const current = main.dataset.view;
  const focused = nav.contains(document.activeElement) ? document.activeElement.dataset.view : null;
  nav.replaceChildren(
    ...there.map((key) => element("a", { href: `#${key}`, "data-view": key, "aria-current": key === current && "page" }, VIEWS[key].name)),
  );
  [...nav.children].find((link) => link.dataset.view === focused)?.focus();
}

function followed() {
  const named = () => {
    const link = nav.querySelector("a[data-view=run]");
    if (link) link.textContent = jobs.atWork && !jobs.lost ? "Run: at work" : "Run";
  };
  jobs.addEventListener("changed", named);
  jobs.addEventListener("ended", async ({ detail: job }) => {
    await listed();
    if (main.dataset.view === "start" && job.state === "done" && there.includes("picture")) {
      location.hash = "picture"; // the demo that was asked for here
      return;
    }
    const how = { done: "done", stopped: "stopped; what is done is kept", failed: `failed: ${job.why}` };
    if (!["run", "picture", "start", "plan"].includes(main.dataset.view)) say(`${job.title}: ${how[job.state]}`);
  });
  jobs.addEventListener("reach", () => {
    say(jobs.lost);
    named();
  });
  jobs.follow();
}

try {
  await listed();
  addEventListener("hashchange", () => show(chosen()));
  await show(chosen());
  followed();
} catch (error) {
  say(error.message);
}
