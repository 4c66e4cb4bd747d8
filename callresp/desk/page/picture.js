// The first picture: the score alone. The rest of the page, which is most of it, comes behind it.
import { opened, state } from "./opening.js";
import { Score } from "./score.js";

const WAITS_MS = 1500;

export const score = new Score();
// The rest does not wait long for it.
export const pictured = Promise.race([
  score.pictured,
  new Promise((go) => setTimeout(go, WAITS_MS)),
]);

async function draw() {
  score.take({ state: await state });
  const found = await opened;
  score.take(found);
  if (found.answer) await pictured;
}

// What is still being heard, or went wrong, is told by the rest.
draw()
  .catch(() => {})
  .then(() => import("./main.js"));
