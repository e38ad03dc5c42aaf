// A view that is shown anew when a job has left other results.

import { getJson } from "./asking.js";
import { jobs } from "./jobs.js";

// show(facts) fills the view and gives what ends it; version(facts) tells facts from those that were there before.
export async function renewed(address, say, show, version = (facts) => facts.version) {
  let facts = await getJson(address);
  let leave = show(facts);
  const ended = async () => {
    try {
      const news = await getJson(address);
      if (!leave || version(news) === version(facts)) return;
      leave();
      facts = news;
      leave = show(facts);
    } catch (error) {
      say(error.message);
    }
  };
  jobs.addEventListener("ended", ended);
  return () => {
    jobs.removeEventListener("ended", ended);
    leave();
    leave = null;
  };
}
