// Wheel, pinch, dragging and keys.
import { $, force, h, say, time } from "./dom.js";

// Where letters are typed; and where a number is, which takes digits and signs alone.
const TYPES =
  "input:not([type=range], [type=checkbox], [type=number]), select, textarea, dialog, [contenteditable]";
const COUNTS = "input[type=number]";

export function listenToHands(desk) {
  const { score } = desk;
  const surface = $("overlay");
  const place = (event) => {
    const box = surface.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  };

  surface.addEventListener(
    "wheel",
    (event) => {
      event.preventDefault();
      const { x } = place(event);
      const sideways = event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY);
      const lines = event.deltaMode === 1 ? 30 : 1;
      if (sideways)
        score.axis.pan(
          ((event.shiftKey && !event.deltaX ? event.deltaY : event.deltaX) * lines) /
            score.axis.width,
          true,
        );
      else
        score.axis.zoom(
          Math.exp(event.deltaY * lines * (event.ctrlKey ? 0.01 : 0.0022)),
          x - score.left,
          true,
        );
    },
    { passive: false },
  );

  // One finger moves, two pinch; a mouse drags a loop, or moves on the axis and the overview.
  const down = new Map();
  let drag = null,
    pinch = null;
  surface.addEventListener("pointerdown", (event) => {
    if (event.button > 1) return;
    surface.setPointerCapture(event.pointerId);
    const at = place(event);
    down.set(event.pointerId, at);
    if (down.size === 2) {
      const [a, b] = [...down.values()];
      pinch = {
        apart: Math.abs(a.x - b.x) || 1,
        from: score.axis.from,
        to: score.axis.to,
        middle: (a.x + b.x) / 2 - score.left,
      };
      drag = null;
      return;
    }
    const { overview, axis } = score.parts;
    const kind =
      at.y < overview.top + overview.height + 4
        ? "overview"
        : at.y >= axis.top ||
            event.button === 1 ||
            (event.pointerType === "touch" && !event.shiftKey)
          ? "pan"
          : "loop";
    drag = {
      kind,
      at,
      moved: false,
      from: score.axis.from,
      to: score.axis.to,
      seconds: score.axis.at(at.x - score.left),
    };
    if (kind === "overview") jump(at.x);
    desk.holding = true;
  });
  const jump = (x) => {
    const span = score.axis.span,
      middle = ((x - score.left) / score.axis.width) * score.axis.whole;
    score.axis.show(middle - span / 2, middle + span / 2, true);
    desk.seek(Math.min(Math.max(middle, 0), score.axis.whole));
  };
  surface.addEventListener("pointermove", (event) => {
    const at = place(event);
    if (!down.has(event.pointerId)) {
      hover(at);
      return;
    }
    down.set(event.pointerId, at);
    if (pinch && down.size === 2) {
      const [a, b] = [...down.values()];
      const apart = Math.max(Math.abs(a.x - b.x), 8),
        span = ((pinch.to - pinch.from) * pinch.apart) / apart;
      const about = pinch.from + ((pinch.to - pinch.from) * pinch.middle) / score.axis.width;
      const share = ((a.x + b.x) / 2 - score.left) / score.axis.width;
      score.axis.show(about - span * share, about + span * (1 - share), true);
      return;
    }
    if (!drag) return;
    if (Math.abs(at.x - drag.at.x) > 4) drag.moved = true;
    if (!drag.moved) return;
    if (drag.kind === "overview") jump(at.x);
    else if (drag.kind === "pan") {
      const by = ((drag.at.x - at.x) / score.axis.width) * (drag.to - drag.from);
      score.axis.show(drag.from + by, drag.to + by, true);
    } else {
      const now = Math.min(Math.max(score.axis.at(at.x - score.left), 0), score.axis.whole);
      score.loop = { from: Math.min(drag.seconds, now), to: Math.max(drag.seconds, now) };
    }
  });
  const up = (event) => {
    down.delete(event.pointerId);
    if (down.size < 2) pinch = null;
    if (!drag || down.size) return;
    const done = drag;
    drag = null;
    desk.holding = false;
    if (event.type === "pointercancel") return;
    if (done.moved && done.kind === "loop") {
      if (score.loop && score.loop.to - score.loop.from >= 0.05) {
        desk.setLoop(score.loop);
        say(`loops ${time(score.loop.from, 2)} to ${time(score.loop.to, 2)}; L ends the loop`);
      } else desk.setLoop(null);
    } else if (!done.moved && done.kind !== "overview") {
      const found = score.hit(done.at.x, done.at.y);
      if (found) desk.choose(found);
      else if (done.at.x >= score.left) {
        if (score.loop && (done.seconds < score.loop.from || done.seconds > score.loop.to))
          desk.setLoop(null);
        desk.seek(Math.min(Math.max(done.seconds, 0), score.axis.whole));
      }
    }
  };
  surface.addEventListener("pointerup", up);
  surface.addEventListener("pointercancel", up);

  const label = $("hover");
  const hover = (at) => {
    const found = score.heard && score.hit(at.x, at.y);
    surface.style.cursor = found
      ? "pointer"
      : at.y >= (score.parts?.axis.top ?? 1e9)
        ? "grab"
        : "crosshair";
    label.hidden = !found;
    if (!found) return;
    label.textContent = told(score, found);
    label.style.left = `${Math.min(at.x + 12, score.width - 190)}px`;
    label.style.top = `${Math.max(at.y - 30, 2)}px`;
  };
  surface.addEventListener("pointerleave", () => {
    label.hidden = true;
  });
}

function told(score, { kind, id }) {
  if (kind === "note") {
    const n = score.heard.id.indexOf(id),
      hz = score.heard.pitch_hz[n];
    const left = score.silent?.has(score.heard.phrase[n]) ? ", left alone" : "";
    return `${score.voices[score.heard.voice[n]].name}: ${hz ? `${Math.round(hz)} Hz` : "no pitch"}${left}`;
  }
  const n = score.strokeOf.get(id);
  return `${score.state.palette.lanes[score.answer.lane[n]].name}, ${force(score.answer.force[n])}`;
}

// What the keys do, as it is shown by "?".
const KEYS = [
  ["Space", "play or pause; while the machine runs: stop it"],
  ["←  →", "move along"],
  ["↑  ↓", "nearer, farther"],
  ["F", "show all"],
  ["Home  End", "to the beginning, to the end"],
  ["Shift ←  →", "move the playhead by a second"],
  ["[  ]", "the call before, the next call"],
  [",  .", "the note before, the next note"],
  ["O", "the next call left alone"],
  ["Enter", "play from the chosen note"],
  ["L", "loop what is shown, or end the loop"],
  ["A  B", "hear set A, hear set B"],
  ["Ctrl Z", "undo; with Shift: do again"],
  ["?", "these keys"],
];

export function showKeys() {
  const box = h(
    "dialog.ask",
    { "aria-labelledby": "keys-name" },
    h(
      "form",
      { method: "dialog" },
      h("h2", { id: "keys-name" }, "Keys"),
      h(
        "dl.keys",
        {},
        KEYS.map(([keys, does]) =>
          h(
            "div.row",
            {},
            h(
              "dt",
              {},
              keys.split("  ").map((key) => h("kbd", {}, key)),
            ),
            h("dd", {}, does),
          ),
        ),
      ),
      h("div.buttons", {}, h("button.main", {}, "Close")),
    ),
  );
  document.body.append(box);
  box.addEventListener("close", () => box.remove());
  box.showModal();
}

export function listenToKeys(desk) {
  const { score } = desk;
  const keys = {
    ArrowLeft: () => score.axis.pan(-0.2),
    ArrowRight: () => score.axis.pan(0.2),
    ArrowUp: () => score.axis.zoom(0.6, score.axis.width / 2),
    ArrowDown: () => score.axis.zoom(1 / 0.6, score.axis.width / 2),
    "+": () => score.axis.zoom(0.6, score.axis.width / 2),
    "-": () => score.axis.zoom(1 / 0.6, score.axis.width / 2),
    Home: () => {
      desk.seek(0);
      score.axis.show(0, score.axis.span);
    },
    End: () => score.axis.show(score.axis.whole - score.axis.span, score.axis.whole),
    f: () => score.axis.show(0, score.axis.whole),
    l: () => desk.toggleLoop(),
    a: () => desk.chooseSet("a"),
    b: () => desk.chooseSet("b"),
    "[": () => desk.neighbour(false),
    "]": () => desk.neighbour(true),
    o: () => desk.nextSilent(),
    ",": () => desk.neighbourNote(false),
    ".": () => desk.neighbourNote(true),
    "?": showKeys,
  };
  const arrows = new Set(["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "Home", "End"]);
  addEventListener(
    "keydown",
    (event) => {
      const typing = event.target.closest?.(TYPES);
      if (
        (event.ctrlKey || event.metaKey) &&
        event.key.toLowerCase() === "z" &&
        !typing?.matches("input, textarea")
      ) {
        event.preventDefault();
        desk.change({ op: event.shiftKey ? "redo" : "undo" });
        return;
      }
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      if (event.key === " ") {
        if (desk.machine?.running) {
          event.preventDefault();
          event.stopImmediatePropagation();
          desk.machine.stop();
          return;
        }
        if (typing || event.target.closest?.("button, summary, a, [type=checkbox]")) return;
        event.preventDefault();
        desk.toggle();
        return;
      }
      if (typing || (event.target.matches?.(COUNTS) && !/^[a-z[\]?]$/i.test(event.key))) return;
      if (event.key === "Enter" && event.target.id === "overlay") {
        desk.playFrom(desk.fromHere() - 0.3);
        return;
      }
      // Arrows belong to the score when it, or nothing, has the focus.
      if (arrows.has(event.key) && event.target !== document.body && event.target.id !== "overlay")
        return;
      const by = event.shiftKey && { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      const act = by
        ? () => desk.seek(Math.max(desk.seconds + by, 0))
        : (keys[event.key] ?? keys[event.key.toLowerCase?.()]);
      if (!act) return;
      event.preventDefault();
      act();
    },
    true,
  );
}
