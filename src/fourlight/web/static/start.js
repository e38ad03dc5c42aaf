// How to begin: the commands for frames of one's own, and the demo.

import { element } from "./elements.js";
import { hasEnded, jobs } from "./jobs.js";

const OWN = [
  ["fourlight inspect NIGHTS", "lists what is in your folders, and says beforehand what a run would set aside, and why"],
  ["fourlight run NIGHTS --out OUT", "calibrates, registers and integrates them, and makes the picture and the report"],
  ["fourlight open OUT", "opens the results on this page"],
  ["fourlight open NIGHTS", "opens this page on frames that were not run yet, to run them from here"],
];
const TITLE = "Make the demo";

export async function startView(place, { say, facts }) {
  const state = element("p", { role: "status", class: "state" });
  const bar = element("progress", { "aria-label": "Part of this stage that is done", hidden: true });
  const begin = async () => {
    say("");
    try {
      await jobs.start("demo");
    } catch (error) {
      say(error.message);
    }
  };
  const made = facts.sets.includes("stack");
  const press = element("button", { type: "button", onclick: begin }, made ? "make the demo again" : "make the demo");
  const changed = () => {
    const job = jobs.all.find((one) => one.title === TITLE);
    press.disabled = Boolean(jobs.atWork);
    bar.hidden = !job || hasEnded(job);
    if (!job) return;
    if (job.total > 1) Object.assign(bar, { max: job.total, value: job.done });
    else bar.removeAttribute("value");
    const words = hasEnded(job) ? [`${TITLE}: ${job.state}`, job.why] : [job.state === "stopping" ? "stopping" : "at work", job.stage, job.left];
    const text = words.filter(Boolean).join(": ");
    if (state.textContent !== text) state.textContent = text;
  };
  const commands = OWN.map(([command, does]) => element("div", {}, element("dt", {}, element("code", {}, command)), element("dd", {}, does)));
  place.replaceChildren(element("div", { class: "start" },
    element("section", { "aria-labelledby": "own-title" }, element("h2", { id: "own-title" }, "Frames of your own"),
      element("p", {}, "Raw frames of a one-shot-colour camera, with darks, flats and bias where you have them; they are only ever read. Stop the page with Ctrl-C in the terminal, and write there, with your own folders for NIGHTS and OUT:"),
      element("dl", {}, ...commands)),
    element("section", { "aria-labelledby": "demo-title" }, element("h2", { id: "demo-title" }, "No frames at hand"),
      element("p", {}, "The demo simulates two nights on an invented nebula and runs them, in about a minute, the first time on a computer about three. Frames and results, some 0.5 GB, go to ", element("code", {}, facts.demo), "; then they open here."),
      element("div", { class: "controls" }, press, ...(made ? [element("a", { href: "#picture" }, "open its results")] : [])),
      bar, state,
      element("p", { class: "help" }, "How it goes on, line by line, and a way to stop it: ", element("a", { href: "#run" }, "Run"), ".")),
    element("section", { "aria-labelledby": "night-title" }, element("h2", { id: "night-title" }, "Before a night"),
      element("p", {}, element("a", { href: "#plan" }, "Plan"), " tells when it is dark at your site, what suits the night, and how long subs should be."))));
  changed();
  jobs.addEventListener("changed", changed);
  return () => jobs.removeEventListener("changed", changed);
}
