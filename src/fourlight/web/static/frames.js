// Lights of the run: a table, charts of what was measured over the nights, and the light that was chosen.

import { element } from "./elements.js";
import { LightPanel } from "./light_panel.js";
import { LightTable } from "./light_table.js";
import { Marking, waiting } from "./marking.js";
import { renewed } from "./renewed.js";
import { TimeChart } from "./time_chart.js";

const decimals = (places) => (value) => value.toLocaleString("en", { minimumFractionDigits: places, maximumFractionDigits: places });
const whole = decimals(0);

// What is told of a light: key, name, unit, how a number is written (texts have no such), and what it is sorted by.
function quantities(unit, lights) {
  const years = new Set(lights.map((light) => (light.time ?? light.night)?.slice(0, 4)).filter(Boolean));
  const from = years.size > 1 ? 0 : 5;
  return [
    { key: "file", name: "Light" },
    { key: "time", name: "Start, UTC", order: "number", text: (light) => light.time?.slice(from, 16).replace("T", " ") ?? light.night },
    { key: "state", name: "State", narrow: 5, text: (light) => [waiting(light), `${waiting(light) ? "now " : ""}${light.reason ? `set aside: ${light.reason}` : "used"}`, ...light.flags].filter(Boolean).join("; ") },
    { key: "filter", name: "Filter" },
    { key: "exposure_s", name: "Exposure", unit: "s", digits: (value) => value.toLocaleString("en") },
    { key: "fwhm_px", name: "Star width", unit: "px", digits: decimals(2), chart: true },
    { key: "sky", name: "Sky", unit, digits: whole, chart: true },
    { key: "stars", name: "Stars", digits: whole, chart: true, zero: true },
    { key: "transparency", name: "Transparency", unit: "%", digits: (value) => decimals(1)(100 * value), factor: 100, chart: true, zero: true },
    { key: "weight", name: "Weight", digits: decimals(2) },
  ];
}

const heading = ({ name, unit }) => (unit ? `${name}, ${unit}` : name);

function told(quantity, light) {
  const value = quantity.text ? quantity.text(light) : light[quantity.key];
  if (value == null || value === "") return "–";
  return quantity.digits ? quantity.digits(value) : String(value);
}

export const framesView = (place, { say }) => renewed("/lights", say, (facts) => framesNow(place, facts, say));

function framesNow(place, facts, say) {
  const all = quantities(facts.unit, facts.lights).map((one) => ({ ...one, heading: heading(one), told: (light) => told(one, light) }));
  const lights = facts.lights.map((light, number) => ({ ...light, number }));
  const worded = (light) => {
    light.state = light.mark?.[2] ? `2 ${light.mark.join()}` : light.reason ? `1 ${light.reason}` : `0 ${light.flags.join()}`;
    light.words = [light.time, ...all.map((one) => one.told(light))].join(" ").toLowerCase();
  };

  const count = element("output", { class: "count", role: "status", "aria-label": "Lights shown" });
  const panel = new LightPanel(facts, all);
  let marking = null;
  const choose = (light) => {
    table.choose(light);
    for (const chart of charts) chart.choose(light);
    panel.show(light);
    shown = light;
    marking.follow();
    say("");
  };
  let shown = null;
  const table = new LightTable(all, lights, choose, () => marking?.follow());
  const chosen = () => (table.ticked.length ? table.ticked : shown ? [shown] : []);
  const changed = (others) => {
    others.forEach(worded);
    table.renew(others);
    if (others.includes(shown)) panel.tell(shown);
  };
  marking = new Marking(facts, lights, { chosen, changed, say });
  lights.forEach(worded);
  const charts = all.filter((one) => one.chart).map((one) => new TimeChart(one, lights, choose));
  const controls = filters(lights, (passes) => {
    const kept = lights.filter(passes);
    table.keep(new Set(kept));
    for (const chart of charts) chart.keep(new Set(kept));
    count.textContent = `${kept.length} of ${lights.length} lights`;
  });
  controls.append(count);
  place.replaceChildren(
    controls,
    marking.box,
    element(
      "div", { class: "frames" },
      element("div", { class: "listed" }, table.box, ...others(facts.others)),
      element("div", { class: "beside" }, panel.box, element("div", { class: "charts" }, ...charts.map((chart) => chart.box)), legend()),
    ),
  );
  return () => {
    panel.leave();
    marking.leave();
    charts.forEach((chart) => chart.leave());
  };
}

// Text, night, filter and state; `changed` is told which lights pass, at once and at every change.
function filters(lights, changed) {
  const text = element("input", { type: "search", size: 14, spellcheck: "false" });
  const one = (key, name) => {
    const found = [...new Set(lights.map((light) => light[key] ?? ""))].sort();
    return choice(name, [["*", "all"], ...found.map((value) => [`=${value}`, value || "not known"])]);
  };
  const night = one("night", "Night");
  const filter = one("filter", "Filter");
  const state = choice("State", [["*", "all"], ["used", "used"], ["aside", "set aside"], ["marked", "marked for the next run"]]);
  const fits = (select, value) => select.value === "*" || select.value === `=${value ?? ""}`;
  const apply = () => {
    const words = text.value.toLowerCase().split(/\s+/).filter(Boolean);
    changed((light) =>
      words.every((word) => light.words.includes(word)) && fits(night.select, light.night) && fits(filter.select, light.filter) &&
      (state.select.value === "*" || (state.select.value === "marked" ? light.mark?.[2] : (state.select.value === "aside") === Boolean(light.reason))));
  };
  text.addEventListener("input", apply);
  for (const { select } of [night, filter, state]) select.addEventListener("change", apply);
  const box = element("div", { class: "controls", role: "search", "aria-label": "Which lights are shown" },
    element("label", {}, "Text ", text), night.label, filter.label, state.label);
  apply();
  return box;
}

function choice(name, options) {
  const select = element("select", {}, ...options.map(([value, words]) => element("option", { value }, words)));
  return { select, label: element("label", {}, `${name} `, select) };
}

// Files set aside that are no lights.
function others(rows) {
  if (!rows.length) return [];
  const items = rows.map((row) => element("li", {}, `${row.file} (${row.kind}): ${row.reason}`));
  return [element("details", {}, element("summary", {}, `${rows.length} other ${rows.length === 1 ? "file" : "files"} set aside`), element("ul", {}, ...items))];
}

function legend() {
  return element("p", { class: "soft" }, "● used   × set aside   ⌃ beyond the axis. Numbers of colours are means of both greens; star width contains the pixel; transparency is that of the reference light for 100 %. In a chart, arrow keys go from light to light and Enter shows one.");
}
