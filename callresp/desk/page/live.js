// A running day on a phone: read often, written only where something has changed.
import { get, post } from "./api.js";
import { $, h, say, time } from "./dom.js";
import { inks, onInks } from "./inks.js";

const EVERY_MS = 500,
  LOW_DB = -90;
let state = null,
  missed = 0,
  drawn = "",
  stopped = false;

const put = (id, text) => {
  if ($(id).textContent !== text) $(id).textContent = text;
};
const minus = (text) => text.replace("-", "−");

function drawLevel() {
  const canvas = $("level"),
    c = canvas.getContext("2d");
  const x = (db) => (canvas.width * (db - LOW_DB)) / -LOW_DB;
  c.fillStyle = inks.shade;
  c.fillRect(0, 0, canvas.width, canvas.height);
  if (state?.level_db !== null && state) {
    c.fillStyle = inks.dark;
    c.fillRect(0, 8, Math.max(x(state.level_db), 2), canvas.height - 16);
    if (state.peak_db !== null) {
      c.fillStyle = state.peak_db > -1 ? inks.changed : inks.dark;
      c.fillRect(Math.min(x(state.peak_db), canvas.width - 3), 2, 3, canvas.height - 4);
    }
  }
  c.fillStyle = inks.grid;
  for (const db of [-60, -40, -20]) c.fillRect(x(db), 0, 1, canvas.height);
}

function show() {
  document.title = `${state.palette}: ${state.said}`;
  put("palette", state.palette);
  put("clock", `${new Date(state.wall).toLocaleTimeString()}  ·  running for ${time(state.at_s)}`);
  put("now", `${state.said[0].toUpperCase()}${state.said.slice(1)}`);
  $("now").classList.toggle("held", !state.playing);
  const level =
    state.level_db === null
      ? "no sound yet"
      : `${minus(state.level_db.toFixed(0))} dB, peak ${minus(state.peak_db.toFixed(0))} dB: ${state.meter}`;
  put("level-said", level);
  $("level").setAttribute("aria-label", `Level ${level}`);
  put("advice", state.advice);
  drawLevel();
  const known = (value, digits, unit) =>
    value === null ? "not known" : `${minus(value.toFixed(digits))} ${unit}`;
  const figures = [
    ["Battery", known(state.supply_v, 1, "V")],
    ["Warmest coil", known(state.coil_c, 0, "°C")],
    ["Board", known(state.board_c, 0, "°C")],
    ["Strokes", String(state.strikes)],
    ["Calls", String(state.phrases)],
    ["Answered", String(state.answered)],
    ["Sound lost", `${state.overruns} times`],
  ];
  const told = JSON.stringify([figures, state.lines, state.faults]);
  if (told === drawn) return;
  drawn = told;
  $("figures").replaceChildren(
    ...figures.map(([name, value]) => h("div", {}, h("dt", {}, name), h("dd", {}, value))),
  );
  $("lines").replaceChildren(
    ...[...state.lines]
      .reverse()
      .map((line) =>
        h(
          `li.${line.kind.replace(" ", "-")}`,
          {},
          h("time", {}, time(line.at_s)),
          h(
            "b",
            {},
            line.kind === "heard"
              ? `${line.voice} sings`
              : `${line.kind}${line.voice ? ` ${line.voice}` : ""}`,
          ),
          h("span", {}, line.text),
        ),
      ),
  );
  $("faults-part").hidden = !state.faults.length;
  $("faults").replaceChildren(...[...state.faults].reverse().map((text) => h("li", {}, text)));
}

async function look() {
  try {
    state = await get("/api/live");
    missed = 0;
    show();
  } catch {
    missed += 1;
    if (stopped) {
      put("now", "Stopped");
      return;
    }
    if (missed > 3) {
      put("now", "No word from the machine");
      $("now").classList.add("held");
    }
    if (missed === 4)
      say("The machine’s computer does not answer: has the run ended, or the network gone?", true);
  }
  setTimeout(look, EVERY_MS);
}

$("stopping").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    await post("/api/live/stop", { code: $("code").value });
    stopped = true;
    $("stopping").hidden = true;
    say("The machine is stopping.");
  } catch (fault) {
    say(fault.message, true);
  }
  $("code").value = "";
});
onInks(drawLevel);
look();
