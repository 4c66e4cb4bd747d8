// The chosen note or stroke: how it was heard, who sang it, what answered it, or why nothing did.
import { get } from "./api.js";
import { counted, fill, force, h, hertz, percent, tell, time, tried } from "./dom.js";

const TERMS = {
  gap: "the gap to its other notes",
  overlap: "overlap",
  level: "level",
  repertoire: "repertoire",
  prior: "few singers are likelier",
  bouts: "how alike their bouts are",
};
const row = (name, ...value) => h("div.row", {}, h("dt", {}, name), h("dd", {}, ...value));

export class Details {
  constructor(desk, view) {
    this.desk = desk;
    this.view = view;
    this.empty();
  }

  empty() {
    this.chosen = null;
    if (this.desk.silence()) {
      this.nothing();
      return;
    }
    const touch = matchMedia("(pointer: coarse)").matches;
    fill(
      this.view,
      h("h2", {}, "Call and answer"),
      h(
        "ol.begin",
        {},
        h(
          "li",
          {},
          "Play. Calls are above, answers on their strikers below, each in its singer’s ink.",
        ),
        h(
          "li",
          {},
          touch
            ? "One finger moves the score, two zoom; Loop repeats what is shown."
            : "Drag over the score to loop a stretch; scroll to zoom, with Shift to move.",
        ),
        h(
          "li",
          {},
          `${touch ? "Touch" : "Click"} a note or a stroke to be told why. A call that ends in ○ was left alone: ${touch ? "touch" : "click"} it, and have it answered.`,
        ),
        h(
          "li",
          {},
          `Change the rules while it plays. What you change is heard at once, and undone by ${touch ? "Undo among the rules" : "Ctrl Z"}; A and B compare two sets.`,
        ),
      ),
      this.steps(),
    );
  }

  nothing() {
    const { source } = this.desk.state;
    fill(
      this.view,
      h("h2", {}, "No call was heard"),
      source.warnings.slice(0, 1).map((text) => h("p.reason", {}, sentence(text))),
      h(
        "p",
        {},
        "So there is nothing to answer yet. Play it: if you hear a voice, the listener may need another profile, such as frog or insect, or the recording more gain.",
      ),
      h(
        "p",
        {},
        "Listen with one by ",
        h("code", {}, `callresp transcribe ${source.file} --profile frog`),
        " and open the desk again, or open another recording. Strikers can be pressed to hear on the palette meanwhile.",
      ),
    );
  }

  steps() {
    return h(
      "div.buttons",
      {},
      h("button", { onclick: () => this.desk.neighbour(false) }, "‹ Call before"),
      h("button", { onclick: () => this.desk.neighbour(true) }, "Next call ›"),
      h("button", { onclick: () => this.desk.nextSilent() }, "Next left alone ○"),
    );
  }

  async show(chosen) {
    this.chosen = chosen;
    const answer = this.desk.state?.answer;
    if (!answer) return;
    if (chosen.kind === "note") await this.note(answer, chosen.id);
    else await this.stroke(answer, chosen.id);
  }

  // After a change the same note is told anew.
  async again() {
    if (this.chosen) await tried(() => this.show(this.chosen));
  }

  async note(answer, id) {
    const found = await get(`/api/answer/${answer}/note/${id}`);
    if (this.chosen?.id !== id) return;
    this.desk.choosePhrase(found.phrase.id);
    const same = this.view.dataset.shown === `note ${id}`;
    this.view.dataset.shown = `note ${id}`;
    if (!same)
      tell(
        `Note ${id} at ${time(found.onset_s, 1)}, ${hertz(found.pitch_hz)}, singer ${found.voice}, call ${found.phrase.id}: ${found.phrase.why ? `left alone, ${found.phrase.why}` : found.phrase.rule ? `answered by ${found.phrase.rule}, ${counted(found.phrase.replies.length, "stroke")}` : "not answered yet"}`,
      );
    const evidence = same ? this.view.querySelector(".evidence") : this.evidence(id);
    fill(
      this.view,
      h("h2", {}, `Note ${id}`, this.voice(found.voice)),
      h(
        "dl",
        {},
        row(
          "From",
          `${time(found.onset_s, 3)}, ${Math.round(1000 * (found.offset_s - found.onset_s))} ms long`,
        ),
        row("Pitch", hertz(found.pitch_hz)),
        row(
          "Level",
          `${found.level_db.toFixed(1).replace("-", "−")} dB re full scale, ${found.snr_db.toFixed(0)} dB over the place`,
        ),
        row("Tonality", `${found.tonality.toFixed(2)} (0 noise, 1 tone)`),
      ),
      this.phrase(answer, found.phrase),
      evidence,
      this.steps(),
    );
  }

  voice(name) {
    const voice = this.desk.state.source.voices.findIndex((one) => one.name === name);
    return h("span.voice", {}, this.chip(voice), ` singer ${name}`);
  }

  chip(voice) {
    const chip = h("i.chip", { "aria-hidden": "true" });
    chip.style.background = this.desk.score.ink(voice);
    return chip;
  }

  phrase(answer, phrase) {
    const facts =
      `Call ${phrase.id}: ${counted(phrase.notes, "note")}, ${(phrase.offset_s - phrase.onset_s).toFixed(2)} s, ` +
      `${hertz(phrase.pitch_hz)}, tonality ${phrase.tonality.toFixed(2)}`;
    const play = h(
      "button",
      { onclick: () => this.desk.playFrom(phrase.onset_s - 0.3) },
      "▸ Play from here",
    );
    if (phrase.why)
      return h(
        "section.answered.alone",
        {},
        h("h3", {}, "Left alone"),
        h("p", {}, facts),
        h("p.reason", {}, sentence(phrase.why)),
        this.remedy(answer, phrase),
        phrase.setting
          ? h(
              "div.buttons",
              {},
              h(
                "button",
                { onclick: () => this.desk.rules.reveal(phrase.setting) },
                "Show the setting",
              ),
              play,
            )
          : play,
      );
    if (!phrase.rule)
      return h(
        "section.answered",
        {},
        h("p", {}, facts),
        h(
          "p.quiet",
          {},
          phrase.provisional ? "The whole is still being answered." : "No reply is known.",
        ),
      );
    const strokes = phrase.replies.map((one) =>
      h(
        "li",
        {},
        h(
          "button.link",
          { onclick: () => this.desk.choose({ kind: "stroke", id: one.reply }, true) },
          `${time(one.onset_s, 2)}  ${one.instrument}, ${force(one.force)}`,
        ),
      ),
    );
    return h(
      "section.answered",
      {},
      h("h3", {}, `Answered by ‘${phrase.rule}’`),
      h("p", {}, facts),
      h("ol.strokes", {}, strokes),
      h(
        "div.buttons",
        {},
        phrase.rule_number &&
          h(
            "button",
            { onclick: () => this.desk.rules.reveal(`rule.${phrase.rule_number}`) },
            "Show the rule",
          ),
        play,
      ),
    );
  }

  remedy(answer, phrase) {
    const box = h("div.remedy", {}, h("p.quiet", {}, "Trying what would have it answered …"));
    get(`/api/answer/${answer}/remedy/${phrase.id}`)
      .then(({ remedy }) => {
        if (!remedy) {
          fill(
            box,
            h("p.quiet", {}, "No single step of its setting has it answered: look at the setting."),
          );
          return;
        }
        fill(
          box,
          h(
            "button.main",
            { onclick: () => this.desk.change({ op: "set", changes: remedy.changes }) },
            "Answer it",
          ),
          h("p", {}, h("code", {}, remedy.said)),
          h(
            "p.quiet",
            {},
            `Of ${counted(remedy.calls, "call")} about here ${remedy.answered_after} would be answered, ` +
              (remedy.answered_after === remedy.answered_before
                ? "as many as now."
                : `not ${remedy.answered_before}.`),
          ),
        );
      })
      .catch((fault) => fill(box, h("p.quiet", {}, fault.message)));
    return box;
  }

  evidence(id) {
    const box = h("section.evidence", {}, h("h3", {}, "How it was heard"));
    if (!this.desk.state.source.has_sound) {
      box.append(
        h(
          "p.quiet",
          {},
          "The recording is not here: put it beside the score, and it is seen and heard too.",
        ),
      );
      return box;
    }
    const wait = h("p.quiet", {}, "Hearing the stretch again …");
    box.append(wait);
    get(`/api/evidence/${id}`)
      .then((found) => {
        wait.remove();
        if (this.chosen?.kind !== "note" || this.chosen.id !== id) return;
        this.desk.score.evidence = found;
        this.desk.score.wake();
        const singer = found.singer;
        if (singer) {
          box.append(
            h(
              "p",
              {},
              `Sung by ${singer.voice}. How much likelier that is, in nats (of which one is 2.7 times):`,
            ),
            h(
              "ul.plain",
              {},
              singer.against.slice(0, 4).map((one) =>
                h(
                  "li",
                  {},
                  h("b", {}, one.nats.toFixed(1)),
                  ` rather than ${one.instead}: `,
                  Object.entries(TERMS)
                    .filter(([term]) => Math.abs(one[term]) >= 0.05)
                    .map(
                      ([term, said]) =>
                        `${said} ${one[term] > 0 ? "+" : "−"}${Math.abs(one[term]).toFixed(1)}`,
                    )
                    .join(", "),
                ),
              ),
            ),
          );
        }
        const note = nearest(found, this.desk.score, id);
        if (note?.remark) box.append(h("p", {}, sentence(note.remark)));
        box.append(
          h(
            "p",
            {},
            `${counted(found.points.length, "partial")} about it stood ${found.floor_asked_db} dB or more over the noise floor; they are dotted in the score when you zoom in.`,
          ),
        );
        if (found.left_out.length) {
          box.append(
            h("p", {}, "Weighed and left out near it (dashed):"),
            h(
              "ul.plain",
              {},
              found.left_out
                .slice(0, 6)
                .map((one) =>
                  h(
                    "li",
                    {},
                    `${time(one.onset_s + found.base_s, 2)}, ${hertz(one.low_hz)}: ${one.why}${one.setting ? ` (${one.setting} of the profile ‘${found.profile || "general"}’)` : ""}`,
                  ),
                ),
            ),
          );
        } else box.append(h("p.quiet", {}, "Nothing near it was left out."));
      })
      .catch((fault) => {
        wait.textContent = fault.message;
      });
    return box;
  }

  async stroke(answer, id) {
    const found = await get(`/api/answer/${answer}/stroke/${id}`);
    if (this.chosen?.id !== id) return;
    if (this.view.dataset.shown !== `stroke ${id}`)
      tell(`Stroke on ${found.instrument} at ${time(found.onset_s, 1)}, ${force(found.force)}`);
    this.view.dataset.shown = `stroke ${id}`;
    this.desk.choosePhrase(found.phrase.id);
    const off =
      found.off_cents === null
        ? null
        : `${found.off_cents > 0 ? "+" : "−"}${Math.abs(found.off_cents).toFixed(0)} cents from what was asked, octaves aside`;
    fill(
      this.view,
      h("h2", {}, `Stroke on ${found.instrument}`, this.voice(found.phrase.voice)),
      h(
        "dl",
        {},
        row("At", time(found.onset_s, 3)),
        row("Force", `${percent(found.force)} of its range`),
        row(
          "Rings",
          found.offset_s === null
            ? "free"
            : `until its damper falls, ${Math.round(1000 * (found.offset_s - found.onset_s))} ms on`,
        ),
        row("Pitch", found.struck_hz === null ? "none of its own" : hertz(found.struck_hz)),
        off && row("Pitch error", off),
        found.heard !== null &&
          row(
            "Came from",
            h(
              "button.link",
              { onclick: () => this.desk.choose({ kind: "note", id: found.heard }, true) },
              `note ${found.heard}, ${hertz(found.heard_hz)}`,
            ),
          ),
        row("Why", sentence(found.why)),
      ),
      found.changes.length
        ? h(
            "section",
            {},
            h("h3", {}, "Changed by a limit"),
            h(
              "ul.plain",
              {},
              found.changes.map((one) =>
                h(
                  "li",
                  {},
                  `${one.change}${one.asked !== null && one.given !== null ? ` from ${one.asked} to ${one.given} ${one.unit}` : ""}: ${one.why} (${one.limit})`,
                ),
              ),
            ),
          )
        : h("p.quiet", {}, "No limit changed it."),
      this.phrase(answer, found.phrase),
      this.steps(),
    );
  }
}

function nearest(found, score, id) {
  const at = score.heard.onset_s[score.heard.id.indexOf(id)] - found.base_s;
  return [...found.notes].sort((a, b) => Math.abs(a.onset_s - at) - Math.abs(b.onset_s - at))[0];
}

const sentence = (text) => (text ? `${text[0].toUpperCase()}${text.slice(1)}.` : "");
