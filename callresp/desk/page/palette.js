// The palette: strikers on the pitch axis beside the notes heard; pressed, they are heard.
import { get } from "./api.js";
import { counted, fileChoice, fill, h, hertz, percent, tellValue, tried } from "./dom.js";
import { inks, onInks } from "./inks.js";

const LABEL_ROWS = 5,
  LABEL_GAP = 6;

// In which row each label stands, from left to right, so that none touches another; what finds no
// room is told below. Labels: middle and width.
export function labelRows(labels) {
  const ends = Array(LABEL_ROWS).fill(-Infinity);
  return labels.map(([middle, width]) => {
    const row = ends.findIndex((end) => end + LABEL_GAP <= middle - width / 2);
    if (row < 0) return LABEL_ROWS;
    ends[row] = middle + width / 2;
    return row;
  });
}

export class Palette {
  constructor(desk, view) {
    this.desk = desk;
    this.view = view;
    this.force = 0.6;
    this.damped = false;
    this.solo = null;
    this.more = null;
    onInks(() => this.draw());
  }

  muteAll(names) {
    return this.desk.change({ op: "listen", distance_m: this.desk.distance, muted: names });
  }

  render() {
    const { state } = this.desk;
    if (!state) return;
    const { palette } = state;
    const muted = new Set(state.muted),
      told = h("output", {}, percent(this.force));
    const others = (name) => palette.lanes.map((lane) => lane.name).filter((one) => one !== name);
    const rows = palette.lanes.map((lane) => {
      const quiet = muted.has(lane.name),
        alone =
          !quiet && others(lane.name).every((one) => muted.has(one)) && palette.lanes.length > 1;
      const work = this.desk.measures.now?.work.find((one) => one.striker === lane.name);
      return h(
        "li",
        {},
        h(
          "button.striker",
          {
            disabled: lane.turner,
            title: lane.turner ? "It turns along with replies" : "Hear it",
            onclick: () => tried(() => this.desk.sound.strike(lane.name, this.force, this.damped)),
          },
          h("b", {}, lane.name),
          h(
            "span",
            {},
            lane.turner
              ? `${lane.kind}, on a motor`
              : lane.pitch_hz
                ? `${hertz(lane.pitch_hz)}, ${lane.said}`
                : lane.kind,
          ),
        ),
        h(
          "span.count",
          { title: "Strokes" },
          work ? `${work.struck} ×` : "",
          h("span.unseen", {}, " strokes"),
        ),
        h(
          "button.small",
          {
            "aria-pressed": String(quiet),
            "aria-label": `Mute ${lane.name}`,
            onclick: () =>
              this.muteAll(
                quiet ? [...muted].filter((one) => one !== lane.name) : [...muted, lane.name],
              ),
          },
          "mute",
        ),
        h(
          "button.small",
          {
            "aria-pressed": String(alone),
            "aria-label": `Solo ${lane.name}`,
            onclick: () => this.muteAll(alone ? [] : others(lane.name)),
          },
          "solo",
        ),
      );
    });
    this.canvas ??= h("canvas.pitches", { role: "img" });
    const limits = this.desk.measures.now?.limits ?? [];
    fill(
      this.view,
      h("h2", {}, `Palette: ${palette.title}`),
      h(
        "div.buttons",
        {},
        fileChoice(
          "Play on another palette",
          "Play on another …",
          state.own_palettes,
          state.shipped_palettes,
          (name) => this.desk.change({ op: "load palette", name }),
        ),
      ),
      this.canvas,
      (this.cover ??= h("p.quiet", {})),
      h("h3", {}, "Press to hear"),
      h(
        "div.strike",
        {},
        h(
          "label",
          {},
          "Force ",
          h("input", {
            type: "range",
            min: 0,
            max: 1,
            step: 0.05,
            value: this.force,
            "aria-valuetext": percent(this.force),
            oninput: (event) => {
              this.force = Number(event.target.value);
              tellValue(event.target, percent(this.force), told);
            },
          }),
          told,
        ),
        h(
          "label.check",
          {},
          h("input", {
            type: "checkbox",
            checked: this.damped,
            onchange: (event) => {
              this.damped = event.target.checked;
            },
          }),
          " damped",
        ),
      ),
      h("ul.strikers", {}, rows),
      h("h3", {}, "Limits met"),
      limits.length
        ? h(
            "ul.plain",
            {},
            limits
              .slice(0, 8)
              .map((one) => h("li", {}, `${one.count} ${one.change}: ${one.why} (${one.limit})`)),
          )
        : h("p.quiet", {}, "None: all that the rules ask for can be played."),
      h("h3", {}, "One more striker"),
      this.oneMore(),
    );
    this.draw();
    this.coverage();
  }

  oneMore() {
    const box = h("div", {});
    const { source, palette, rules } = this.desk.state;
    const of = JSON.stringify([source.file, palette.name, rules.values]);
    const show = () => {
      if (this.more?.of !== of) {
        fill(
          box,
          h("p.quiet", {}, "Each candidate is tried: the recording is answered and planned anew."),
          h("button", { onclick: work }, "Try some"),
        );
        return;
      }
      const { added, tried: count } = this.more;
      fill(
        box,
        added.length
          ? h(
              "ul.plain",
              {},
              added
                .slice(0, 4)
                .map((one) =>
                  h(
                    "li",
                    {},
                    h("b", {}, hertz(one.pitch_hz)),
                    `, like ${one.like}: fit ${one.outcome.fit.toFixed(2)} (+${one.fit_gain.toFixed(2)}), ${Math.round(100 * one.outcome.on_pitch)} % on the heard pitch${one.needs ? `; needs ${one.needs}` : ""}`,
                  ),
                ),
            )
          : h("p.quiet", {}, `None of ${count} that were tried would do better.`),
        h("button", { onclick: work }, "Try again"),
      );
    };
    const work = async () => {
      fill(box, h("p.quiet", {}, "Trying …"));
      const found = await tried(() => get("/api/one-more"));
      this.more = found ? { ...found, of } : null;
      show();
    };
    show();
    return box;
  }

  async coverage() {
    const key = `${this.desk.state.source.file} ${this.desk.state.palette.name}`;
    if (this.covered === key) return;
    this.covered = key;
    const found = await tried(() => get("/api/coverage"));
    if (!found) return;
    if (!(found.direct + found.by_octave + found.none)) {
      this.cover.textContent = "No note with a pitch was heard.";
      return;
    }
    const gap = found.gaps[0];
    this.cover.textContent =
      `Of the pitched notes ${Math.round(100 * found.direct)} % lie on a striker’s pitch, ${Math.round(100 * found.by_octave)} % an octave or more away, ${Math.round(100 * found.none)} % on none.` +
      (gap
        ? ` Widest gap: ${hertz(gap.low_hz)} to ${hertz(gap.high_hz)}, ${counted(gap.notes, "note")}.`
        : "");
  }

  // Heard pitches from the left, by singer; strikers and their reach from the right.
  draw() {
    const { heard, voices } = this.desk.score;
    const { canvas } = this;
    if (!canvas || !heard || !canvas.isConnected) return;
    const wide = canvas.clientWidth || 320,
      high = 154 + 12 * LABEL_ROWS,
      scale = Math.min(devicePixelRatio || 1, 2);
    canvas.width = wide * scale;
    canvas.height = high * scale;
    const c = canvas.getContext("2d");
    c.scale(scale, scale);
    const pitches = this.desk.state.palette.lanes.map((lane) => lane.pitch_hz).filter(Boolean);
    const logs = heard.pitch_hz.map((hz) => (hz ? Math.log2(hz) : null));
    const known = [...logs.filter((log) => log !== null), ...pitches.map(Math.log2)];
    const low = Math.min(...known, Math.log2(300)) - 0.3,
      top = Math.max(...known, Math.log2(4000)) + 0.3;
    const x = (log) => 8 + ((wide - 16) * (log - low)) / (top - low),
      base = 124;
    const bins = new Map();
    logs.forEach((log, n) => {
      if (log === null) return;
      const bin = Math.floor(x(log) / 4);
      const stack = bins.get(bin) ?? bins.set(bin, []).get(bin);
      stack.push(heard.voice[n]);
    });
    const most = Math.max(1, ...[...bins.values()].map((stack) => stack.length));
    for (const [bin, stack] of bins) {
      const each = (base - 8) / most;
      stack
        .sort((a, b) => a - b)
        .forEach((voice, n) => {
          c.fillStyle = this.desk.score.ink(voice);
          c.fillRect(bin * 4 + 0.5, base - (n + 1) * each, 3, Math.max(each, 0.5));
        });
    }
    c.fillStyle = inks.grid;
    c.fillRect(8, base, wide - 16, 1);
    c.font = this.desk.score.font(10);
    c.textAlign = "center";
    c.fillStyle = inks.muted;
    for (const hz of [250, 500, 1000, 2000, 4000, 8000]) {
      const at = x(Math.log2(hz));
      if (at > 20 && at < wide - 20)
        c.fillText(hz >= 1000 ? `${hz / 1000} kHz` : `${hz} Hz`, at, base + 13);
    }
    const strikers = this.desk.state.palette.lanes
      .filter((lane) => lane.pitch_hz)
      .sort((a, b) => a.pitch_hz - b.pitch_hz);
    const places = strikers.map((lane) =>
      Math.min(Math.max(x(Math.log2(lane.pitch_hz)), 24), wide - 24),
    );
    const rows = labelRows(strikers.map((lane, n) => [places[n], c.measureText(lane.name).width]));
    strikers.forEach((lane, n) => {
      const at = x(Math.log2(lane.pitch_hz));
      c.strokeStyle = c.fillStyle = inks.dark;
      c.setLineDash([2, 3]);
      c.globalAlpha = 0.4;
      c.beginPath();
      c.moveTo(at, 6);
      c.lineTo(at, base + 22);
      c.stroke();
      c.setLineDash([]);
      c.globalAlpha = 1;
      c.beginPath();
      c.moveTo(at, base + 19);
      c.lineTo(at - 4, base + 26);
      c.lineTo(at + 4, base + 26);
      c.fill();
      if (rows[n] < LABEL_ROWS) c.fillText(lane.name, places[n], base + 38 + 12 * rows[n]);
    });
    canvas.setAttribute(
      "aria-label",
      `Heard pitches of ${counted(voices.length, "singer")}, and strikers at ${strikers.map((lane) => `${lane.name} ${hertz(lane.pitch_hz)}`).join(", ")}`,
    );
  }
}
