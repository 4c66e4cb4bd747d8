// What the first picture needs, asked for while the page's other files are still on their way: how
// it stands, at once, since tiles need that alone; and the same with notes and answer.
import { get } from "./api.js";

export const state = get("/api/state", { wait: 0 });
export const opened = get("/api/opened", { around: 0 });
// Whoever awaits them tells what went wrong.
for (const each of [state, opened]) each.catch(() => {});
