// Small helpers: making elements, telling numbers, saying things aloud.

// h("button.plain", {onclick}, "text") – a tag with classes, properties, children.
export function h(name, given = {}, ...children) {
  const [tag, ...classes] = name.split(".");
  const element = document.createElement(tag);
  if (classes.length) element.className = classes.join(" ");
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key in element && !key.startsWith("aria") && key !== "list" && key !== "role")
      element[key] = value;
    else element.setAttribute(key, value === true ? "" : value);
  }
  element.append(
    ...children.flat().filter((child) => child !== null && child !== undefined && child !== false),
  );
  return element;
}

// A count with its noun, in agreement.
export const counted = (count, noun) =>
  `${count.toLocaleString()} ${noun}${count === 1 ? "" : "s"}`;

// What stands in an element, anew; what is not there is left out. Where the keyboard was it stays.
export function fill(element, ...children) {
  const held = element.contains(document.activeElement) ? document.activeElement : null;
  const alike = () => [...element.querySelectorAll(held.tagName)];
  const place = held ? alike().indexOf(held) : -1;
  element.replaceChildren(
    ...children
      .flat()
      .filter((child) => child !== null && child !== undefined && child !== false && child !== ""),
  );
  if (!held || element.contains(held)) return;
  const label = held.getAttribute("aria-label") || held.textContent,
    fresh = alike();
  const same =
    (held.id && fresh.find((one) => one.id === held.id)) ||
    fresh.find((one) => label && (one.getAttribute("aria-label") || one.textContent) === label);
  (same ?? fresh[place])?.focus({ preventScroll: true });
}

// A list of the files in this folder and of those that are shipped; `choose` is given a name.
export function fileChoice(label, prompt, own, shipped, choose) {
  const group = (title, names) =>
    h(
      "optgroup",
      { label: title },
      names.map((name) => h("option", { value: name }, name)),
    );
  return h(
    "label",
    {},
    h("span.unseen", {}, label),
    h(
      "select",
      { onchange: (event) => event.target.value && choose(event.target.value) },
      h("option", { value: "" }, prompt),
      own.length ? group("In this folder", own) : null,
      group("Shipped", shipped),
    ),
  );
}

export const $ = (id) => document.getElementById(id);

export function time(seconds, digits = 0) {
  const sign = seconds < 0 ? "−" : "";
  const s = Math.abs(seconds);
  const minutes = Math.floor(s / 60);
  const rest = (s - 60 * minutes).toFixed(digits).padStart(digits ? 3 + digits : 2, "0");
  if (minutes < 60) return `${sign}${minutes}:${rest}`;
  return `${sign}${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, "0")}:${rest}`;
}

export const percent = (share) => `${Math.round(100 * share)} %`;

// How hard a stroke is, as a share of what its striker can do.
export const force = (share) => (share < 0.005 ? "as soft as it goes" : `force ${percent(share)}`);

// What a slider stands at, for the eye and for who hears the page: its own value is where it
// stands.
export function tellValue(range, text, output) {
  range.setAttribute("aria-valuetext", text);
  if (output) output.textContent = text;
}

export const hertz = (hz) =>
  hz === null || hz === undefined
    ? "no pitch"
    : hz >= 1000
      ? `${(hz / 1000).toFixed(2)} kHz`
      : `${hz.toFixed(0)} Hz`;

let clearing;
export function say(text, wrong = false) {
  const said = $("said");
  said.textContent = text;
  said.classList.toggle("wrong", wrong);
  said.classList.toggle("shown", Boolean(text));
  clearTimeout(clearing);
  if (text) clearing = setTimeout(() => said.classList.remove("shown"), wrong ? 9000 : 4500);
}

// For who hears the page and does not see it.
export function tell(text) {
  $("told").textContent = text;
}

// Carries something out; a mistake is said in one line.
export async function tried(work) {
  try {
    return await work();
  } catch (fault) {
    if (fault.name !== "AbortError") say(fault.message, true);
    return undefined;
  }
}

export const calm = matchMedia("(prefers-reduced-motion: reduce)");
