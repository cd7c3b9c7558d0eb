// What the server is asked and told. Every address is relative to the page, which holds the token.

async function answered(response) {
  const body = await response.json().catch(() => ({}));
  if (!response.ok) throw new Error(body.error || `the server answered ${response.status}`);
  return body;
}

export async function ask(address, signal) {
  return answered(await fetch(address, { signal }));
}

export async function tell(address, wishes = {}) {
  return answered(await fetch(address, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(wishes),
  }));
}

export function plateAddress(id) {
  return `api/plates/${encodeURIComponent(id)}`;
}

export function listen(heard) {
  const source = new EventSource("api/events");
  for (const kind of ["changed", "ready", "begun", "progress", "note", "done", "closed"]) {
    source.addEventListener(kind, (event) => heard(kind, JSON.parse(event.data)));
  }
  source.addEventListener("open", () => heard("changed", {}));
  return source;
}
