// One setting of the form: its control, made from the type of the struct's own field.
import { h, say, tellValue } from "./dom.js";

const number = (value) => (value === "" ? null : Number(value));
const tidy = (value) => Math.round(value * 1e6) / 1e6;
const shown = (value) =>
  typeof value === "number" ? String(Math.round(value * 10000) / 10000) : String(value ?? "");

// Steps that an arrow key or a wheel makes: a tenth of a decade about, whole numbers by one.
function stepOf(field) {
  if (field.control === "whole" || /cents|_hz$/.test(field.name))
    return field.name.endsWith("_hz") ? 50 : field.name.includes("cents") ? 25 : 1;
  const size = field.high !== null && field.high <= 1 ? 0.05 : 0.1;
  return size;
}

function allowed({ low, high, unit }) {
  const ends = [low !== null && `from ${shown(low)}`, high !== null && `to ${shown(high)}`].filter(
    Boolean,
  );
  return ["give a number", ...ends, unit].filter(Boolean).join(" ");
}

function numberInput(field, value, label, changed) {
  const input = h("input", {
    type: "number",
    value: shown(value),
    step: "any",
    "aria-label": label,
    min: field.low ?? undefined,
    max: field.high ?? undefined,
  });
  input.taken = input.value;
  const send = () => {
    const given = number(input.value);
    if (!input.checkValidity() || given === null) return;
    input.taken = input.value;
    changed(field.control === "whole" || field.name === "notes" ? Math.round(given) : tidy(given));
  };
  input.addEventListener("input", send);
  // What is not taken does not stay there as if it were.
  input.addEventListener("change", () => {
    if (input.checkValidity() && input.value !== "") return;
    if (input.value !== "") say(`${label}: ${input.value} is not taken; ${allowed(field)}`, true);
    input.value = input.taken;
  });
  input.addEventListener("keydown", (event) => {
    if (event.key !== "ArrowUp" && event.key !== "ArrowDown") return;
    event.preventDefault();
    const step = stepOf(field) * (event.shiftKey ? 10 : 1) * (event.key === "ArrowUp" ? 1 : -1);
    const next = Math.min(
      Math.max((number(input.value) ?? 0) + step, field.low ?? -Infinity),
      field.high ?? Infinity,
    );
    input.value = shown(next);
    input.dispatchEvent(new Event("input"));
  });
  return input;
}

// A slider beside the number where its range is one that a hand can cover.
function slider(field, value, label, changed, input) {
  const wide = field.high - field.low;
  if (field.low === null || field.high === null || !Number.isFinite(wide)) return null;
  const bent = wide > 60 && field.low >= 0; // long ranges are finer near their low end
  const to = (v) => (bent ? ((v - field.low) / wide) ** (1 / 4) : (v - field.low) / wide);
  const from = (s) => (bent ? field.low + wide * s ** 4 : field.low + wide * s);
  const range = h("input", {
    type: "range",
    min: 0,
    max: 1,
    step: 0.002,
    value: to(value ?? field.low),
    "aria-label": `${label}, slider`,
  });
  const tell = () => tellValue(range, `${input.value} ${field.unit ?? ""}`.trim());
  range.addEventListener("input", () => {
    let next = from(Number(range.value));
    const step = stepOf(field) / (next < 2 && !Number.isInteger(stepOf(field)) ? 2 : 1);
    next = Math.round(next / step) * step;
    next = Math.min(Math.max(next, field.low), field.high);
    input.value = input.taken = shown(next);
    tell();
    changed(field.control === "whole" ? Math.round(next) : tidy(next));
  });
  // It follows the number, also to where that is put back.
  for (const event of ["input", "change"])
    input.addEventListener(event, () => {
      range.value = to(Number(input.value));
      tell();
    });
  tell();
  return range;
}

const CONTROLS = {
  number: (field, value, label, changed) => {
    const input = numberInput(field, value, label, changed);
    const range = slider(field, value, label, changed, input);
    return range ? [range, input] : [input];
  },
  switch: (field, value, label, changed) => [
    h("input", {
      type: "checkbox",
      checked: Boolean(value),
      "aria-label": label,
      onchange: (event) => changed(event.target.checked),
    }),
  ],
  choice: (field, value, label, changed) => [
    h(
      "select",
      { "aria-label": label, onchange: (event) => changed(event.target.value) },
      field.choices.map((one) => h("option", { value: one, selected: one === value }, one)),
    ),
  ],
  text: (field, value, label, changed) => {
    const input = h("input", {
      type: "text",
      value: value ?? "",
      maxLength: 200,
      "aria-label": label,
      list: field.name === "turner" ? "turners" : undefined,
    });
    input.addEventListener("change", () => changed(input.value));
    return [input];
  },
  pair: (field, value, label, changed) => {
    const [low, high] = value ?? [null, null];
    const inputs = [];
    const send = () => {
      const pair = inputs.map((input) => number(input.value));
      if (
        pair.every((one) => one !== null) &&
        pair[0] <= pair[1] &&
        inputs.every((i) => i.checkValidity())
      )
        changed(field.name === "notes" ? pair.map(Math.round) : pair);
    };
    inputs.push(
      numberInput(field, low, `${label}, from`, send),
      numberInput(field, high, `${label}, to`, send),
    );
    return [inputs[0], h("span.to", {}, "to"), inputs[1]];
  },
  times: (field, value, label, changed) => {
    const inputs = [0, 1].map((n) =>
      h("input", {
        type: "time",
        value: value?.[n] ?? "",
        "aria-label": `${label}, ${n ? "until" : "from"}`,
      }),
    );
    for (const input of inputs)
      input.addEventListener("change", () => {
        if (inputs.every((one) => one.value)) changed(inputs.map((one) => one.value));
      });
    return [inputs[0], h("span.to", {}, "to"), inputs[1]];
  },
  list: (field, value, label, changed, desk) => {
    const now = [...(value ?? [])];
    const options = field.choices.length ? field.choices : desk.optionsFor(field);
    const rows = now.map((one, n) =>
      h(
        "span.token",
        {},
        one,
        n > 0 &&
          field.name === "treatments" &&
          h(
            "button.tiny",
            {
              "aria-label": `${one} earlier`,
              onclick: () => {
                now.splice(n - 1, 0, now.splice(n, 1)[0]);
                changed(now);
              },
            },
            "‹",
          ),
        h(
          "button.tiny",
          {
            "aria-label": `take out ${one}`,
            onclick: () => {
              now.splice(n, 1);
              changed(now);
            },
          },
          "×",
        ),
      ),
    );
    const add = h(
      "select",
      {
        "aria-label": `${label}, add`,
        onchange: (event) => {
          if (event.target.value) changed([...now, event.target.value]);
        },
      },
      h("option", { value: "" }, now.length ? "add …" : "all; choose …"),
      options.filter((one) => !now.includes(one)).map((one) => h("option", { value: one }, one)),
    );
    return [h("span.tokens", {}, rows, add)];
  },
  rows: (field, value, label, changed, desk) => {
    const now = (value ?? []).map((row) => ({ ...row }));
    const send = () => {
      if (now.every((row) => row.from_hz > 0 && row.to_hz >= row.from_hz && row.striker))
        changed(now);
    };
    const rows = now.map((row, n) =>
      h(
        "span.tablerow",
        {},
        ["from", "to"].map((end) =>
          h("input", {
            type: "number",
            value: row[`${end}_hz`],
            min: 0,
            "aria-label": `row ${n + 1}, ${end} Hz`,
            onchange: (e) => {
              row[`${end}_hz`] = Number(e.target.value);
              send();
            },
          }),
        ),
        h(
          "select",
          {
            "aria-label": `row ${n + 1}, striker`,
            onchange: (e) => {
              row.striker = e.target.value;
              send();
            },
          },
          [...new Set([row.striker, ...desk.optionsFor({ name: "strikers" })])].map((one) =>
            h("option", { value: one, selected: one === row.striker }, one),
          ),
        ),
        h(
          "button.tiny",
          {
            "aria-label": `take out row ${n + 1}`,
            onclick: () => {
              now.splice(n, 1);
              changed(now.length ? now : null);
            },
          },
          "×",
        ),
      ),
    );
    return [
      h(
        "span.tablerows",
        {},
        rows,
        h(
          "button",
          {
            onclick: () => {
              now.push({ from_hz: now.at(-1)?.to_hz ?? 500, to_hz: 8000, striker: "lowest" });
              changed(now);
            },
          },
          "Add a row",
        ),
      ),
    ];
  },
};
CONTROLS.whole = CONTROLS.number;

// The field as a row of the form.
export function fieldRow(field, key, value, given, desk, hooks) {
  const label = field.name.replace(/_(s|hz|db|cents)$/, "").replaceAll("_", " ");
  const id = `f-${key.replaceAll(".", "-")}`;
  const control = CONTROLS[field.control](
    field,
    value,
    label,
    (next) => hooks.changed(key, next),
    desk,
  );
  const defaultSaid =
    field.default === null
      ? "not asked for"
      : Array.isArray(field.default)
        ? field.default.length
          ? field.default.join(" to ")
          : "all or none"
        : String(field.default);
  const help = h("p.help", { id: `${id}-help` }, `${field.meaning}.`);
  const more = h(
    "p.help.more",
    {},
    [field.allowed && `Range: ${field.allowed}`, `default: ${defaultSaid}`]
      .filter(Boolean)
      .join("; "),
    h("br"),
    h("i", {}, `${field.example} sounds: ${field.sound}`),
  );
  for (const each of control)
    if (each.matches?.("input, select")) each.setAttribute("aria-describedby", `${id}-help`);
  const tools = h(
    "span.fieldtools",
    {},
    ["number", "whole"].includes(field.control) &&
      hooks.sweep &&
      h(
        "button.tiny.sweeps",
        {
          title: "Try its range: a curve of what each value makes",
          "aria-label": `sweep ${label}`,
          onclick: () => hooks.sweep(key, field, value),
        },
        "sweep",
      ),
    given &&
      key !== "name" &&
      !/\.name$/.test(key) &&
      h(
        "button.tiny",
        {
          title: "Back to the default",
          "aria-label": `${label}: back to the default`,
          onclick: () => hooks.changed(key, null),
        },
        "↺",
      ),
  );
  return h(
    `div.field${given ? ".given" : ""}`,
    { id, "data-key": key },
    h(
      "div.name",
      {},
      h("span.key", {}, label),
      field.unit && field.unit !== label && h("span.unit", {}, field.unit),
    ),
    h("div.control", {}, control),
    h("div.below", {}, help, tools),
    more,
  );
}
