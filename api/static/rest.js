// Calls of the REST service. Every error comes as problem+json: its sentences go to the user as they are.

export class Problem extends Error {
  constructor(body, status, retryAfter) {
    super([body.title, body.detail].filter(Boolean).join(": ") || `The server answered ${status}.`);
    this.body = body;
    this.status = status;
    this.retryAfter = retryAfter;
  }
}

export async function call(method, path, body = undefined) {
  const asIs = body === undefined || body instanceof FormData;
  const headers = asIs ? {} : { "Content-Type": "application/json" };
  let answer;
  try {
    answer = await fetch(`/api/v1${path}`, { method, headers, body: asIs ? body : JSON.stringify(body) });
  } catch {
    throw new Problem({ title: "The bench does not answer", detail: "Check that it still runs and that this device is on its network, then try again. Nothing is lost." }, 0);
  }
  const isJson = answer.status !== 204 && (answer.headers.get("Content-Type") ?? "").includes("json");
  const told = isJson ? await answer.json() : null;
  if (!answer.ok) throw new Problem(told ?? {}, answer.status, Number(answer.headers.get("Retry-After")) || null);
  return told;
}

/** Text for people who listen: the page's one live region. */
export function say(text) {
  const region = document.getElementById("said");
  region.textContent = "";
  requestAnimationFrame(() => { region.textContent = text; });
}

/** The name that corrections are kept under: typed once on this device. */
export const who = {
  get: () => localStorage.getItem("who") ?? "",
  set: (name) => localStorage.setItem("who", name.trim()),
};

/** Shows a problem in the form's own note, and moves the reader there. */
export function complain(note, error) {
  note.className = "note bad";
  note.textContent = error.message;
  note.tabIndex = -1;
  note.focus();
}
