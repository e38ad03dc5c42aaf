// Requests to the server of this page; errors come as sentences.

export const LOST = "the page has lost its server; start fourlight open again";

let writing = "";

export class Refused extends Error {}

async function answered(response) {
  if (response.ok) return response;
  let said = `the server answered ${response.status}`;
  try {
    said = (await response.json()).error.message;
  } catch {
    // an answer without a sentence
  }
  throw new Refused(said);
}

async function reached(address, how) {
  try {
    return await fetch(address, how);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Refused(LOST);
  }
}

export const get = async (address, signal) => answered(await reached(address, { signal }));

export const getJson = async (address, signal) => (await get(address, signal)).json();

export async function send(address, data) {
  const headers = { "content-type": "application/json", "fourlight-writing": writing };
  const response = await reached(address, { method: "POST", headers, body: JSON.stringify(data) });
  return (await answered(response)).json();
}

export async function session() {
  const facts = await getJson("/session");
  writing = facts.writing;
  return facts;
}
