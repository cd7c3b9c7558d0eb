// What the server is asked and told. Every address is relative to the page, which holds the token.

// Nobody answers: the server has stopped, for good or for a while.
export class Gone extends Error {}

const unsaved = []; // changes to be sent once it answers again, in their order
const AGAIN_MS = 2000;
let gone = false, asking = null, heardGone = () => {}, heardRefused = () => {};

export function whenGone(heard, refused) {
  [heardGone, heardRefused] = [heard, refused];
}

async function answered(address, options) {
  let response;
  try {
    response = await fetch(address, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    setGone(true);
    throw new Gone("the server does not answer");
  }
  const body = await response.json().catch(() => ({}));
  if (!response.ok) throw new Error(body.error || `the server answered ${response.status}`);
  return body;
}

function setGone(is) {
  gone = is;
  clearTimeout(asking);
  if (is) asking = setTimeout(back, AGAIN_MS);
  heardGone(is, unsaved.length > 0);
}

export async function ask(address, signal) {
  return answered(address, { signal });
}

export async function tell(address, wishes = {}) {
  return answered(address, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(wishes),
  });
}

// Change settings of plates, by id; while nobody answers the changes are kept for later.
export async function save(changes) {
  if (gone) unsaved.push(changes);
  else {
    try {
      return await tell("api/edit", changes);
    } catch (error) {
      if (!(error instanceof Gone)) throw error;
      unsaved.push(changes);
    }
  }
  setGone(true);
  return null;
}

// Ask whether anybody answers again; if so, send what has waited.
async function back() {
  try {
    await fetch("page/server.js", { method: "HEAD", cache: "no-store" });
  } catch {
    return setGone(true);
  }
  while (unsaved.length) {
    const changes = unsaved[0];
    try {
      await tell("api/edit", changes);
    } catch (error) {
      if (error instanceof Gone) return null;
      heardRefused(error.message);
    }
    unsaved.shift();
  }
  return setGone(false);
}

export function plateAddress(id) {
  return `api/plates/${encodeURIComponent(id)}`;
}

export function listen(heard) {
  const source = new EventSource("api/events");
  for (const kind of ["changed", "ready", "begun", "progress", "note", "done", "closed", "arrived"]) {
    source.addEventListener(kind, (event) => heard(kind, JSON.parse(event.data)));
  }
  source.addEventListener("open", () => { if (gone) back(); else heard("changed", {}); });
  source.addEventListener("error", () => { if (source.readyState === EventSource.CONNECTING) setGone(true); });
  return source;
}
