// What the first picture needs, asked for while the page's other files are still on their way.
import { get } from "./api.js";

export function ask() {
  const asked = [get("/api/state", { wait: 0 }).then((state) => ({ state })), get("/api/opened", { around: 0 })];
  // Whoever awaits them tells what went wrong.
  for (const each of asked) each.catch(() => {});
  return asked;
}

export const first = ask();
