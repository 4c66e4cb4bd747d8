// The one time axis: what is shown, and how it moves there.
import { calm } from "./dom.js";

const CLOSEST_S = 0.05;
const GLIDE_MS = 110,
  CALM_MS = 60;

export class Axis {
  constructor(moved) {
    this.from = 0;
    this.to = 60;
    this.whole = 60;
    this.width = 1;
    this.moved = moved;
    this.target = null;
  }

  setWhole(seconds) {
    this.whole = Math.max(seconds, CLOSEST_S);
    this.show(0, Math.min(this.whole, 75), true);
  }

  get span() {
    return this.to - this.from;
  }
  get perS() {
    return this.width / this.span;
  }
  x(seconds) {
    return (seconds - this.from) * this.perS;
  }
  at(x) {
    return this.from + x / this.perS;
  }

  // Go to a stretch, gliding unless motion is unwelcome.
  show(from, to, atOnce = false) {
    const span = Math.min(Math.max(to - from, CLOSEST_S), this.whole);
    const start = Math.min(Math.max((from + to) / 2 - span / 2, 0), this.whole - span);
    this.target = { from: start, to: start + span };
    if (atOnce || calm.matches) {
      this.from = start;
      this.to = start + span;
      this.target = null;
    } else {
      this.began = { from: this.from, to: this.to, ms: performance.now() };
    }
    this.moved();
  }

  // One step of gliding; returns whether it still glides.
  step(nowMs) {
    if (!this.target) return false;
    const share = Math.min((nowMs - this.began.ms) / GLIDE_MS, 1);
    const eased = 1 - (1 - share) ** 3;
    this.from = this.began.from + (this.target.from - this.began.from) * eased;
    this.to = this.began.to + (this.target.to - this.began.to) * eased;
    if (share >= 1) this.target = null;
    return true;
  }

  end() {
    return this.target ?? this;
  }

  // Whether half of what is shown was there a moment ago: what flies past is not worth fetching.
  calm(nowMs = performance.now()) {
    const { past } = this;
    if (!past || nowMs - past.ms > CALM_MS) {
      const shared = past && Math.min(past.to, this.to) - Math.max(past.from, this.from);
      this.isCalm =
        !past ||
        nowMs - past.ms > 4 * CALM_MS ||
        shared > 0.5 * Math.max(this.span, past.to - past.from);
      this.past = { ms: nowMs, from: this.from, to: this.to };
    }
    if (!this.isCalm) {
      clearTimeout(this.later);
      this.later = setTimeout(this.moved, CALM_MS + 20);
    }
    return this.isCalm;
  }

  zoom(factor, aboutX, atOnce = false) {
    const now = this.end();
    const share = aboutX / this.width;
    const about = now.from + (now.to - now.from) * share;
    const span = Math.min(Math.max((now.to - now.from) * factor, CLOSEST_S), this.whole);
    this.show(about - span * share, about + span * (1 - share), atOnce);
  }

  pan(share, atOnce = false) {
    const now = this.end();
    const by = (now.to - now.from) * share;
    this.show(now.from + by, now.to + by, atOnce);
  }

  // Bring a moment into sight, turning the page as one would.
  follow(seconds) {
    const now = this.end();
    const span = now.to - now.from;
    if (seconds < now.from || seconds > now.to - 0.06 * span) {
      this.show(seconds - 0.06 * span, seconds + 0.94 * span);
    }
  }
}
