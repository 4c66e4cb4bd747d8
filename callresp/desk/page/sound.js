// What is heard: chunks fetched ahead of the playhead, handed to the mixer, and where the sound is.
import { bytes } from "./api.js";

const AHEAD = 3,
  READINGS = 61;

export class Sound {
  constructor(hooks) {
    this.hooks = hooks;
    this.gains = { chorus: 1, machine: 1, master: 0.8 };
    this.set = { a: 1, b: 1 };
    this.sound = 0;
    this.source = null;
    this.context = null;
    this.node = null;
    this.last = { at: 0, frame: 0, playing: false };
    this.readings = [];
    this.fetched = new Map();
    this.loop = null;
    this.waiters = new Map();
  }

  // Browsers let sound begin only after the user has done something.
  async wake() {
    if (!this.source) return;
    if (this.context && this.context.sampleRate !== this.source.rate_hz) {
      await this.context.close();
      this.context = this.node = null;
    }
    if (!this.context) {
      this.context = new AudioContext({
        sampleRate: this.source.rate_hz,
        latencyHint: "interactive",
      });
      await this.context.audioWorklet.addModule("/page/mixer-worklet.js");
      this.node = new AudioWorkletNode(this.context, "mixer", { outputChannelCount: [2] });
      this.node.connect(this.context.destination);
      this.node.port.onmessage = ({ data }) => this.take(data);
      this.tell({ do: "source", chunk: this.source.chunk, frames: this.source.frames });
      this.tellGains();
      this.tell({ do: "seek", at: this.last.at });
      if (this.loop) this.tell({ do: "loop", loop: this.loop });
      this.fetched.clear();
      this.readings = [];
      this.swap(this.sound);
    }
    if (this.context.state !== "running") await this.context.resume();
  }

  tell(message, given = []) {
    this.node?.port.postMessage(message, given);
  }

  take(told) {
    if (told.tape) {
      this.recorded?.(told);
      return;
    }
    this.last = told;
    if (told.swapped) {
      const began = this.waiters.get(told.swapped);
      this.waiters.delete(told.swapped);
      if (began !== undefined) {
        this.swapMs = performance.now() - began + 1000 * (this.context.outputLatency || 0);
        this.hooks.swapped?.(told.swapped, this.swapMs);
      }
    }
    if (told.ended) this.hooks.ended?.();
    if (told.looped) this.hooks.looped?.(told);
    this.feed();
  }

  setSource(source) {
    this.source = source;
    this.last = { at: 0, frame: 0, playing: false };
    this.loop = null;
    this.sound = 0;
    this.fetched.clear();
    this.tell({ do: "source", chunk: source.chunk, frames: source.frames });
  }

  // How far the page's clock is ahead of the sound that leaves the loudspeaker. A single reading is
  // off by a block of the sound card now and then; the median of some is not.
  get behind() {
    const stamp = this.context.getOutputTimestamp();
    if (!(stamp.performanceTime > 0))
      return (
        performance.now() / 1000 - this.context.currentTime + (this.context.outputLatency || 0)
      );
    if (stamp.contextTime !== this.stamped) {
      this.stamped = stamp.contextTime;
      this.readings.push(stamp.performanceTime / 1000 - stamp.contextTime);
      if (this.readings.length > READINGS) this.readings.shift();
      this.median = [...this.readings].sort((a, b) => a - b)[this.readings.length >> 1];
    }
    return this.median;
  }

  // Where the sound is that leaves the loudspeaker now, in seconds of the recording.
  get seconds() {
    if (!this.source) return 0;
    const rate = this.source.rate_hz;
    if (!this.context) return this.last.at / rate;
    const heard = performance.now() / 1000 - this.behind;
    if (!this.last.playing || this.last.starved) return this.last.at / rate;
    let at = this.last.at / rate + heard - this.last.frame / rate;
    if (this.loop) {
      const from = this.loop.from / rate,
        to = this.loop.to / rate;
      if (at >= to) at = from + (at - to);
      else if (at < from && this.last.at / rate >= from) at = to - (from - at);
    }
    return Math.max(at, 0);
  }

  get playing() {
    return Boolean(this.last.playing);
  }

  async play() {
    await this.wake();
    this.feed();
    this.tell({ do: "play" });
    this.last = {
      ...this.last,
      playing: true,
      frame: this.context ? this.context.currentTime * this.context.sampleRate : 0,
    };
  }

  // From a frame of the context's clock on, to the sample.
  playAt(when) {
    this.feed();
    this.tell({ do: "play", when });
  }

  pause() {
    this.tell({ do: "pause" });
    this.last = { ...this.last, playing: false };
  }

  seek(seconds) {
    const at = Math.min(
      Math.max(Math.round(seconds * this.source.rate_hz), 0),
      this.source.frames - 1,
    );
    this.last = {
      ...this.last,
      at,
      frame: this.context ? this.context.currentTime * this.context.sampleRate : 0,
    };
    this.tell({ do: "seek", at });
    this.feed();
  }

  setLoop(loop) {
    const rate = this.source?.rate_hz ?? 1;
    this.loop = loop && { from: Math.round(loop.from * rate), to: Math.round(loop.to * rate) };
    this.tell({ do: "loop", loop: this.loop });
    if (this.node) this.feed();
  }

  setGains(gains) {
    Object.assign(this.gains, gains);
    this.tellGains();
  }

  setEqual(gain) {
    this.equal = gain;
    this.tellGains();
  }

  tellGains() {
    const { chorus, machine, master } = this.gains;
    this.tell({ do: "gains", gains: { chorus, machine, master: master * (this.equal ?? 1) } });
  }

  // Exchange the machine's sound; `began` is when the change was made, for what it took.
  swap(sound, began = performance.now()) {
    this.sound = sound;
    if (!sound || !this.node) return;
    this.waiters.clear();
    this.waiters.set(sound, began);
    this.feed();
    this.tell({ do: "swap", sound });
  }

  chunksWanted() {
    const { chunk, frames } = this.source;
    const first = Math.floor(this.last.at / chunk),
      most = Math.floor((frames - 1) / chunk);
    const wanted = [];
    for (let n = first; n <= Math.min(first + AHEAD, most); n++) wanted.push(n);
    if (this.loop) {
      const from = Math.floor(this.loop.from / chunk),
        to = Math.floor((this.loop.to - 1) / chunk);
      for (let n = from; n <= Math.min(from + 1, to); n++) wanted.push(n);
    }
    return [...new Set(wanted)];
  }

  feed() {
    if (!this.node || !this.source) return;
    const wanted = this.chunksWanted();
    for (const number of wanted) {
      const sounds = this.sound ? [this.sound, 0] : [0];
      for (const sound of sounds) this.fetch(sound, number);
      // What is heard now comes before what will be.
      if (!sounds.every((sound) => this.fetched.get(`${sound}/${number}`))) break;
    }
    const name = wanted.join();
    if (name !== this.kept) {
      this.kept = name;
      this.tell({ do: "keep", chorus: wanted, machine: wanted });
      for (const each of this.fetched.keys()) {
        const [sound, number] = each.split("/").map(Number);
        if (!wanted.includes(number) || (sound && sound !== this.sound)) this.fetched.delete(each);
      }
    }
  }

  async fetch(sound, number) {
    const name = `${sound}/${number}`;
    if (this.fetched.has(name)) return;
    this.fetched.set(name, false);
    try {
      const path = sound ? `/api/machine/${sound}/${number}` : `/api/chorus/${number}`;
      const samples = new Float32Array(await bytes(path));
      this.tell({ do: "chunk", sound, number, samples }, [samples.buffer]);
      if (!this.fetched.has(name)) return;
      this.fetched.set(name, true);
      this.feed();
    } catch {
      setTimeout(() => this.fetched.delete(name), 300);
    }
  }

  async strike(striker, force, damped) {
    await this.wake();
    const samples = new Float32Array(
      await bytes("/api/struck", { striker, force, damped: damped ? 1 : 0 }),
    );
    this.tell({ do: "strike", samples }, [samples.buffer]);
  }

  // What the mixer gives out, to be compared with what it was given.
  record(frames) {
    return new Promise((resolve) => {
      this.recorded = resolve;
      this.tell({ do: "record", frames });
    });
  }
}
