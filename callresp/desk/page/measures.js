// The row of measures, each with its change since the last.
import { get } from "./api.js";
import { $, counted, fill, h, percent } from "./dom.js";

const SHOWN = [
  ["answered_share", "Answered", percent, 1, "Calls answered, of all"],
  [
    "overlap_share",
    "Overlap",
    percent,
    -1,
    "Of the machine’s sounding time, while a bird sings too",
  ],
  ["strokes_per_minute", "Density", (v) => `${v.toFixed(0)} /min`, 0, "Strokes a minute"],
  ["delay_s", "Delay", (v) => `${v.toFixed(2)} s`, 0, "From a call’s end to its answer, median"],
  [
    "pitch_error_cents",
    "Pitch error",
    (v) => `${v.toFixed(0)} ct`,
    -1,
    "From the asked pitch, octaves aside, median",
  ],
  ["contour", "Contour", (v) => v.toFixed(2), 1, "Share of the call’s ups and downs that is kept"],
  ["dropped", "Dropped", (v) => String(v), -1, "Notes that the machine’s limits don’t let it play"],
  [
    "battery_hours",
    "Battery",
    (v) => `${v.toFixed(0)} h`,
    1,
    "How long a full battery lasts at this pace",
  ],
];

export class Measures {
  constructor(desk) {
    this.desk = desk;
    this.element = $("measures");
    this.now = null;
    this.before = null;
    this.number = 0;
  }

  async load(number) {
    if (number === this.number) return;
    this.number = number;
    const found = await get(`/api/answer/${number}/measures`);
    if (number !== this.number) return;
    if (this.now && this.now.of === this.desk.state.source.file) this.before = this.now;
    this.now = { ...found, of: this.desk.state.source.file };
    this.render();
  }

  render() {
    const { now, before } = this;
    const most = Math.max(1, ...now.work.map((one) => one.struck));
    fill(
      this.element,
      ...SHOWN.map(([key, name, say, good, title]) => {
        const value = now[key],
          last = before?.[key];
        const by = value !== null && last !== null && last !== undefined ? value - last : 0;
        const told =
          by === 0 || say(value) === say(last) ? "" : `${by > 0 ? "+" : "−"}${say(Math.abs(by))}`;
        const way = !told || !good ? "" : by * good > 0 ? "better" : "worse";
        return h(
          "div.measure",
          { title },
          h("span.name", {}, name),
          h("span.value", {}, value === null || value === undefined ? "–" : say(value)),
          h(`span.by${way ? `.${way}` : ""}`, {}, told || "\u00a0"),
        );
      }),
      h(
        "div.measure.work",
        { title: "Strokes of each striker" },
        h("span.name", {}, "Work"),
        h(
          "ul",
          { "aria-label": "Strokes of each striker" },
          now.work.map((one) => {
            const bar = h("i", { "aria-hidden": "true" });
            bar.style.height = `${Math.max((20 * one.struck) / most, one.struck ? 2 : 0)}px`;
            return h(
              `li${one.overworked ? ".over" : ""}`,
              {
                title: `${one.striker}: ${counted(one.struck, "stroke")}${one.overworked ? ", overworked" : ""}`,
              },
              bar,
              h("span.unseen", {}, `${one.striker} ${one.struck}`),
            );
          }),
        ),
      ),
    );
  }
}
