// Jobs: which can be started, how the one at work goes on, and what those before it said.

import { element } from "./elements.js";
import { hasEnded, jobs } from "./jobs.js";

const STATES = { working: "at work", stopping: "stopping", done: "done", stopped: "stopped", failed: "failed" };

export async function runView(place, { say }) {
  const offered = element("ul", { class: "offers" });
  const now = element("section", { class: "now", "aria-labelledby": "now-title", tabindex: -1 });
  const before = element("div", { class: "before" });
  const shown = { number: null, lines: 0, entries: new Map() };

  const offers = async () => {
    const found = await jobs.offers();
    const none = found.none ? [element("li", {}, element("p", {}, found.none))] : [];
    if (shown.offers !== JSON.stringify(found)) offered.replaceChildren(...none, ...found.offers.map((offer) => offerOf(offer, now, say)));
    shown.offers = JSON.stringify(found);
    free();
  };
  const free = () => {
    for (const button of offered.querySelectorAll("button")) button.disabled = Boolean(jobs.atWork || jobs.lost);
  };
  const changed = () => {
    free();
    showNow(now, jobs.atWork ?? jobs.all[0] ?? null, shown, say);
    showBefore(before, jobs.all.filter((job) => hasEnded(job) && job.number !== shown.number), shown.entries);
  };
  const ended = () => offers().catch((error) => say(error.message));
  await offers();
  place.replaceChildren(
    now,
    element("section", { "aria-labelledby": "offers-title" }, element("h2", { id: "offers-title" }, "What can be done"), offered),
    before,
  );
  changed();
  for (const news of ["changed", "reach"]) jobs.addEventListener(news, changed);
  jobs.addEventListener("ended", ended);
  return () => {
    for (const news of ["changed", "reach"]) jobs.removeEventListener(news, changed);
    jobs.removeEventListener("ended", ended);
  };
}

// The button cannot be used while the job is at work: whoever pressed it goes to what is told of the job.
function offerOf(offer, now, say) {
  const start = async () => {
    say("");
    try {
      await jobs.start(offer.kind);
      now.focus();
    } catch (error) {
      say(error.message);
    }
  };
  const about = `about-${offer.kind}`;
  return element(
    "li", {},
    element("button", { type: "button", "aria-describedby": about, onclick: start }, offer.title),
    element("p", { id: about }, offer.about),
  );
}

// The job at work, or the last one: built once, then kept up to date.
function showNow(place, job, shown, say) {
  if (!job) {
    place.replaceChildren(element("h2", { id: "now-title" }, "No job yet"), element("p", {}, "A job goes on when this tab is closed. Ctrl-C in the terminal ends the page, and stops the job at work."));
    return;
  }
  if (shown.number !== job.number) {
    Object.assign(shown, { number: job.number, lines: 0 });
    shown.parts = nowParts(job, say);
    place.replaceChildren(...shown.parts.all);
  }
  const { state, bar, rate, stop, log, why } = shown.parts;
  const followed = !hasEnded(job) && !jobs.lost;
  put(state, stateOf(job));
  if (!followed && document.activeElement === stop) place.focus(); // a button that goes takes the focus with it
  bar.hidden = rate.hidden = stop.hidden = !followed;
  if (job.total > 1) Object.assign(bar, { max: job.total, value: job.done });
  else bar.removeAttribute("value");
  put(rate, job.total > 1 ? [`${job.done} of ${job.total}`, job.left].filter(Boolean).join(", ") : "");
  put(stop, job.state === "stopping" ? "end it at once" : "stop");
  put(why, job.why);
  addLines(log, job, shown);
}

function stateOf(job) {
  if (hasEnded(job)) return `${STATES[job.state]} after ${job.took}`;
  if (jobs.lost) return "no longer known: the end of the page stops the job at work; what is done is kept";
  return [STATES[job.state], job.stage].filter(Boolean).join(": ");
}

function nowParts(job, say) {
  const state = element("p", { role: "status", class: "state" });
  const bar = element("progress", { "aria-label": "Part of this stage that is done" });
  const rate = element("span", { class: "rate" });
  const stopIt = () => jobs.stop(job.number).catch((error) => say(error.message));
  const stop = element("button", { type: "button", onclick: stopIt }, "stop");
  const why = element("p", { role: "alert", class: "why" });
  const log = element("div", { role: "log", class: "log", "aria-label": `What it said: ${job.title}`, tabindex: 0 }, element("ol"));
  const title = element("h2", { id: "now-title" }, job.title);
  const row = element("div", { class: "controls" }, bar, rate, stop);
  return { state, bar, rate, stop, why, log, all: [title, state, row, why, log] };
}

// A screen reader says what changes, so that only what has changed is written.
function put(part, text) {
  if (part.textContent !== text) part.textContent = text;
}

function lineOf([what, text]) {
  return element("li", {}, element("b", {}, what), " ", element("span", {}, text));
}

function addLines(log, job, shown) {
  const fresh = Math.min(job.said - shown.lines, job.lines.length);
  if (fresh <= 0) return;
  const low = log.scrollHeight - log.scrollTop - log.clientHeight < 4;
  log.firstChild.append(...job.lines.slice(-fresh).map(lineOf));
  shown.lines = job.said;
  if (low) log.scrollTop = log.scrollHeight;
}

function showBefore(place, ended, entries) {
  for (const job of ended)
    if (!entries.has(job.number)) {
      const said = job.why ? [["why", job.why]] : [];
      const title = `${job.title}: ${STATES[job.state]} after ${job.took}`;
      const lines = element("ol", {}, ...[...said, ...job.lines].map(lineOf));
      const log = element("div", { class: "log", role: "group", "aria-label": `What it said: ${job.title}`, tabindex: 0 }, lines);
      entries.set(job.number, element("details", {}, element("summary", {}, title), log));
    }
  const wanted = ended.map((job) => entries.get(job.number));
  const heading = element("h2", {}, "Before");
  if (wanted.length !== place.children.length - 1 || wanted.some((entry, k) => entry !== place.children[k + 1]))
    place.replaceChildren(...(wanted.length ? [heading, ...wanted] : []));
}
