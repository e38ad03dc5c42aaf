// Planes side by side, under one place, one scale and one stretch.

import { element, slider } from "./elements.js";
import { Pair } from "./pair.js";
import { Panel } from "./panel.js";
import { regionBox } from "./region.js";
import { renewed } from "./renewed.js";
import { Seeing } from "./seeing.js";
import { lightOf, ownSteps, packed, tableOf } from "./stretching.js";
import { Tiles } from "./tiles.js";

const NAMES = { R: "red", G: "green", B: "blue", G1: "green 1", G2: "green 2", HALPHA: "Hα", OIII: "[O III]", HBETA: "Hβ", SII: "[S II]", CONT: "continuum" };
const UNITS = { electron: "electrons", adu: "ADU", rayleigh: "rayleighs" };
// What is shown in red, green and blue where all of them are there, the first that fits.
const MIXED = [["R", "G", "B"], ["HALPHA", "OIII", "OIII"]];
const mixedWords = ([red, green]) => `${NAMES[red]} red, ${NAMES[green]} green and blue`;
const START = { black: -1.5, white: 300, bend: 3 };

export const planesView = (place, { say, name }) => renewed(`/shown/${name}`, say, (facts) => planesNow(place, facts, name, say));

function planesNow(place, facts, name, say) {
  const tiles = new Tiles(name, facts);
  const seeing = new Seeing(facts.nx, facts.ny);
  const light = new Map(facts.planes.map((plane) => [plane, lightOf(facts.codes[plane])]));
  const stretch = { ...START };
  const off = new Set();
  let coloured = new Map();
  let grey = new Map();
  const panels = [];

  const red = () => document.documentElement.dataset.theme === "night";

  function stretched() {
    const tables = new Map(facts.planes.map((plane) => [plane, tableOf(light.get(plane), facts.own[plane] ?? ownSteps(facts.codes[plane]), stretch)]));
    grey = new Map(facts.planes.map((plane) => [plane, packed(tables.get(plane), red())]));
    coloured = facts.white ? new Map(Object.entries(facts.white).map(([plane, steps]) => [plane, tableOf(light.get(plane), steps, stretch)])) : tables;
    panels.forEach((panel) => panel.restretch());
  }

  const none = new Uint8ClampedArray(65536);
  const inColour = (plane) => (off.has(plane) ? none : coloured.get(plane));
  stretched();
  const grid = element("div", { class: "panels" });
  const choices = new Map();
  const add = (label, planes, tables) => {
    const canvas = element("canvas", { tabindex: 0, role: "img", "aria-label": `${label}; arrow keys move, plus and minus zoom, 0 shows all, 1 single pixels` });
    canvas.addEventListener("failed", (event) => say(event.detail));
    grid.append(element("figure", {}, canvas, element("figcaption", {}, label)));
    panels.push(new Panel(canvas, tiles, seeing, planes, tables, red));
    choices.set(label, { planes, tables });
  };
  const colour = MIXED.find((planes) => planes.every((plane) => facts.planes.includes(plane)));
  if (colour) add(colour === MIXED[0] ? "in colour" : `in colour: ${mixedWords(colour)}`, colour, inColour);
  for (const plane of facts.planes.slice(0, 3)) add(NAMES[plane] ?? plane, [plane], (of) => grey.get(of));

  const values = element("output", { class: "values", "aria-label": "Light under the pointer" });
  pointed(seeing, facts, tiles, light, values);
  const decimal = (value) => value.toFixed(1);
  const controls = element(
    "div", { class: "controls" },
    slider("black", { low: -10, high: 20, step: 0.1, value: START.black, shown: (v) => `${decimal(v)} σ`, change: (v) => { stretch.black = v; stretched(); } }).row,
    slider("white", { low: 1, high: 5, step: 0.01, value: Math.log10(START.white), shown: (v) => `${(10 ** v).toPrecision(3)} σ`, change: (v) => { stretch.white = 10 ** v; stretched(); } }).row,
    slider("bend", { low: -1, high: 3, step: 0.01, value: Math.log10(START.bend), shown: (v) => `${(10 ** v).toPrecision(2)} σ`, change: (v) => { stretch.bend = 10 ** v; stretched(); } }).row,
    ...(colour ? [element("span", { class: "together" }, ...[...new Set(colour)].map((plane) => switched(NAMES[plane], (on) => { on ? off.delete(plane) : off.add(plane); stretched(); })))] : []),
    element(
      "span", { class: "together" },
      element("button", { type: "button", onclick: () => seeing.whole() }, "whole field"),
      element("button", { type: "button", onclick: () => seeing.single() }, "single pixels"),
    ),
  );
  const layout = choices.size > 1 ? arranged(choices, grid, panels[0]) : null;
  const region = name === "stack" ? regionBox(seeing, say) : null;
  place.replaceChildren(controls, ...(layout?.controls ?? []), grid, values, ...(region ? [region.box] : []));
  document.addEventListener("themed", stretched);
  panels.forEach((panel) => panel.later());
  return () => {
    document.removeEventListener("themed", stretched);
    layout?.leave();
    region?.leave();
  };
}

// All panels side by side, or two planes in the first of them.
function arranged(choices, grid, panel) {
  const [caption, own] = [grid.querySelector("figcaption"), panel.layers];
  const pair = new Pair(choices, panel, (words) => (caption.textContent = words));
  const select = element("select", {}, ...["side by side", "wipe", "blink"].map((way) => element("option", {}, way)));
  const change = () => {
    const beside = select.value === "side by side";
    grid.classList.toggle("paired", !beside);
    pair.controls.hidden = beside;
    if (!beside) return pair.begin(select.value);
    pair.end();
    caption.textContent = choices.keys().next().value;
    return panel.show(own);
  };
  select.addEventListener("change", change);
  pair.controls.hidden = true;
  return { controls: [element("div", { class: "controls" }, element("label", {}, "Planes ", select), pair.controls)], leave: () => pair.end() };
}

function switched(name, change) {
  const box = element("input", { type: "checkbox", checked: true });
  box.addEventListener("change", () => change(box.checked));
  return element("label", { class: "switch" }, box, `${name} in the colours`);
}

// Numbers of planes in words, each unit after the last of those in a row that have it.
function toldLight(found, units) {
  const words = found.map(([plane, { light }]) => `${plane} ${Number.isNaN(light) ? "no value" : light.toPrecision(5)}`);
  const unit = found.map(([plane]) => UNITS[units[plane]] ?? units[plane]);
  return words.map((each, k) => (unit[k] && unit[k] !== unit[k + 1] ? `${each} ${unit[k]}` : each)).join(", ");
}

// Numbers of the pixel under the pointer, as far as tiles at full size, or coarser ones, are here.
function pointed(seeing, facts, tiles, light, values) {
  const read = (plane, x, y) => {
    for (let level = 0; level < facts.levels; level++) {
      const side = facts.tile_px << level;
      const [row, column] = [Math.floor(y / side), Math.floor(x / side)];
      const tile = tiles.have(plane, level, row, column);
      if (!tile) continue;
      const at = ((y - row * side) >> level) * tile.width + ((x - column * side) >> level);
      return { light: light.get(plane)[tile.codes[at]], over: 1 << level };
    }
    return null;
  };
  seeing.addEventListener("pointed", () => {
    const spot = seeing.spot;
    if (!spot || spot.x < 0 || spot.y < 0 || spot.x >= facts.nx || spot.y >= facts.ny) {
      values.textContent = "";
      return;
    }
    const found = facts.planes.map((plane) => [plane, read(plane, spot.x, spot.y)]).filter(([, value]) => value);
    const over = Math.max(1, ...found.map(([, value]) => value.over));
    values.textContent = `x ${spot.x}, y ${spot.y}: ${toldLight(found, facts.units)}${over > 1 ? ` (mean of ${over} x ${over} pixels)` : ""}`;
  });
}
