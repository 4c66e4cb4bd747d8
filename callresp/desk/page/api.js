// What is asked of the server. The token comes with the page's address and goes with each request.
const token = new URLSearchParams(location.search).get("token") ?? "";
const headers = { Authorization: `Bearer ${token}` };

export class Mistake extends Error {
  constructor(fault) {
    super(
      [fault.where && `${fault.where}:`, fault.error, fault.remedy && `– ${fault.remedy}`]
        .filter(Boolean)
        .join(" "),
    );
  }
}

// While the desk does not answer it is asked seldom, whoever asks; `lost` events tell the page.
const SELDOM_MS = 2000;
let askedAgain = 0,
  lost = false;

function tellLost(now) {
  if (now) askedAgain = performance.now() + SELDOM_MS;
  if (now !== lost) dispatchEvent(new CustomEvent("lost", { detail: now }));
  lost = now;
}

async function asked(path, options = {}) {
  let response;
  // What somebody does, such as a stop, never waits.
  if (lost && !options.method)
    await new Promise((go) => setTimeout(go, Math.max(askedAgain - performance.now(), 0)));
  try {
    response = await fetch(path, { ...options, headers: { ...headers, ...options.headers } });
  } catch {
    tellLost(true);
    throw new Mistake({ error: "the desk does not answer: has it been stopped?" });
  }
  tellLost(false);
  if (response.ok) return response;
  if (response.status === 409) throw new DOMException("asked anew", "AbortError");
  throw new Mistake(await response.json().catch(() => ({ error: `status ${response.status}` })));
}

const query = (given) =>
  new URLSearchParams(Object.entries(given).filter(([, v]) => v !== undefined));

export async function get(path, given = {}) {
  const text = query(given).toString();
  return (await asked(text ? `${path}?${text}` : path)).json();
}

// Samples or a tile; null while it is not there yet.
export async function bytes(path, given = {}) {
  const text = query(given).toString();
  const response = await asked(text ? `${path}?${text}` : path);
  return response.status === 204 ? null : response.arrayBuffer();
}

export async function post(path, body) {
  const options = {
    method: "POST",
    body: JSON.stringify(body),
    headers: { "Content-Type": "application/json" },
  };
  return (await asked(path, options)).json();
}
