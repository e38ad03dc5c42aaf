// What the lights say of channels and of claims: shares, widths, findings, and the figures of all that.

import { element } from "./elements.js";
import { renewed } from "./renewed.js";

const NOTHING = "Nothing was measured of the channels in this run: fourlight channels and fourlight claims do it now.";
const KINDS = { png: "PNG", svg: "SVG", webp: "WebP", json: "JSON", csv: "CSV" };

export const evidenceView = (place, { say }) => renewed("/evidence", say, (facts) => evidenceNow(place, facts), JSON.stringify);

function evidenceNow(place, facts) {
  const told = [...shares(facts), ...sharpness(facts), ...common(facts), ...claims(facts)];
  if (!told.length) told.push(element("p", {}, NOTHING));
  place.replaceChildren(element("div", { class: "evidence" }, ...told, ...figures(facts), ...numbers(facts)));
  return () => {};
}

const note = (...words) => element("p", { class: "note" }, words.filter(Boolean).join(" "));

function part(title, ...inside) {
  const id = `part-${title.toLowerCase().replaceAll(/\W+/g, "-")}`;
  return element("section", { "aria-labelledby": id }, element("h2", { id }, title), ...inside);
}

function shares(facts) {
  if (!facts.regions.length) return [];
  const most = Math.max(...facts.regions.flatMap((region) => region.kinds).flatMap((kind) => kind.channels).map((one) => one.high ?? one.value ?? 0));
  const regions = facts.regions.map((region) =>
    element("div", {}, element("h3", {}, `Of ${region.name}`),
      element("div", { class: "kinds" }, ...region.kinds.map((kind) => shareTable(kind, region.name, most)))));
  return [part("What every channel contributed", element("p", {}, facts.meaning), ...regions, note(...facts.notes))];
}

// A bar with its interval, and both in words, for every channel.
function shareTable(kind, region, most) {
  const rows = kind.channels.map((one) =>
    element("tr", {}, element("th", { scope: "row" }, one.name), element("td", { class: "bar" }, bar(one, most)), element("td", { class: "number" }, one.said)));
  return element("table", { "aria-label": `${kind.label}, ${region}` },
    element("caption", {}, element("strong", {}, kind.label), " ", kind.meaning), element("tbody", {}, ...rows));
}

function bar({ name, value, low, high }, most) {
  const at = (share) => Math.min(100, Math.max(0, (100 * share) / most));
  const drawn = (kind, given) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", kind);
    for (const [key, said] of Object.entries(given)) made.setAttribute(key, said);
    return made;
  };
  const svg = drawn("svg", { viewBox: "0 0 100 14", preserveAspectRatio: "none", "aria-hidden": "true", class: name.toLowerCase().split(" ")[0] });
  if (value != null) svg.append(drawn("rect", { x: 0, y: 2, width: at(value), height: 10 }));
  if (value != null && low != null && high != null) {
    const line = `M${at(low)} 7H${at(high)}M${at(low)} 3V11M${at(high)} 3V11`;
    for (const name of ["rim", "interval"]) svg.append(drawn("path", { class: name, d: line }));
  }
  return svg;
}

function sharpness(facts) {
  const { heads, rows, meaning } = facts.sharp;
  if (!rows.length) return [];
  return [part("How sharp each channel is",
    table("How sharp each channel is", ["Channel", ...heads], rows.map((row) => [row.channel, row.width, row.detail])),
    note(meaning), element("p", {}, facts.cause))];
}

// Rows of words under headings, each of which may have a meaning; the first cell names the row.
function table(name, heads, rows) {
  const head = (words) => (Array.isArray(words) ? element("th", { scope: "col" }, words[0], " ", element("small", {}, words[1])) : element("th", { scope: "col" }, words));
  return element("div", { class: "wide", tabindex: 0, role: "region", "aria-label": name }, element("table", { class: "words" },
    element("thead", {}, element("tr", {}, ...heads.map(head))),
    element("tbody", {}, ...rows.map(([first, ...cells]) =>
      element("tr", {}, element("th", { scope: "row" }, first), ...cells.map((cell) => element("td", {}, cell)))))));
}

function common(facts) {
  if (!facts.in_common.length) return [];
  return [part("What channels have in common", element("ul", {}, ...facts.in_common.map((said) => element("li", {}, said))))];
}

function claims(facts) {
  if (!facts.claims.length) return [];
  const rows = facts.claims.map((row) => [
    element("span", {}, row.claim, element("small", {}, row.question)), element("strong", { class: `verdict ${row.sign}` }, row.verdict), row.sentence,
  ]);
  return [part("What the lights say to claims", table("Claims", ["Claim", "Verdict", "Why"], rows), note(facts.claims_judged))];
}

function figures(facts) {
  if (!facts.figures.length) return [];
  return [part("Figures", element("div", { class: "figures" }, ...facts.figures.map(figure)))];
}

function figure({ title, meaning, drawn, files, moving }) {
  const address = `/evidence/files/${files[0]}`;
  const image = element("img", { src: address, alt: title, loading: "lazy" });
  const shown = element("a", { href: address, download: files[0], class: `reddened${drawn ? " drawn" : ""}`, "aria-label": `Keep ${files[0]}` }, image);
  const links = [...files, ...(moving ? [moving] : [])].map(link);
  return element("figure", {}, shown, element("figcaption", {}, element("strong", {}, title), element("span", {}, meaning),
    element("span", { class: "links" }, ...links), ...(moving ? [film(title, moving)] : [])));
}

function link(file) {
  const words = `${KINDS[file.split(".").at(-1)]}${file.includes("-narrow.") ? ", narrow" : ""}${file.endsWith("webp") ? ", moving" : ""}`;
  return element("a", { href: `/evidence/files/${file}`, download: file, "aria-label": `Keep ${file}` }, words);
}

// What moves does so only where it is asked for.
function film(title, file) {
  const box = element("details", {}, element("summary", {}, "Show it moving"));
  box.addEventListener("toggle", () => {
    box.querySelector("span")?.remove();
    if (box.open) box.append(element("span", { class: "reddened" }, element("img", { src: `/evidence/files/${file}`, alt: `${title}, before and after in turn` })));
  });
  return box;
}

function numbers(facts) {
  if (!facts.numbers.length) return [];
  return [part("Numbers", element("ul", {}, ...facts.numbers.map(({ file, meaning }) =>
    element("li", {}, element("a", { href: `/evidence/files/${file}`, download: file }, file), ` ${meaning}`))))];
}
