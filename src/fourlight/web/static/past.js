// Settings of this session, one after the other: back to any of them, and forth again. This tab keeps them.

const MOST = 100;
const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);

export class Past extends EventTarget {
  constructor(key, settings) {
    super();
    this.key = `fourlight-settings-${key}`;
    const kept = JSON.parse(sessionStorage.getItem(this.key) ?? "null");
    this.entries = kept?.entries ?? [];
    this.at = kept?.at ?? -1;
    this.made(settings);
  }

  get now() {
    return this.entries[this.at].settings;
  }

  get canUndo() {
    return this.at > 0;
  }

  get canRedo() {
    return this.at < this.entries.length - 1;
  }

  changed(settings, what) {
    if (this.at >= 0 && same(settings, this.now)) return;
    this.entries = [...this.entries.slice(0, this.at + 1), { settings, what, made: false }].slice(-MOST);
    this.#goTo(this.entries.length - 1);
  }

  to(at) {
    if (at >= 0 && at < this.entries.length) this.#goTo(at);
  }

  // There is a picture with these settings.
  made(settings) {
    let found = this.entries.findLastIndex((entry) => same(entry.settings, settings));
    if (found < 0) {
      this.entries.push({ settings, what: this.entries.length ? "as the picture is now" : "as the picture was", made: true });
      found = this.entries.length - 1;
      this.at = found;
    }
    this.entries[found].made = true;
    this.#goTo(this.at < 0 ? found : this.at);
  }

  #goTo(at) {
    this.at = at;
    sessionStorage.setItem(this.key, JSON.stringify({ entries: this.entries, at }));
    this.dispatchEvent(new Event("moved"));
  }
}
