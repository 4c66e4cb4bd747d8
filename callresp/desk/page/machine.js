// The machine: the loop on real strikers, in time with the chorus from the loudspeaker.
// Cautions first, then a yes; a red stop here, at the top of the page and on the space bar.
import { get, post } from "./api.js";
import { $, counted, fill, h, say, tried } from "./dom.js";

const POLL_MS = 250,
  LEAD_S = 1.6,
  HORIZON_S = 6,
  CLOCKS = 24;

export class Machine {
  constructor(desk, view) {
    this.desk = desk;
    this.view = view;
    this.state = null;
    this.ports = ["simulated"];
    this.cautions = [];
    this.port = "simulated";
    this.yes = false;
    this.extra = 0;
    this.both = false;
    this.clocks = [];
    this.sent = 0;
    this.bar = h(
      "div.stopbar",
      { hidden: true, role: "alert" },
      h("button.stop", { id: "stop", onclick: () => this.stop() }, "Stop the machine"),
      h("span", { id: "stop-said" }, "Space stops it too."),
    );
    document.body.prepend(this.bar);
  }

  get running() {
    return Boolean(this.state?.running) || this.starting;
  }

  // The server's clock against the page's: of the latest round trips the quickest is nearest.
  async poll() {
    const began = performance.now();
    const found = await get("/api/board");
    this.learn(found, began, performance.now());
  }

  learn(found, began, ended) {
    this.clocks.push({ trip: ended - began, ahead: found.now_s - (began + ended) / 2000 });
    if (this.clocks.length > CLOCKS) this.clocks.shift();
    this.state = found.state;
    this.ports = found.ports;
    this.cautions = found.cautions;
  }

  get ahead() {
    return this.clocks.reduce((a, b) => (b.trip < a.trip ? b : a)).ahead;
  }

  // When a sample of the context leaves the loudspeaker, in seconds of the server's clock.
  heardAt(frame) {
    const { sound } = this.desk;
    return frame / sound.context.sampleRate + sound.behind + this.ahead + this.extra / 1000;
  }

  async start() {
    if (!this.yes) {
      say("read the cautions and say yes first", true);
      return;
    }
    const { desk } = this;
    if (!desk.score.loop) desk.toggleLoop();
    const { from, to } = desk.score.loop;
    this.starting = true;
    this.tellBar();
    try {
      await desk.sound.wake();
      desk.sound.pause();
      await post("/api/board/start", { port: this.port, from_s: from, to_s: to, yes: true });
      for (let n = 0; n < 60; n++) {
        await this.poll();
        if (this.state.ready && n >= 6) break;
        if (!this.state.running) throw new Error(this.state.said);
        await new Promise((go) => setTimeout(go, 60));
      }
      if (!this.state.ready) throw new Error("the board did not answer");
      desk.sound.seek(from);
      const { context } = desk.sound;
      this.first = Math.ceil((context.currentTime + LEAD_S) * context.sampleRate);
      this.sent = 0;
      this.loops = 0;
      desk.sound.playAt(this.first);
      if (!this.both) {
        this.kept = desk.mix.faders.machine;
        desk.sound.setGains({ machine: 0 });
      }
      this.starting = false;
      this.keepGoing();
    } catch (fault) {
      this.starting = false;
      await this.stop();
      say(fault.message, true);
    }
    this.render();
  }

  // While it runs: send coming passes, keep the server told that the page is there.
  async keepGoing() {
    if (!this.running) return;
    try {
      await this.sendPasses();
      await this.poll();
    } catch (fault) {
      // Who has just stopped it need not be told that it does not go on.
      if (this.running && !this.stopping) say(fault.message, true);
    }
    this.tellPlayed();
    if (!this.state?.running) {
      this.ended();
      return;
    }
    this.tellBar();
    setTimeout(() => this.keepGoing(), POLL_MS);
  }

  async sendPasses() {
    const { sound, score } = this.desk;
    if (!sound.loop || !score.loop) return;
    const rate = sound.context.sampleRate,
      length = sound.loop.to - sound.loop.from;
    // The frame at which each coming pass begins: the first as it was set, later ones from where
    // the sound is now.
    const starts = [];
    let pass = this.sent;
    const next =
      this.loops === 0 && !sound.last.playing
        ? this.first
        : sound.last.frame + (sound.loop.to - sound.last.at) - (this.loops + 1) * length;
    for (; pass < this.sent + 24; pass++) {
      const frame = pass === 0 ? this.first : next + pass * length;
      const at = this.heardAt(frame),
        now = performance.now() / 1000 + this.ahead;
      if (at > now + HORIZON_S) break;
      if (at > now + 0.3) starts.push(at);
    }
    this.sent = pass;
    if (starts.length) await post("/api/board/passes", { starts_s: starts });
  }

  looped() {
    this.loops += 1;
  }

  tellPlayed() {
    const now = performance.now() / 1000 + this.ahead;
    const { played } = this.desk.score;
    played.clear();
    for (const [reply, at] of this.state?.strokes ?? []) if (now - at < 0.5) played.set(reply, at);
    this.desk.score.wake();
  }

  async stop() {
    this.desk.sound.pause();
    const began = performance.now();
    this.stopping = true;
    const found = await tried(() => post("/api/board/stop", {}));
    if (found) this.learn(found, began, performance.now());
    this.ended();
    this.stopping = false;
  }

  ended() {
    this.desk.sound.setGains({
      machine: this.desk.mix.alone === "chorus" ? 0 : this.desk.mix.faders.machine,
    });
    this.desk.sound.pause();
    this.desk.score.played.clear();
    if (this.state?.said) say(`The machine: ${this.state.said}`);
    this.tellBar();
    this.render();
  }

  tellBar() {
    this.bar.hidden = !this.running;
    document.body.classList.toggle("striking", this.running);
    if (this.running)
      $("stop-said").textContent = this.starting
        ? "Asking the board … Space stops it."
        : this.summary();
  }

  summary() {
    const s = this.state;
    const parts = [`${counted(s.played, "command")} played`];
    if (s.refused) parts.push(`${s.refused} not`);
    if (s.worst_ms !== null) parts.push(`${s.worst_ms.toFixed(1)} ms off at most`);
    if (s.supply_v) parts.push(`${s.supply_v.toFixed(1)} V`);
    if (s.coil_c !== null) parts.push(`warmest coil ${s.coil_c.toFixed(0)} °C`);
    return [...parts, ...s.faults, "Space stops it too"].join("  ·  ");
  }

  async render() {
    if (!this.desk.state || this.desk.shown !== "machine") return;
    if (!this.cautions.length) await tried(() => this.poll());
    const running = this.running;
    const ready = h(
      "button.main",
      {
        id: "start-machine",
        disabled: running || !this.yes,
        title: "After the cautions",
        onclick: () => this.start(),
      },
      "Start the machine",
    );
    const check = h("input", {
      type: "checkbox",
      id: "clear",
      checked: this.yes,
      disabled: running,
      onchange: (event) => {
        this.yes = event.target.checked;
        ready.disabled = !this.yes;
      },
    });
    fill(
      this.view,
      h("h2", {}, "Machine"),
      h(
        "p.quiet",
        {},
        "Plays the answers under the loop on the strikers themselves, in time with the chorus from your loudspeaker.",
      ),
      h("h3", {}, "Cautions"),
      h(
        "ul.cautions",
        {},
        this.cautions.map((one) => h("li", {}, `${one[0].toUpperCase()}${one.slice(1)}.`)),
      ),
      h("label.check", {}, check, " I have read these, and the machine is clear."),
      h("h3", {}, "Where"),
      h(
        "label.fader",
        {},
        h("span", {}, "Port"),
        h(
          "select",
          {
            disabled: running,
            onchange: (event) => {
              this.port = event.target.value;
            },
          },
          this.ports.map((one) => h("option", { value: one, selected: one === this.port }, one)),
        ),
      ),
      h(
        "label.fader",
        {},
        h("span", {}, "Loudspeaker later by"),
        h("input", {
          type: "number",
          min: 0,
          max: 500,
          value: this.extra,
          "aria-label": "Further delay of the loudspeaker, ms",
          onchange: (event) => {
            this.extra = Number(event.target.value) || 0;
          },
        }),
        " ms",
      ),
      h(
        "p.quiet",
        {},
        "The sound card’s own delay is taken off already; a wireless loudspeaker has more.",
      ),
      h(
        "label.check",
        {},
        h("input", {
          type: "checkbox",
          checked: this.both,
          disabled: running,
          onchange: (event) => {
            this.both = event.target.checked;
          },
        }),
        " Let the page sound the strikers too",
      ),
      h(
        "div.buttons",
        {},
        ready,
        running ? h("button.stop", { onclick: () => this.stop() }, "Stop") : null,
      ),
      this.state && !running
        ? h(
            "p.quiet",
            {},
            `Last run: ${this.state.said}; ${counted(this.state.played, "command")} played${this.state.refused ? `, ${this.state.refused} not` : ""}${this.state.worst_ms !== null ? `, ${this.state.worst_ms.toFixed(1)} ms off at most` : ""}.`,
          )
        : null,
    );
  }
}
