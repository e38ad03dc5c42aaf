// A form from a JSON schema: labels and help are those of its fields, and the server alone judges what is put in.

import { element } from "./elements.js";

const words = (key) => key.replaceAll("_", " ");
const resolved = (schema, defs) => (schema.$ref ? { ...defs[schema.$ref.split("/").pop()], ...schema } : schema);

export class SettingsForm {
  // `standing` gives the value that stands for a setting without one, by its path; undefined where there is none.
  constructor(schema, { changed, standing }) {
    this.standing = standing;
    this.fields = new Map();
    this.element = element("form", { class: "settings" });
    this.element.addEventListener("submit", (event) => event.preventDefault());
    this.element.addEventListener("change", (event) => {
      this.#stand();
      changed(event.target.dataset.path ?? "");
    });
    this.#add(this.element, schema, schema.$defs ?? {}, []);
  }

  get values() {
    const out = {};
    for (const [path, field] of this.fields) {
      const keys = path.split(".");
      const last = keys.pop();
      let into = out;
      for (const key of keys) into = into[key] ??= {};
      into[last] = field.read();
    }
    return out;
  }

  set values(values) {
    for (const [path, field] of this.fields) field.write(path.split(".").reduce((part, key) => part?.[key], values) ?? null);
    this.#stand();
  }

  #stand() {
    const values = this.values;
    for (const [path, field] of this.fields) field.stand?.(this.standing(path, values));
  }

  #add(place, schema, defs, above) {
    for (const [key, given] of Object.entries(schema.properties)) {
      const part = resolved(given, defs);
      const path = [...above, key];
      if (part.properties) {
        const inside = element("details", {}, element("summary", {}, words(key)), element("p", { class: "help" }, part.description ?? ""));
        this.#add(inside, part, defs, path);
        place.append(inside);
      } else {
        const field = fieldOf(path, part);
        this.fields.set(path.join("."), field);
        place.append(field.row);
      }
    }
  }
}

function fieldOf(path, schema) {
  const kinds = schema.anyOf ?? [schema];
  const kind = { ...schema, ...kinds.find((each) => each.type !== "null") };
  if (schema.select) return field(path, kind, element("select", {}, ...schema.enum.map((name) => element("option", { value: name }, name || "–"))), (input) => input.value || null, (input, value) => (input.value = value ?? ""));
  if (kind.enum && path.length === 1) return choices(path, kind);
  if (kind.enum) return field(path, kind, element("select", {}, ...kind.enum.map((name) => element("option", { value: name }, name))), (input) => input.value, (input, value) => (input.value = value));
  if (kind.type === "boolean") return field(path, kind, element("input", { type: "checkbox" }), (input) => input.checked, (input, value) => (input.checked = Boolean(value)));
  if (kind.type === "number" || kind.type === "integer") return number(path, kind);
  if (kind.type === "array" && kind.items?.type === "string") return field(path, kind, element("input", { type: "text" }), (input) => input.value || null, (input, value) => (input.value = [value ?? ""].flat().join(" ")));
  if (kind.type === "array") return field(path, kind, element("input", { type: "text", placeholder: "unset" }), (input) => listed(input.value), (input, value) => (input.value = value ? value.join(", ") : ""));
  return field(path, kind, element("input", { type: "text" }), (input) => input.value, (input, value) => (input.value = value ?? ""));
}

function field(path, kind, input, read, write) {
  const name = path.join(".");
  const id = `setting-${name}`;
  Object.assign(input, { id });
  input.dataset.path = name;
  input.setAttribute("aria-describedby", `${id}-help`);
  if (path.length > 1) input.setAttribute("aria-label", path.map(words).join(": "));
  const row = element("div", { class: "setting" }, element("label", { for: id }, words(path.at(-1))), input, element("p", { class: "help", id: `${id}-help` }, kind.description ?? ""));
  return { row, input, read: () => read(input), write: (value) => write(input, value) };
}

function number(path, kind) {
  const low = kind.minimum ?? kind.exclusiveMinimum;
  const high = kind.maximum ?? kind.exclusiveMaximum;
  const step = kind.type === "integer" ? 1 : high - low <= 5 ? 0.05 : "any";
  const input = element("input", { type: "number", min: low, max: high, step });
  const made = field(path, kind, input, () => (input.value === "" ? null : Number(input.value)), (_, value) => (input.value = value ?? ""));
  return { ...made, stand: (value) => (input.placeholder = value === undefined ? "" : String(value)) };
}

// The few values of a setting that everybody chooses, side by side.
function choices(path, kind) {
  const name = path.join(".");
  const row = element("fieldset", { class: "choices" }, element("legend", {}, words(path.at(-1))), element("p", { class: "help" }, kind.description ?? ""));
  const inputs = kind.enum.map((value) => {
    const input = element("input", { type: "radio", name, value, "data-path": name });
    row.append(element("label", { class: "switch" }, input, value));
    return input;
  });
  return {
    row,
    read: () => inputs.find((input) => input.checked)?.value ?? null,
    write: (value) => inputs.forEach((input) => (input.checked = input.value === value)),
  };
}

function listed(text) {
  if (!text.trim()) return null;
  const parts = text.split(/[\s,]+/).filter(Boolean).map(Number);
  return parts.some(Number.isNaN) ? text : parts;
}
