// Light and dark: the inks that the canvas draws with, read off the stylesheet.
const scheme = matchMedia("(prefers-color-scheme: dark)");
const names = ["ground", "dark", "muted", "grid", "shade", "changed", "other"];
export const inks = {};
const watchers = [];

export const isDark = () => {
  const chosen = document.documentElement.dataset.theme;
  return chosen ? chosen === "dark" : scheme.matches;
};

// The spectrogram's greys, from the ground to the darkest (or lightest) level.
const GREYS = {
  false: ["#fbf9f3", "#eceae3", "#cfcfcc", "#a3a7aa", "#71787f", "#4b535c"],
  true: ["#17191d", "#1e2126", "#2e3238", "#474d55", "#6f767f", "#a3aab3"],
};

export let greys = new Uint32Array(256);

function ramp(stops) {
  const table = new Uint32Array(256);
  const parsed = stops.map((ink) => [1, 3, 5].map((i) => parseInt(ink.slice(i, i + 2), 16)));
  for (let n = 0; n < 256; n++) {
    const place = (n / 255) * (stops.length - 1);
    const k = Math.min(Math.floor(place), stops.length - 2);
    const [r, g, b] = [0, 1, 2].map(
      (c) => parsed[k][c] + (parsed[k + 1][c] - parsed[k][c]) * (place - k),
    );
    table[n] = (255 << 24) | (Math.round(b) << 16) | (Math.round(g) << 8) | Math.round(r);
  }
  return table;
}

function read() {
  const style = getComputedStyle(document.documentElement);
  for (const name of names) inks[name] = style.getPropertyValue(`--${name}`).trim();
  greys = ramp(GREYS[isDark()]);
  for (const watch of watchers) watch();
}

export function onInks(watch) {
  watchers.push(watch);
}

export function chooseTheme(theme) {
  if (theme) document.documentElement.dataset.theme = theme;
  else delete document.documentElement.dataset.theme;
  try {
    localStorage.setItem("callresp theme", theme);
  } catch {
    /* a private window keeps nothing */
  }
  read();
}

try {
  const kept = localStorage.getItem("callresp theme");
  if (kept) document.documentElement.dataset.theme = kept;
} catch {
  /* the same */
}
scheme.addEventListener("change", read);
read();
