// The rules: a form from the struct that checks rule files; added, ordered, switched off, saved.
import { get } from "./api.js";
import { $, counted, fileChoice, fill, h, say, tried } from "./dom.js";
import { fieldRow } from "./fields.js";
import { Sweep } from "./sweep.js";

const GROUPS = [
  [
    "What it says",
    ["treatments", "pitch", "transpose_cents", "table", "rhythm", "stretch", "at_most"],
  ],
  ["How it sounds", ["dynamics", "softer_db", "range_db", "damping"]],
  [
    "On what",
    ["strikers", "unpitched", "turner", "turner_force", "turner_follows", "spread_cents"],
  ],
  ["How often", ["weight", "tires", "varies"]],
];
const USUAL = new Set([
  "pitch",
  "treatments",
  "rhythm",
  "stretch",
  "at_most",
  "softer_db",
  "damping",
  "wait_s",
  "patience_s",
  "rest_s",
  "give_way",
  "share_max",
  "notes",
  "tonality",
  "pitch_hz",
]);

export class Rules {
  constructor(desk, view) {
    this.desk = desk;
    this.view = view;
    this.fields = null;
    this.wishes = [];
    this.open = new Set(["manners", "rule.1"]);
    this.all = new Set();
    this.sweep = new Sweep(desk);
  }

  async load() {
    const form = await get("/api/form");
    this.fields = new Map(form.fields.map((field) => [field.key, field]));
    this.wishes = form.wishes;
  }

  optionsFor(field) {
    const { lanes } = this.desk.state.palette;
    if (field.name === "voices") return this.desk.state.source.voices.map((voice) => voice.name);
    return [...this.wishes, ...lanes.filter((lane) => !lane.turner).map((lane) => lane.name)];
  }

  render(refused = false) {
    const { state } = this.desk;
    if (!this.fields || !state) return;
    const focus = document.activeElement?.closest?.("[data-key]")?.dataset.key;
    const label = document.activeElement?.getAttribute?.("aria-label");
    // A field that is being changed keeps its control: the form is not drawn anew under the hand,
    // but where the change was refused.
    const held =
      !refused && document.activeElement?.matches?.("#view-rules .field input")
        ? document.activeElement
        : null;
    const scroll = $("views").scrollTop;
    const { rules } = state;
    const made = [
      this.head(rules),
      this.sweep.element,
      this.manners(rules),
      ...rules.values.rule.map((rule, n) => this.rule(rule, rules.given.rule[n], n + 1, rules)),
      h("div.buttons", {}, h("button", { onclick: () => this.add() }, "Add a rule")),
      this.about(rules),
      h(
        "datalist",
        { id: "turners" },
        ["any", ...state.palette.lanes.filter((l) => l.turner).map((l) => l.name)].map((one) =>
          h("option", { value: one }),
        ),
      ),
    ];
    if (held) {
      const key = held.closest(".field").dataset.key;
      const fresh = made
        .map((part) => part.querySelector?.(`[data-key="${CSS.escape(key)}"]`))
        .find(Boolean);
      const same = held.closest(".field");
      same.classList.toggle("given", fresh?.classList.contains("given") ?? false);
      fresh?.replaceWith(same);
    }
    fill(this.view, ...made);
    if (held) held.focus({ preventScroll: true });
    else if (focus)
      this.view
        .querySelector(`[data-key="${CSS.escape(focus)}"]`)
        ?.querySelector(label ? `[aria-label="${CSS.escape(label)}"]` : "input, select, button")
        ?.focus({ preventScroll: true });
    $("views").scrollTop = scroll;
  }

  head(rules) {
    const { state } = this.desk;
    const slot = (name) =>
      h(
        "button.slot",
        {
          "aria-pressed": String(rules.slot === name),
          title: `Hear set ${name.toUpperCase()} (key ${name})`,
          onclick: () => this.desk.chooseSet(name),
        },
        `${name.toUpperCase()} `,
        h("small", {}, rules.names[name]),
      );
    return h(
      "section.set",
      {},
      h("h2", {}, "Rules"),
      h(
        "div.slots",
        { role: "group", "aria-label": "The two rule sets" },
        slot("a"),
        slot("b"),
        h(
          "button",
          {
            title: "Make the other set like this one",
            onclick: () => this.desk.change({ op: "copy set" }),
          },
          `Copy to ${rules.slot === "a" ? "B" : "A"}`,
        ),
      ),
      h("p.quiet", {}, rules.values.description),
      h(
        "div.buttons",
        {},
        fileChoice(
          "Take another rule set",
          "Take another set …",
          state.own_rules,
          state.shipped_rules,
          (name) => this.desk.change({ op: "load rules", name }),
        ),
        h(
          "button",
          {
            disabled: !rules.undo,
            title: "Ctrl Z",
            onclick: () => this.desk.change({ op: "undo" }),
          },
          "Undo",
        ),
        h(
          "button",
          {
            disabled: !rules.redo,
            title: "Ctrl Shift Z",
            onclick: () => this.desk.change({ op: "redo" }),
          },
          "Redo",
        ),
        h("button.main", { onclick: () => this.save() }, rules.changed ? "Save …" : "Save as …"),
        h("button", { onclick: () => this.text() }, "As text"),
      ),
      rules.missing.map((line) => h("p.reason", {}, line)),
    );
  }

  details(key, title, ...inner) {
    return h(
      "details.part",
      {
        open: this.open.has(key),
        "data-part": key,
        ontoggle: (event) => {
          if (event.target.open) this.open.add(key);
          else this.open.delete(key);
        },
      },
      h("summary", {}, title),
      ...inner,
    );
  }

  row(fieldKey, key, values, given) {
    const field = this.fields.get(fieldKey);
    const last = field.name;
    return fieldRow(field, key, values?.[last] ?? null, given && last in given, this, {
      changed: (name, value) => this.desk.change({ op: "set", changes: [[name, value]] }),
      sweep: (name, one, value) => this.sweep.start(name, one, value),
    });
  }

  // Settings that the file gives and the usual ones; the others behind a button.
  rows(names, prefix, fieldPrefix, values, given, key) {
    const shown = this.all.has(key)
      ? names
      : names.filter((name) => (given && name in given) || USUAL.has(name));
    return shown.map((name) =>
      this.row(`${fieldPrefix}.${name}`, `${prefix}.${name}`, values, given),
    );
  }

  more(key, hidden) {
    if (!hidden) return null;
    return h(
      "button.link",
      {
        "aria-expanded": String(this.all.has(key)),
        onclick: () => {
          if (this.all.has(key)) this.all.delete(key);
          else this.all.add(key);
          this.render();
        },
      },
      this.all.has(key) ? "Fewer settings" : `All settings (${hidden} more)`,
    );
  }

  manners(rules) {
    const names = [...this.fields.values()]
      .filter((field) => field.table === "manners")
      .map((field) => field.name);
    const given = rules.given.manners ?? {};
    const hidden = names.filter((name) => !(name in given) && !USUAL.has(name)).length;
    return this.details(
      "manners",
      h("span", {}, "Manners ", h("small", {}, "when the machine may speak")),
      ...this.rows(names, "manners", "manners", rules.values.manners, given, "manners"),
      this.more("manners", hidden),
    );
  }

  rule(rule, given, number, rules) {
    const key = `rule.${number}`,
      off = rules.off.includes(number),
      count = rules.values.rule.length;
    const whens = [...this.fields.values()]
      .filter((field) => field.table === "rule.when")
      .map((field) => field.name);
    const whenGiven = given.when ?? {};
    let hidden = whens.filter((name) => !(name in whenGiven) && !USUAL.has(name)).length;
    const groups = GROUPS.map(([title, names]) => {
      hidden += names.filter((name) => !(name in given) && !USUAL.has(name)).length;
      const rows = this.rows(names, key, "rule", rule, given, key);
      return rows.length ? [h("h3.minor", {}, title), ...rows] : [];
    });
    const move = (to) => this.desk.change({ op: "move rule", number, to });
    const tools = h(
      "div.buttons",
      {},
      h(
        "button",
        {
          role: "switch",
          "aria-checked": String(!off),
          onclick: () => this.desk.change({ op: "switch rule", number, on: off }),
        },
        off ? "Switch on" : "Switch off",
      ),
      h(
        "button",
        {
          disabled: number === 1,
          "aria-label": `Rule ${number} earlier`,
          onclick: () => move(number - 1),
        },
        "↑",
      ),
      h(
        "button",
        {
          disabled: number === count,
          "aria-label": `Rule ${number} later`,
          onclick: () => move(number + 1),
        },
        "↓",
      ),
      h("button", { onclick: () => this.add(number) }, "Copy"),
      h(
        "button",
        { disabled: count === 1, onclick: () => this.desk.change({ op: "remove rule", number }) },
        "Take out",
      ),
    );
    const used = this.desk.measures?.byRule?.get(rule.name);
    const title = h(
      "span",
      {},
      `${number}  ${rule.name} `,
      h("small", {}, off ? "switched off" : used ? counted(used, "stroke") : summary(rule)),
    );
    const part = this.details(
      key,
      title,
      tools,
      this.row("rule.name", `${key}.name`, rule, given),
      h("h3.minor", {}, "When"),
      ...this.rows(whens, `${key}.when`, "rule.when", rule.when, whenGiven, key),
      ...groups.flat(),
      this.more(key, hidden),
    );
    part.classList.toggle("off", off);
    return part;
  }

  about(rules) {
    return this.details(
      "about",
      "About the set",
      ...["name", "description", "seed"].map((name) =>
        this.row(name, name, rules.values, rules.given),
      ),
    );
  }

  add(like = null) {
    const names = this.desk.state.rules.values.rule.map((rule) => rule.name);
    let name = like ? `${names[like - 1]} 2` : "new rule";
    for (let n = 2; names.includes(name); n++) name = `${like ? names[like - 1] : "new rule"} ${n}`;
    this.open.add(`rule.${names.length + 1}`);
    this.desk.change({ op: "add rule", name, like });
  }

  // Open the part that holds a setting, and put the cursor there.
  reveal(setting) {
    const generic = setting.replace(/^rule\.(?!\d)/, "rule.1.").replace(/^(tires|when)$/, "rule.1");
    const part = generic.startsWith("rule.")
      ? generic.split(".").slice(0, 2).join(".")
      : generic.split(".")[0];
    this.open.add(part);
    this.all.add(part);
    this.desk.showView("rules");
    this.render();
    const row =
      this.view.querySelector(`[data-key="${CSS.escape(generic)}"]`) ??
      this.view.querySelector(`[data-part="${CSS.escape(part)}"]`);
    row?.scrollIntoView({ block: "center" });
    row?.querySelector("input, select, summary")?.focus();
    row?.classList.add("pointed");
    setTimeout(() => row?.classList.remove("pointed"), 1600);
  }

  save() {
    const { rules, source } = this.desk.state;
    const name = h("input", {
      type: "text",
      value: rules.file || `${source.file.split(".")[0]}-rules.toml`,
      maxLength: 120,
    });
    const over = h("input", { type: "checkbox", checked: Boolean(rules.file) });
    const box = h(
      "dialog.ask",
      {},
      h(
        "form",
        { method: "dialog" },
        h("h2", {}, "Save the rule set"),
        h("p.quiet", {}, "As TOML in the source’s folder, with the comments that it had."),
        h("label", {}, "File name ", name),
        h("label.check", {}, over, " Write over a rule set of that name"),
        h(
          "div.buttons",
          {},
          h("button.main", { value: "save" }, "Save"),
          h("button", { value: "" }, "Cancel"),
        ),
      ),
    );
    document.body.append(box);
    box.addEventListener("close", async () => {
      const wanted = box.returnValue === "save";
      box.remove();
      const given = name.value.trim(),
        file = given.endsWith(".toml") ? given : `${given}.toml`;
      if (wanted) await this.desk.change({ op: "save", name: file, overwrite: over.checked });
    });
    box.showModal();
    name.focus();
    name.select();
  }

  async text() {
    const found = await tried(() => get("/api/text"));
    if (!found) return;
    const box = h(
      "dialog.ask.wide",
      {},
      h(
        "form",
        { method: "dialog" },
        h("h2", {}, "The set as a rule file"),
        h("pre", { tabIndex: 0, "aria-label": "Rule file" }, found.text),
        h(
          "div.buttons",
          {},
          h(
            "button",
            {
              type: "button",
              onclick: async () => {
                try {
                  await navigator.clipboard.writeText(found.text);
                  say("copied");
                } catch {
                  say("the browser did not let it be copied", true);
                }
              },
            },
            "Copy",
          ),
          h("button.main", {}, "Close"),
        ),
      ),
    );
    document.body.append(box);
    box.addEventListener("close", () => box.remove());
    box.showModal();
  }
}

const summary = (rule) => `${rule.treatments.join(", ")}; ${rule.pitch}`;
