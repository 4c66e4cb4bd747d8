// The desk: one state, told by the server; views that show it; keys and hands that change it.
import { get, post } from "./api.js";
import { $, counted, fill, h, say, time, tried } from "./dom.js";
import { chooseTheme, isDark, onInks } from "./inks.js";
import { Details } from "./details.js";
import { listenToHands, listenToKeys, showKeys } from "./hands.js";
import { Machine } from "./machine.js";
import { Measures } from "./measures.js";
import { Mix } from "./mix.js";
import { opened } from "./opening.js";
import { Palette } from "./palette.js";
import { pictured, score } from "./picture.js";
import { Rules } from "./rules.js";
import { Sound } from "./sound.js";

const VIEWS = [
  ["call", "Call"],
  ["rules", "Rules"],
  ["palette", "Palette"],
  ["mix", "Mix"],
  ["machine", "Machine"],
];
const HOLD_MS = 60,
  RESTS_MS = 250;

class Desk {
  constructor() {
    this.state = null;
    this.loudness = null;
    this.waiting = null;
    this.sentMs = -1e9;
    this.busy = false;
    this.stale = new Set();
    this.sound = new Sound({
      ended: () => this.tellPlaying(),
      swapped: () => {},
      looped: () => this.machine.looped(),
    });
    this.score = score;
    this.measures = new Measures(this);
    this.views = new Map(
      VIEWS.map(([name]) => [
        name,
        h(`section.view`, {
          id: `view-${name}`,
          role: "tabpanel",
          "aria-labelledby": `tab-${name}`,
          hidden: true,
        }),
      ]),
    );
    $("views").append(...this.views.values());
    this.details = new Details(this, this.views.get("call"));
    this.rules = new Rules(this, this.views.get("rules"));
    this.palette = new Palette(this, this.views.get("palette"));
    this.mix = new Mix(this, this.views.get("mix"));
    this.machine = new Machine(this, this.views.get("machine"));
    this.makeTabs();
    this.makeTools();
    this.makeTransport();
    listenToHands(this);
    listenToKeys(this);
    this.showView("call");
    // Another tab may have changed what is played meanwhile.
    addEventListener("focus", () => this.catchUp());
    requestAnimationFrame(() => this.tick());
  }

  async catchUp() {
    if (!this.state?.source.ready || this.sending) return;
    const state = await tried(() => get("/api/state", { around: this.seconds }));
    if (!state || this.sending || JSON.stringify(state) === JSON.stringify(this.state)) return;
    const other = state.source.file !== this.state.source.file;
    await this.take(state);
    if (other) await this.refresh();
  }

  get seconds() {
    return this.sound.seconds;
  }
  get distance() {
    return this.state?.distance_m ?? null;
  }

  async start() {
    // Nothing that the first picture can do without is asked for before it.
    pictured.then(() => tried(() => this.rules.load())).then(() => this.renderViews());
    await this.refresh(opened);
  }

  // Ask how it stands until it has been heard; the spectrogram is there meanwhile.
  async refresh(asked = get("/api/opened", { around: this.seconds })) {
    const found = await tried(() => asked);
    if (!found) {
      setTimeout(() => this.refresh(), 1500);
      return;
    }
    score.take(found);
    await this.take(found.state);
    if (!found.state.source.ready) setTimeout(() => this.refresh(), 0);
  }

  async take(state, began) {
    const before = this.state;
    this.state = state;
    const other = !before || before.source.file !== state.source.file;
    if (state.source.ready) this.waitsFrom = null;
    if (other) {
      this.sound.setSource(state.source);
      this.loudness = null;
      this.details.empty();
    }
    score.take({ state });
    this.tellFacts();
    if (state.sound && state.sound !== this.sound.sound) this.sound.swap(state.sound, began);
    const fresh = state.answer && state.answer !== before?.answer;
    const [heard, answer] = await Promise.all([
      state.answer && !score.heard ? tried(() => get("/api/score")) : null,
      state.answer && score.answer?.number !== state.answer
        ? tried(() => get(`/api/answer/${state.answer}`))
        : null,
    ]);
    score.take({ state: this.state, heard, answer });
    if (fresh && state.whole) this.measure(this.measures.now ? RESTS_MS : 0);
    else if (fresh) this.finish(state.answer);
    // While it is being heard only the share changes: nothing is drawn anew under the hand.
    if (other || state.source.ready) this.renderViews();
    if (this.silence()) this.details.empty();
    else this.details.again();
    if (state.told) say(state.told);
    if (state.trouble && state.trouble !== before?.trouble) say(state.trouble, true);
    if (state.source.fault) say(state.source.fault, true);
  }

  // Measures wait until the hand rests: while they are worked out the next change would wait.
  measure(afterMs) {
    clearTimeout(this.measuresLater);
    this.measuresLater = setTimeout(async () => {
      if (this.sending) {
        this.measure(RESTS_MS);
        return;
      }
      await pictured;
      await tried(() => this.measures.load(this.state.answer));
      this.renderViews();
    }, afterMs);
  }

  // The whole behind a stretch that was answered first.
  async finish(answer) {
    const whole = await tried(() => get(`/api/answer/${answer}/whole`));
    if (whole?.answer && this.state.answer === answer) await this.take(whole);
  }

  // Changes go out one at a time; of those that come meanwhile the latest of each setting counts.
  change(op) {
    const began = performance.now();
    const key =
      op.op === "set" ? `set ${op.changes.map(([name]) => name).join()}` : `${op.op} ${began}`;
    this.waiting ??= new Map();
    this.waiting.delete(key);
    this.waiting.set(key, { op, began });
    return (this.sending ??= this.send().finally(() => {
      this.sending = null;
    }));
  }

  async send() {
    while (this.waiting?.size) {
      const [[key, { op, began }]] = this.waiting;
      this.waiting.delete(key);
      // A single change goes out at once; of a hand that moves a slider the next few are awaited.
      if (this.waiting.size === 0 && op.op === "set" && performance.now() - this.sentMs < HOLD_MS)
        await new Promise((go) => setTimeout(go, HOLD_MS));
      if (this.waiting.has(key)) continue;
      const state = await tried(() => post("/api/do", { ...op, around_s: this.seconds }));
      this.sentMs = performance.now();
      if (state) {
        this.loudness = op.op === "choose" ? this.loudness : null;
        await this.take(state, began);
      } else this.renderViews(true);
    }
  }

  async chooseSet(slot) {
    if (!this.state?.answer) return;
    this.wanted = slot;
    if (!this.loudness) {
      say("making the two sets equally loud …");
      await (this.measuring ??= this.measureLoudness().finally(() => {
        this.measuring = null;
      }));
      // Whoever pressed the other key meanwhile wants that.
      if (this.wanted !== slot) return;
    }
    await this.change({ op: "choose", slot });
    if (this.loudness) this.sound.setEqual(10 ** (this.loudness.gain_db[slot] / 20));
    say(`Set ${slot.toUpperCase()}: ${this.state.rules.names[slot]}`);
  }

  async measureLoudness() {
    const { from, to } = this.sound.loop
      ? { from: this.score.loop.from, to: this.score.loop.to }
      : { from: this.seconds, to: this.seconds + 20 };
    this.loudness =
      (await tried(() => get("/api/loudness", { from, to: Math.min(to, from + 30) }))) ?? null;
    this.mix.tellEqual();
  }

  renderViews(refused = false) {
    this.renderTools();
    const name = this.shown;
    if (name === "rules") this.rules.render(refused);
    if (name === "palette") this.palette.render();
    if (name === "mix") this.mix.render();
    if (name === "machine") this.machine.render();
    this.renderOffer();
  }

  renderOffer() {
    const { offered } = this.state ?? {};
    const box = $("offer");
    box.hidden = !offered;
    if (!offered) return;
    const when = new Date(offered.at);
    box.replaceChildren(
      h(
        "p",
        {},
        `${counted(offered.changes, "change")} of ${when.toLocaleString([], { dateStyle: "medium", timeStyle: "short" })} had not been saved.`,
      ),
      h("button.main", { onclick: () => this.change({ op: "resume" }) }, "Take up again"),
      h("button", { onclick: () => this.change({ op: "forget" }) }, "Leave"),
    );
  }

  showView(name) {
    this.shown = name;
    for (const [one, view] of this.views) {
      view.hidden = one !== name;
      const tab = $(`tab-${one}`);
      tab.setAttribute("aria-selected", String(one === name));
      tab.tabIndex = one === name ? 0 : -1;
    }
    $("views").scrollTop = 0;
    if (this.state) this.renderViews();
  }

  makeTabs() {
    const tabs = VIEWS.map(([name, said]) =>
      h(
        "button.tab",
        {
          id: `tab-${name}`,
          role: "tab",
          "aria-controls": `view-${name}`,
          onclick: () => this.showView(name),
        },
        said,
      ),
    );
    $("tabs").append(...tabs);
    $("tabs").addEventListener("keydown", (event) => {
      const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (!by) return;
      event.preventDefault();
      event.stopPropagation();
      const next =
        (VIEWS.findIndex(([name]) => name === this.shown) + by + VIEWS.length) % VIEWS.length;
      this.showView(VIEWS[next][0]);
      tabs[next].focus();
    });
  }

  makeTools() {
    this.renderTools();
    onInks(() => this.renderTools());
  }

  renderTools() {
    const { state } = this;
    const several = state && state.sources.length > 1;
    const shown = JSON.stringify([state?.sources, state?.source.file, state?.rules.slot, isDark()]);
    if (shown === this.toolsShown) return;
    this.toolsShown = shown;
    fill(
      $("tools"),
      several &&
        h(
          "label",
          {},
          h("span.unseen", {}, "Recording"),
          h(
            "select",
            { id: "pick-source", onchange: (event) => this.open(event.target.value) },
            state.sources.map((name) =>
              h("option", { value: name, selected: name === state.source.file }, name),
            ),
          ),
        ),
      state &&
        h(
          "div.slots",
          { role: "group", "aria-label": "Rule set heard" },
          ["a", "b"].map((slot) =>
            h(
              "button.slot",
              {
                id: `hear-${slot}`,
                "aria-pressed": String(state.rules.slot === slot),
                title: `Hear set ${slot.toUpperCase()} (key ${slot})`,
                onclick: () => this.chooseSet(slot),
              },
              slot.toUpperCase(),
            ),
          ),
        ),
      h("button", { id: "keys", title: "What the keys do (?)", onclick: showKeys }, "Keys"),
      h(
        "button",
        {
          id: "theme",
          title: "Light or dark",
          onclick: () => chooseTheme(isDark() ? "light" : "dark"),
        },
        isDark() ? "Light" : "Dark",
      ),
    );
  }

  async open(name) {
    const state = await tried(() => post("/api/do", { op: "open", name }));
    if (!state) return;
    this.measures.now = this.measures.before = null;
    this.measures.number = 0;
    await this.take(state);
    await this.refresh();
  }

  makeTransport() {
    this.play = h("button.main.play", { id: "play", onclick: () => this.toggle() }, "Play");
    this.clock = h("span.clock", { id: "clock" }, "0:00.0");
    this.loopButton = h(
      "button",
      {
        id: "loop",
        "aria-pressed": "false",
        title: "Loop what is shown (L)",
        onclick: () => this.toggleLoop(),
      },
      "Loop",
    );
    const zoom = (factor) => this.score.axis.zoom(factor, this.score.axis.width / 2);
    $("transport").append(
      this.play,
      this.clock,
      this.loopButton,
      h("span.spring"),
      h("button", { title: "Nearer (↑)", "aria-label": "Nearer", onclick: () => zoom(0.5) }, "+"),
      h("button", { title: "Farther (↓)", "aria-label": "Farther", onclick: () => zoom(2) }, "−"),
      h(
        "button",
        { title: "Show all (F)", onclick: () => this.score.axis.show(0, this.score.axis.whole) },
        "All",
      ),
    );
  }

  async toggle() {
    if (!this.state?.source) return;
    if (this.machine.running) {
      await this.machine.stop();
      return;
    }
    if (this.sound.playing) this.sound.pause();
    else await tried(() => this.sound.play());
    this.tellPlaying();
  }

  async playFrom(seconds) {
    if (!this.state) return;
    this.sound.seek(Math.max(seconds, 0));
    if (!this.sound.playing) await tried(() => this.sound.play());
    this.tellPlaying();
  }

  seek(seconds) {
    if (this.machine.running) this.machine.stop();
    if (this.state) this.sound.seek(seconds);
  }

  setLoop(loop) {
    if (this.machine.running) {
      this.machine.stop();
      say("the loop has changed: the machine is stopped");
    }
    this.score.loop = loop;
    this.sound.setLoop(loop);
    if (loop && (this.seconds < loop.from || this.seconds >= loop.to)) this.sound.seek(loop.from);
    this.loopButton.setAttribute("aria-pressed", String(Boolean(loop)));
    this.loudness = null;
  }

  toggleLoop() {
    if (this.score.loop) {
      this.setLoop(null);
      say("no loop");
      return;
    }
    const { from, to } = this.score.axis.end();
    this.setLoop({ from, to });
    say(`loops ${time(from, 1)} to ${time(to, 1)}`);
  }

  async choose(chosen, show = false) {
    this.score.selected = chosen;
    this.score.evidence = null;
    this.showView("call");
    if (show) this.bringIntoSight(chosen);
    await tried(() => this.details.show(chosen));
    this.score.wake();
  }

  bringIntoSight(chosen) {
    const { score } = this;
    const at =
      chosen.kind === "note"
        ? score.heard.onset_s[score.heard.id.indexOf(chosen.id)]
        : score.answer.at_s[score.strokeOf.get(chosen.id)];
    const { from, to } = score.axis.end();
    if (at === undefined || (at > from + 0.04 * (to - from) && at < to - 0.1 * (to - from))) return;
    const span = Math.min(to - from, 30);
    score.axis.show(at - 0.25 * span, at + 0.75 * span);
  }

  choosePhrase(id) {
    this.score.selectedPhrase = id;
    this.score.wake();
  }

  fromHere() {
    const { selected, heard } = this.score;
    return selected?.kind === "note" ? heard.onset_s[heard.id.indexOf(selected.id)] : this.seconds;
  }

  neighbour(forward) {
    const { selectedPhrase, phraseOf } = this.score;
    const from = this.score.selected
      ? (phraseOf?.get(selectedPhrase)?.[2] ?? this.fromHere())
      : this.seconds - (forward ? 1e-3 : 0);
    const found = this.score.neighbour(forward, from);
    if (found) this.choose({ kind: "note", id: found.note }, true);
    else if (this.unheard()) say(this.unheard());
    else say(forward ? "that was the last call" : "that was the first call");
  }

  // The note before or after the chosen one, or the playhead.
  neighbourNote(forward) {
    const { heard, selected } = this.score;
    if (!heard?.id.length) {
      say(this.unheard());
      return;
    }
    const own = selected?.kind === "note" ? heard.id.indexOf(selected.id) : -1;
    const after = heard.onset_s.findIndex((at) => at > this.fromHere() - 1e-6);
    const next =
      own >= 0
        ? own + (forward ? 1 : -1)
        : forward
          ? after
          : (after < 0 ? heard.id.length : after) - 1;
    if (next in heard.id) this.choose({ kind: "note", id: heard.id[next] }, true);
    else say(forward ? "that was the last note" : "that was the first note");
  }

  // Why there is no call to go to; nothing where there is one.
  unheard() {
    return this.silence()
      ? "no call was heard"
      : this.score.heard
        ? undefined
        : "it is still being heard";
  }

  // Whether there is nothing to answer.
  silence() {
    return Boolean(this.state?.source.ready) && !this.state.source.notes;
  }

  nextSilent() {
    const { score } = this;
    const from = score.selected ? this.fromHere() : this.seconds;
    const rows = (score.heard?.phrases ?? []).filter((row) => score.silent?.has(row[0]));
    const found = rows.find((row) => row[2] > from + 1e-6) ?? rows[0];
    if (found)
      this.choose({ kind: "note", id: score.heard.id[score.heard.phrase.indexOf(found[0])] }, true);
    else say(this.unheard() ?? "every call is answered");
  }

  tellFacts() {
    const { source, palette, rules } = this.state;
    document.title = `${source.name} – callresp desk`;
    $("title").textContent = source.name;
    const facts = [time(source.duration_s)];
    if (!source.ready) {
      this.waitsFrom ??= performance.now();
      facts.push(
        source.share > 0
          ? `hearing it, ${Math.round(100 * source.share)} %`
          : performance.now() - this.waitsFrom > 6000
            ? "hearing it; the first time the listener is compiled, which takes a minute or two"
            : "hearing it …",
      );
    } else if (this.silence()) facts.push("no call was heard");
    else
      facts.push(
        `${counted(source.notes, "note")} in ${counted(source.phrases, "call")} of ${counted(source.voices.length, "singer")}`,
      );
    facts.push(`‘${rules.values.name}’ on ${palette.title}`);
    if (!source.has_sound) facts.push("the recording is not here");
    facts.push(...source.warnings.slice(0, 1));
    $("facts").textContent = facts.join("  ·  ");
  }

  tellPlaying() {
    const on = this.sound.playing;
    this.play.textContent = on ? "Pause" : "Play";
  }

  tick() {
    requestAnimationFrame(() => this.tick());
    if (!this.state) return;
    const at = this.seconds;
    this.score.playhead = at;
    if (this.sound.playing && !this.holding) this.score.axis.follow(at);
    const told = `${time(at, 1)}`;
    if (this.clock.textContent !== told) this.clock.textContent = told;
    if (this.play.textContent !== (this.sound.playing ? "Pause" : "Play")) this.tellPlaying();
  }
}

// The text comes with its showing, so that it is read aloud.
addEventListener("lost", ({ detail: gone }) => {
  $("lost").hidden = !gone;
  $("lost").textContent = gone
    ? "The desk does not answer. If it was stopped, start it again and open the address that it prints: what you changed is kept, and offered there."
    : "";
});

const desk = new Desk();
window.desk = desk; // for tests and the bench, and for whoever likes to look
desk.start();
