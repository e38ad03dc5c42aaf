// Settings of the picture: a form, what was chosen in this session, and the job that makes the picture anew.

import { element } from "./elements.js";
import { SettingsForm } from "./form.js";
import { hasEnded, jobs } from "./jobs.js";
import { Past } from "./past.js";

const TITLE = "Make the picture anew";

export function settingsOf(facts, say) {
  const past = new Past(facts.project, facts.settings);
  const form = new SettingsForm(facts.schema, {
    changed: (path) => past.changed(form.values, said(path, form.values)),
    standing: (path, values) => path.startsWith("stretch.") ? facts.looks[values.look]?.[path.split(".")[1]] : undefined,
  });
  const undo = button("undo", () => past.to(past.at - 1));
  const redo = button("redo", () => past.to(past.at + 1));
  const state = element("p", { role: "status", class: "state", tabindex: -1 });
  const make = button(TITLE, () => jobs.start("picture", form.values).then(() => { say(""); state.focus(); }, (error) => say(error.message)));
  const list = element("ol", { class: "past" });

  const moved = () => {
    form.values = past.now;
    undo.disabled = !past.canUndo;
    redo.disabled = !past.canRedo;
    const inList = list.contains(document.activeElement);
    list.replaceChildren(...past.entries.map((entry, at) => entryOf(entry, at, past)));
    if (inList) list.children[past.at].firstElementChild.focus();
  };
  const changed = () => {
    make.disabled = Boolean(jobs.atWork);
    const text = jobs.all.length ? stateOf(jobs.all[0]) : "";
    if (state.textContent !== text) state.textContent = text;
  };
  past.addEventListener("moved", moved);
  jobs.addEventListener("changed", changed);
  moved();
  changed();
  openChanged(form, facts);
  const box = element(
    "section", { class: "choose", "aria-labelledby": "settings-title" }, element("h2", { id: "settings-title" }, "Settings"),
    element("div", { class: "controls" }, make, undo, redo), state, form.element,
    element("details", {}, element("summary", {}, "Settings of this session"), list),
  );
  return { element: box, update: (news) => past.made(news.settings), leave: () => jobs.removeEventListener("changed", changed) };
}

const button = (name, press) => element("button", { type: "button", onclick: press }, name);

function said(path, values) {
  const value = path.split(".").reduce((part, key) => part?.[key], values);
  const shown = value === null ? "unset" : value === true ? "yes" : value === false ? "no" : String(value);
  return `${path.replaceAll(".", " ").replaceAll("_", " ")}: ${shown}`;
}

function entryOf(entry, at, past) {
  const press = () => past.to(at);
  const name = element("button", { type: "button", "aria-current": at === past.at && "true", onclick: press }, entry.what);
  return element("li", {}, name, entry.made ? " made" : "");
}

// What the last job is at, or came to.
function stateOf(job) {
  const states = { working: "at work", stopping: "stopping", done: "done", stopped: "stopped; what is done is kept", failed: "failed" };
  const how = [states[job.state], hasEnded(job) ? job.why : job.stage].filter(Boolean).join(": ");
  return `${job.title}: ${how}${hasEnded(job) ? ` (${job.took})` : ""}`;
}

// Sections in which something is chosen are open, and the one that is chosen most.
function openChanged(form, facts) {
  for (const details of form.element.querySelectorAll("details")) {
    const paths = [...details.querySelectorAll("[data-path]")].map((input) => input.dataset.path);
    details.open = paths.some((path) => {
      const [section, key] = path.split(".");
      const def = facts.schema.$defs[facts.schema.properties[section].$ref?.split("/").pop()]?.properties[key];
      return def && JSON.stringify(facts.settings[section][key]) !== JSON.stringify(def.default);
    });
  }
}
