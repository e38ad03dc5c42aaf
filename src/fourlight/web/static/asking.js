// Requests to the server of this page; errors come as sentences.

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

export async function get(address, signal) {
  let response;
  try {
    response = await fetch(address, { signal });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Refused("the page has lost its server; start fourlight open again");
  }
  return answered(response);
}

export const getJson = async (address, signal) => (await get(address, signal)).json();

export async function send(address, data, method = "POST") {
  const headers = { "content-type": "application/json", "fourlight-writing": writing };
  const response = await fetch(address, { method, headers, body: JSON.stringify(data) });
  return (await answered(response)).json();
}

export async function session() {
  const facts = await getJson("/session");
  writing = facts.writing;
  return facts;
}
