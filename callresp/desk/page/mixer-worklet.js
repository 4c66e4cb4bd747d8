// The mixer, in the sound's own thread: chorus and machine side by side to the sample, looped, and
// one machine exchanged for another by a short crossfade, so that nothing clicks and nothing waits.
const FADE = 1024,
  GAIN_STEP = 1 / 480,
  REPORT = 4,
  EDGE = 192;

class Mixer extends AudioWorkletProcessor {
  constructor() {
    super();
    this.chunk = 65536;
    this.frames = 0;
    this.chorus = new Map();
    this.machines = new Map(); // sound number → chunks
    this.now = 0;
    this.next = 0;
    this.faded = 0;
    this.at = 0;
    this.playing = false;
    this.loop = null;
    this.starved = false;
    this.edge = EDGE;
    this.gains = { chorus: 1, machine: 1, master: 0.8 };
    this.set = { chorus: 1, machine: 1, master: 0.8 };
    this.one = null;
    this.oneAt = 0;
    this.tape = null;
    this.count = 0;
    this.when = null;
    this.note = null;
    this.port.onmessage = ({ data }) => this.take(data);
  }

  take(told) {
    switch (told.do) {
      case "source": // another recording: all that is known of the old one goes
        this.chunk = told.chunk;
        this.frames = told.frames;
        this.chorus.clear();
        this.machines.clear();
        this.now = this.next = 0;
        this.at = 0;
        this.playing = false;
        this.loop = null;
        break;
      case "chunk": {
        const chunks =
          told.sound === 0
            ? this.chorus
            : (this.machines.get(told.sound) ??
              this.machines.set(told.sound, new Map()).get(told.sound));
        chunks.set(told.number, told.samples);
        break;
      }
      case "swap":
        if (this.next && this.next !== told.sound) this.settle();
        if (told.sound !== this.now) {
          this.next = told.sound;
          this.faded = 0;
        }
        break;
      case "play":
        this.playing = told.when === undefined;
        this.when = told.when ?? null;
        this.edge = 0;
        break;
      case "pause":
        this.playing = false;
        this.when = null;
        break;
      case "seek":
        this.at = told.at;
        this.edge = 0;
        this.report();
        break;
      case "loop":
        this.loop = told.loop;
        break;
      case "gains":
        Object.assign(this.set, told.gains);
        break;
      case "strike":
        this.one = told.samples;
        this.oneAt = 0;
        break;
      case "keep":
        this.keep(told.chorus, told.machine);
        break;
      case "record":
        this.tape = { samples: new Float32Array(told.frames), at: 0, from: null };
        break;
    }
  }

  keep(chorus, machine) {
    for (const n of this.chorus.keys()) if (!chorus.includes(n)) this.chorus.delete(n);
    for (const [sound, chunks] of this.machines) {
      if (sound !== this.now && sound !== this.next) {
        this.machines.delete(sound);
        continue;
      }
      for (const n of chunks.keys()) if (!machine.includes(n)) chunks.delete(n);
    }
  }

  settle() {
    this.machines.delete(this.now);
    this.now = this.next;
    this.next = 0;
    this.faded = 0;
  }

  // Whether all that this moment needs is here.
  has(number) {
    const own = this.machines.get(this.now);
    return this.chorus.has(number) && (this.now === 0 || own?.has(number));
  }

  report(extra) {
    this.port.postMessage({
      at: this.at,
      frame: currentFrame,
      playing: this.playing,
      starved: this.starved,
      sound: this.now,
      ...extra,
    });
  }

  process(_, [output]) {
    const out = output[0],
      n = out.length;
    const ramp = (name) => {
      this.gains[name] += Math.max(
        Math.min(this.set[name] - this.gains[name], GAIN_STEP),
        -GAIN_STEP,
      );
    };
    for (let i = 0; i < n; i++) {
      ramp("chorus");
      ramp("machine");
      ramp("master");
      let sample = 0;
      if (this.when !== null && currentFrame + i >= this.when) {
        this.playing = true;
        this.when = null;
      }
      if (this.playing) sample = this.step();
      if (this.one) {
        sample += this.one[this.oneAt++] * this.gains.machine;
        if (this.oneAt >= this.one.length) this.one = null;
      }
      out[i] = sample * this.gains.master;
    }
    for (let k = 1; k < output.length; k++) output[k].set(out);
    if (this.tape) this.record(out);
    // What is told is where the next block begins.
    if (++this.count % REPORT === 0 || this.note) {
      this.report({ frame: currentFrame + n, ...this.note });
      this.note = null;
    }
    return true;
  }

  step() {
    const number = Math.floor(this.at / this.chunk);
    if (!this.has(number)) {
      this.starved = true;
      this.edge = 0;
      return 0;
    }
    this.starved = false;
    const place = this.at - number * this.chunk;
    const own = this.machines.get(this.now)?.get(number);
    let machine = own ? own[place] : 0;
    if (this.next) {
      const fresh = this.machines.get(this.next)?.get(number);
      if (fresh) {
        if (this.faded === 0) this.note = { swapped: this.next, swapAt: this.at };
        const share = this.faded / FADE;
        machine = machine * (1 - share) + fresh[place] * share;
        if (++this.faded > FADE) this.settle();
      }
    }
    const edge = this.edge < EDGE ? this.edge++ / EDGE : 1;
    const sample =
      (this.chorus.get(number)[place] * this.gains.chorus + machine * this.gains.machine) * edge;
    this.at++;
    if (this.loop && this.at >= this.loop.to) {
      this.at = this.loop.from;
      this.edge = 0;
      this.note = { ...this.note, looped: true };
    } else if (this.at >= this.frames) {
      this.playing = false;
      this.at = 0;
      this.note = { ...this.note, ended: true };
    }
    return sample;
  }

  record(out) {
    const { tape } = this;
    if (tape.from === null)
      tape.from = { at: this.at - (this.playing ? out.length : 0), frame: currentFrame };
    const room = Math.min(out.length, tape.samples.length - tape.at);
    tape.samples.set(out.subarray(0, room), tape.at);
    tape.at += room;
    if (tape.at >= tape.samples.length) {
      this.port.postMessage({ tape: tape.samples, from: tape.from }, [tape.samples.buffer]);
      this.tape = null;
    }
  }
}

registerProcessor("mixer", Mixer);
