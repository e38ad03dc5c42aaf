// A view that is shown anew when a job has left other results, however the job ended.

import { getJson } from "./asking.js";
import { jobs } from "./jobs.js";

// show(facts) fills the view and gives what ends it; version(facts) tells facts from those that were there before.
export async function renewed(address, say, show, version) {
  const facts = await getJson(address);
  let leave = show(facts);
  const still = listening(address, say, facts, (news) => {
    leave();
    leave = show(news);
  }, version);
  return () => {
    still();
    leave();
  };
}

// fresh(news) is told of facts of another version than those known; gives what ends that.
export function listening(address, say, facts, fresh, version = (each) => each.version) {
  let [known, over] = [version(facts), false];
  const ended = async () => {
    try {
      const news = await getJson(address);
      if (over || version(news) === known) return;
      known = version(news);
      fresh(news);
    } catch (error) {
      say(error.message);
    }
  };
  jobs.addEventListener("ended", ended);
  return () => {
    over = true;
    jobs.removeEventListener("ended", ended);
  };
}
