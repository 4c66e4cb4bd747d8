// A setting swept over its range: each measure as a curve, and the value that one likes taken.
import { get } from "./api.js";
import { fill, h, tried } from "./dom.js";

const CURVES = [
  ["answered_share", "answered", 1],
  ["overlap_share", "overlap", 1],
  ["contour", "contour", 1],
  ["strokes_per_minute", "strokes a minute", 0],
  ["pitch_error_cents", "pitch error, cents", 0],
];
const WIDE = 320,
  HIGH = 54;

export class Sweep {
  constructor(desk) {
    this.desk = desk;
    this.element = h("section.sweep", { hidden: true, "aria-label": "Sweep" });
  }

  async start(key, field, value) {
    const low = field.low ?? 0;
    let high = field.high ?? Math.max(4 * Math.abs(value ?? 1), 1);
    if (high - low > 60 && value !== null)
      high = Math.min(high, Math.max(4 * Math.abs(value), low + 4));
    this.element.hidden = false;
    fill(this.element, h("h3", {}, `Sweep of ${key}`), h("p.quiet", {}, "Trying its values …"));
    this.element.scrollIntoView({ block: "nearest" });
    const found = await tried(() =>
      get("/api/sweep", {
        key,
        low: Math.max(low, field.name === "stretch" ? 0.1 : low),
        high,
        steps: 13,
        around: this.desk.seconds,
      }),
    );
    if (!found) {
      this.element.hidden = true;
      return;
    }
    this.draw(key, found, value);
  }

  draw(key, { rows, of }, now) {
    const from = rows[0].value,
      to = rows.at(-1).value;
    const x = (value) => 6 + ((WIDE - 12) * (value - from)) / Math.max(to - from, 1e-9);
    const level = [];
    const parts = CURVES.map(([name, said]) => {
      const known = rows.filter(({ row }) => row[name] !== null);
      if (!known.length) return null;
      if (known.every(({ row }) => row[name] === known[0].row[name])) {
        level.push(said.split(",")[0]);
        return null;
      }
      const values = known.map(({ row }) => row[name]);
      const least = Math.min(...values),
        most = Math.max(...values);
      const y = (value) =>
        HIGH - 8 - ((HIGH - 16) * (value - least)) / Math.max(most - least, 1e-9);
      const digits = most > 20 ? 0 : 2;
      const line = known
        .map(
          ({ value, row }, n) =>
            `${n ? "L" : "M"}${x(value).toFixed(1)} ${y(row[name]).toFixed(1)}`,
        )
        .join("");
      const marks = known.map(({ value, row }) =>
        svg("circle", { cx: x(value), cy: y(row[name]), r: 2.6 }),
      );
      const at =
        now === null || now < from || now > to
          ? []
          : [svg("line", { x1: x(now), x2: x(now), y1: 2, y2: HIGH - 2, class: "now" })];
      return h(
        "figure",
        {},
        h("figcaption", {}, `${said}: ${least.toFixed(digits)} to ${most.toFixed(digits)}`),
        svg(
          "svg",
          {
            viewBox: `0 0 ${WIDE} ${HIGH}`,
            role: "img",
            "aria-label": `${said} over ${key}, from ${values[0].toFixed(digits)} at ${from} to ${values.at(-1).toFixed(digits)} at ${to}`,
          },
          ...at,
          svg("path", { d: line }),
          ...marks,
        ),
      );
    });
    const same = rows.every(
      ({ row }) =>
        JSON.stringify({ ...row, label: "" }) === JSON.stringify({ ...rows[0].row, label: "" }),
    );
    fill(
      this.element,
      h("h3", {}, `Sweep of ${key}`),
      of && h("p.quiet", {}, of),
      same
        ? h("p.reason", {}, "It makes no difference here: every value gives the same replies.")
        : null,
      ...parts,
      level.length > 0 && !same && h("p.quiet", {}, `The same throughout: ${level.join(", ")}.`),
      h(
        "div.takes",
        { role: "group", "aria-label": "Take a value" },
        rows.map(({ value, row }) =>
          h(
            "button",
            {
              title: `${Math.round(100 * row.answered_share)} % answered`,
              onclick: () => this.desk.change({ op: "set", changes: [[key, value]] }),
            },
            String(Math.round(value * 100) / 100),
          ),
        ),
      ),
      h(
        "button",
        {
          onclick: () => {
            this.element.hidden = true;
          },
        },
        "Close",
      ),
    );
  }
}

function svg(name, given, ...children) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(given)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}
