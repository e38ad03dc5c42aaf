// The jobs of this session, as the server tells them: over one stream, which is open while this tab is seen.

import { LOST, get, getJson, send } from "./asking.js";

const ENDED = ["done", "stopped", "failed"];
export const hasEnded = (job) => ENDED.includes(job.state);

class Jobs extends EventTarget {
  constructor() {
    super();
    this.all = [];
    this.stream = null;
    this.lost = "";
    this.ended = null; // numbers of jobs that have been told to have ended; null: nothing has been told yet
    document.addEventListener("visibilitychange", () => this.#follow());
  }

  follow() {
    this.#follow();
  }

  get atWork() {
    return this.all.find((job) => !hasEnded(job)) ?? null;
  }

  start(kind, settings) {
    return send("/jobs", settings ? { kind, settings } : { kind });
  }

  stop(number) {
    return send(`/jobs/${number}/stop`, {});
  }

  // Those that can be started, and why there is none.
  async offers() {
    const { offers, none } = await getJson("/jobs");
    return { offers, none };
  }

  #follow() {
    if (document.hidden) {
      this.stream?.close();
      this.stream = null;
    } else if (!this.stream || this.stream.readyState === EventSource.CLOSED) {
      this.stream = new EventSource("/events");
      this.stream.addEventListener("message", (event) => this.#told(JSON.parse(event.data)));
      this.stream.addEventListener("error", () => this.#lose());
    }
  }

  // A stream that broke opens itself again; one that was refused does not, and why is asked for.
  async #lose() {
    this.#noted(LOST);
    if (this.stream?.readyState !== EventSource.CLOSED) return;
    const asking = new AbortController();
    try {
      await get("/events", asking.signal);
      asking.abort();
    } catch (error) {
      this.#noted(error.message);
    }
  }

  #noted(lost) {
    if (lost === this.lost) return;
    this.lost = lost;
    this.dispatchEvent(new Event("reach"));
  }

  #told(all) {
    this.#noted("");
    this.all = all;
    this.dispatchEvent(new Event("changed"));
    const ended = all.filter(hasEnded);
    const fresh = this.ended ? ended.filter((job) => !this.ended.has(job.number)) : [];
    this.ended = new Set(ended.map((job) => job.number));
    for (const job of fresh) this.dispatchEvent(new CustomEvent("ended", { detail: job }));
  }
}

export const jobs = new Jobs();
