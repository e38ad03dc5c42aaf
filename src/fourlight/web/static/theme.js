// Dark, light, or red for eyes that are used to the dark; kept by this browser.

const KEY = "fourlight-colours";

export function themed(choice) {
  const set = (name) => {
    document.documentElement.dataset.theme = name;
    document.dispatchEvent(new Event("themed"));
  };
  const kept = localStorage.getItem(KEY);
  choice.value = ["dark", "light", "night"].includes(kept) ? kept : "dark";
  set(choice.value);
  choice.addEventListener("change", () => {
    localStorage.setItem(KEY, choice.value);
    set(choice.value);
  });
}
