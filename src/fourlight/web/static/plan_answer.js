// What came of a plan: headings, facts, charts in the colours of the page, tables, what was assumed and what to mind.

import { element } from "./elements.js";

// Puts an answer into a place; what it gives paints the charts anew in other colours of the page.
// choose: called with what stands first in a row of a table of objects.
export function answered(place, answer, choose) {
  const painters = answer.charts.map(chartOf);
  place.replaceChildren(
    element("h2", {}, answer.title),
    ...[answer.about, answer.lead].filter(Boolean).map((words) => element("p", {}, words)),
    ...answer.parts.filter((part) => !part.title).map(lines),
    ...painters.map((one) => one.box),
    ...facts(answer.facts),
    ...answer.tables.map((one) => table(one, choose)),
    ...answer.parts.filter((part) => part.title).map(lines),
    ...list("What was assumed", answer.assumed),
    ...list("Take care", answer.care),
  );
  const paint = () => painters.forEach((one) => one.paint());
  paint.leave = () => painters.forEach((one) => one.leave());
  paint();
  return paint;
}

// Letters in a cell from which on it holds a sentence, even if that begins with a number.
const LONG = 40;
const bytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));

function chartOf(chart) {
  const image = element("img", { alt: chart.words });
  const box = element("figure", {}, element("span", { class: chart.address ? "reddened paper" : "reddened" }, image));
  let address = "";
  const leave = () => URL.revokeObjectURL(address);
  const paint = () => {
    if (chart.address) {
      image.src = chart.address;
      return;
    }
    const look = document.documentElement.dataset.theme === "light" ? "light" : "dark";
    const content = chart.kind === "image/png" ? bytes(chart[look]) : chart[look];
    leave();
    address = URL.createObjectURL(new Blob([content], { type: chart.kind }));
    image.src = address;
  };
  return { box, paint, leave };
}

function facts(pairs) {
  if (!pairs.length) return [];
  return [element("dl", {}, ...pairs.map(([name, value]) => element("div", {}, element("dt", {}, name), element("dd", {}, value))))];
}

function lines({ title, lines: said }) {
  return element("div", {}, ...(title ? [element("h3", {}, title)] : []), ...said.map((line) => element("p", {}, line)));
}

function table({ title, rows: [head, ...rows], note, objects }, choose) {
  const words = head.map((_, k) => rows.every((row) => !/^[-–]?\d/.test(row[k])) || rows.some((row) => row[k].length > LONG));
  const first = (name) => (objects && choose ? element("button", { type: "button", onclick: () => choose(name), "aria-label": `plan ${name}` }, name) : name);
  const cells = (row) => row.map((cell, k) => (k ? element("td", { class: words[k] && "said" }, cell) : element("th", { scope: "row" }, first(cell))));
  return element("div", {}, element("h3", {}, title),
    element("div", { class: "wide", tabindex: 0, role: "region", "aria-label": title },
      element("table", {}, element("thead", {}, element("tr", {}, ...head.map((cell, k) => element("th", { scope: "col", class: words[k] && "said" }, cell)))),
        element("tbody", {}, ...rows.map((row) => element("tr", {}, ...cells(row)))))),
    ...(note ? [element("p", { class: "help" }, note)] : []));
}

function list(title, items) {
  if (!items.length) return [];
  return [element("div", {}, element("h3", {}, title), element("ul", {}, ...items.map((item) => element("li", {}, item))))];
}
