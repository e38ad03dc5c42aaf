// What can be planned: a night, subs, two setups, and these lights under another sky; each a form, and what comes of it.

import { getJson, send } from "./asking.js";
import { element } from "./elements.js";
import { SettingsForm } from "./form.js";
import { jobs } from "./jobs.js";
import { answered } from "./plan_answer.js";

const KINDS = {
  night: { name: "a night", title: "A night", press: "plan it", address: "/plans/night", about: "When it is dark, where target and Moon stand, how bright the sky is, how long subs should be; without a target, what suits the field." },
  subs: { name: "subs", title: "Length of subs", press: "tell lengths", address: "/plans/subs", about: "How long subs must be for read noise not to matter, which stars are full then, how long a goal takes." },
  compare: { name: "two setups", title: "Two setups by the clock", press: "compare them", job: "compare", shown: "/plans/compared", about: "What each of two setups reaches in the same hours, and what is there when cloud ends the night early. This takes half a minute or more, as a job." },
  whatif: { name: "what if", title: "These lights under another sky", press: "make it", job: "whatif", about: "What the lights of these results would have given under a brighter sky or a Moon, with fewer of them, or without a channel. A new stack is made, as a job." },
};
const kept = (name) => `fourlight-plan-${name}`;

export async function planView(place, { say }) {
  const facts = await getJson("/plans");
  const there = Object.keys(KINDS).filter((name) => facts.forms[name]);
  const body = element("div", { class: "planned" });
  const buttons = there.map((name) => element("button", { type: "button", onclick: () => show(name) }, KINDS[name].name));
  let left = () => {};

  function show(name) {
    left();
    buttons.forEach((button, k) => button.setAttribute("aria-pressed", there[k] === name));
    sessionStorage.setItem("fourlight-plan", name);
    say("");
    left = shown(name, body, facts, say);
  }

  place.replaceChildren(element("div", { class: "controls", role: "group", "aria-label": "What to plan" }, "Plan", ...buttons), body);
  const last = sessionStorage.getItem("fourlight-plan");
  show(there.includes(last) ? last : "night");
  return () => left();
}

function shown(name, body, facts, say) {
  const kind = KINDS[name];
  const result = element("section", { class: "answer", "aria-label": "What came of it", tabindex: -1 });
  const state = element("p", { role: "status", class: "state" });
  const form = new SettingsForm(facts.forms[name], { changed: () => sessionStorage.setItem(kept(name), JSON.stringify(form.values)), standing: () => undefined });
  form.values = filled(name, facts);
  const press = element("button", { type: "submit" }, kind.press);
  form.element.append(element("div", { class: "controls" }, press, state));
  let paint = () => {};
  const put = (answer) => {
    paint.leave?.();
    paint = answered(result, answer, (target) => {
      form.values = { ...form.values, target };
      ask();
    });
  };

  async function ask() {
    say("");
    state.textContent = "at work";
    press.disabled = true;
    try {
      put(await send(kind.address, form.values));
      state.textContent = "";
      result.scrollIntoView({ block: "nearest" });
    } catch (error) {
      state.textContent = "";
      say(error.message);
    }
    press.disabled = false;
  }

  async function start() {
    say("");
    try {
      mine = (await jobs.start(kind.job, form.values)).number;
    } catch (error) {
      say(error.message);
    }
  }

  let mine = null;
  const working = () => {
    if (!kind.job) return;
    press.disabled = Boolean(jobs.atWork);
    const job = jobs.all.find((one) => one.number === mine) ?? jobs.atWork;
    state.textContent = job && job === jobs.atWork ? `${job.title}: ${[job.state === "stopping" ? "stopping" : "at work", job.stage, job.left].filter(Boolean).join(", ")}` : "";
  };
  const ended = async ({ detail: job }) => {
    if (job.number !== mine) return;
    if (job.state !== "done") say(`${job.title}: ${job.why || "stopped"}`);
    else await last().catch((error) => say(error.message));
  };
  // What there is already: the last comparison, or the what-ifs that were made.
  const last = async () => {
    const now = await getJson("/plans");
    if (name === "compare" && now.compared) put(await getJson(kind.shown));
    if (name !== "whatif") return;
    const made = now.whatifs.map((one) => element("li", {}, element("button", { type: "button", onclick: () => getJson(`/plans/whatifs/${one.name}`).then(put, (error) => say(error.message)) }, one.title)));
    list.replaceChildren(...(made.length ? [element("h3", {}, "Made already"), element("ul", {}, ...made), element("p", { class: "help" }, `With all files in ${now.place}.`)] : []));
    if (mine && now.whatifs.length) put(await getJson(`/plans/whatifs/${now.whatifs[0].name}`));
  };

  const list = element("div", { class: "made" });
  form.element.addEventListener("submit", kind.job ? start : ask);
  body.replaceChildren(
    element("section", { class: "choose", "aria-labelledby": "plan-title" }, element("h2", { id: "plan-title" }, kind.title), element("p", { class: "help" }, kind.about),
      form.element, list, ...origin(name, facts)),
    result,
  );
  const themed = () => paint();
  document.addEventListener("themed", themed);
  jobs.addEventListener("changed", working);
  jobs.addEventListener("ended", ended);
  working();
  last().catch((error) => say(error.message));
  if (name === "night" && form.values.site) ask();
  return () => {
    document.removeEventListener("themed", themed);
    jobs.removeEventListener("changed", working);
    jobs.removeEventListener("ended", ended);
    paint.leave?.();
  };
}

// What was put in last in this tab; a site of the user's own file, where there is none yet.
function filled(name, facts) {
  const own = JSON.parse(sessionStorage.getItem(kept(name)) ?? "null");
  const values = own ?? defaults(facts.forms[name], facts.forms[name].$defs ?? {});
  if ("site" in values) values.site ||= JSON.parse(sessionStorage.getItem(kept("night")) ?? "{}").site || facts.sites[0] || null;
  if (name === "compare" && !own) Object.assign(values, { setup_a: "colour-dual", setup_b: "mono-two-lines" });
  return values;
}

function defaults(schema, defs) {
  const whole = schema.$ref ? { ...defs[schema.$ref.split("/").pop()] } : schema;
  return Object.fromEntries(Object.entries(whole.properties).map(([key, part]) => [key, part.$ref ? defaults(part, defs) : (part.default ?? null)]));
}

function origin(name, { sites, file }) {
  if (!["night", "compare"].includes(name)) return [];
  const words = sites.length ? `Sites of ${file}: ${sites.join(", ")}.` : `The program knows no place: write yours, or name it in ${file}.`;
  return [element("p", { class: "help" }, words)];
}
