// Elements of a page in one call.

export function element(kind, given = {}, ...inside) {
  const made = document.createElement(kind);
  for (const [name, value] of Object.entries(given)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value != null) made.setAttribute(name, value);
  }
  made.append(...inside);
  return made;
}

// A slider with its name and its value.
export function slider(name, { low, high, step, value, shown, change }) {
  const output = element("output", {}, shown(value));
  const input = element("input", { type: "range", min: low, max: high, step, value, "aria-label": name });
  input.addEventListener("input", () => {
    output.textContent = shown(input.valueAsNumber);
    change(input.valueAsNumber);
  });
  const row = element("div", { class: "slider" }, element("span", { "aria-hidden": "true" }, name), input, output);
  return { row, input, output };
}
