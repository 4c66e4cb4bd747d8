// The spectrogram's tiles: fetched, coloured, and drawn at any zoom, coarser ones meanwhile.
import { bytes } from "./api.js";
import { greys, onInks } from "./inks.js";

const COLUMNS = 256,
  ROWS = 160,
  TOP_LEVEL = 14,
  KEPT = 160,
  WAITING_MAX = 3;

// After a fault. A tile that is not there yet is asked for at once, since the server waits for it.
const AGAIN_MS = 1000;

export class Tiles {
  constructor(ready) {
    this.ready = ready;
    this.known = new Map();
    this.asked = new Map();
    this.waiting = 0;
    onInks(() => {
      for (const tile of this.known.values()) tile.picture = null;
      ready();
    });
  }

  forget() {
    this.known.clear();
    this.asked.clear();
  }

  level(perS) {
    return Math.min(Math.max(Math.ceil(Math.log2(900 / perS)), 0), TOP_LEVEL);
  }

  picture(level, number) {
    const tile = this.known.get(`${level}/${number}`);
    if (!tile) return null;
    if (!tile.picture) {
      const canvas = new OffscreenCanvas(COLUMNS, ROWS);
      const context = canvas.getContext("2d");
      const image = context.createImageData(COLUMNS, ROWS);
      const out = new Uint32Array(image.data.buffer);
      for (let row = 0; row < ROWS; row++) {
        const from = (ROWS - 1 - row) * COLUMNS,
          to = row * COLUMNS;
        for (let n = 0; n < COLUMNS; n++) out[to + n] = greys[tile.raw[from + n]];
      }
      context.putImageData(image, 0, 0);
      tile.picture = canvas;
    }
    return tile.picture;
  }

  async ask(level, number) {
    const name = `${level}/${number}`;
    const last = this.asked.get(name);
    if (this.waiting >= WAITING_MAX || (last && performance.now() - last < AGAIN_MS)) return;
    this.asked.set(name, performance.now());
    this.waiting++;
    try {
      const raw = await bytes(`/api/tile/${level}/${number}`);
      if (raw) {
        this.known.set(name, { raw: new Uint8Array(raw), picture: null });
        if (this.known.size > KEPT) this.known.delete(this.known.keys().next().value);
      } else this.asked.delete(name);
    } catch {
      /* asked again when it is still wanted */
    } finally {
      this.waiting--;
      setTimeout(this.ready, this.asked.has(name) && !this.known.has(name) ? AGAIN_MS + 20 : 0);
    }
  }

  // What lies in sight: level, length of a tile, and the numbers of the first and the last.
  inSight(axis, whole) {
    const level = this.level(axis.perS);
    const seconds = (COLUMNS * 2 ** level) / 1000;
    return {
      level,
      seconds,
      first: Math.max(Math.floor(axis.from / seconds), 0),
      last: Math.floor(Math.min(axis.to, whole) / seconds),
    };
  }

  // Fetch what lies in sight, before it is drawn for the first time.
  want(axis, whole) {
    const { level, first, last } = this.inSight(axis, whole);
    for (let n = first; n <= last; n++) this.ask(level, n);
  }

  // Draw what is shown into a box; fetch what is missing. Returns whether all was there.
  draw(context, axis, left, top, height, whole) {
    const { level, seconds, first, last } = this.inSight(axis, whole);
    const calm = axis.calm();
    let all = true;
    for (let n = first; n <= last; n++) {
      const x = left + axis.x(n * seconds),
        width = seconds * axis.perS;
      const picture = this.picture(level, n);
      if (picture) context.drawImage(picture, x, top, width + 0.6, height);
      else {
        all = false;
        this.coarser(context, level, n, x, top, width, height);
        if (calm) this.ask(level, n);
      }
    }
    return all;
  }

  coarser(context, level, number, x, top, width, height) {
    for (let up = 1; up <= 7 && level + up <= TOP_LEVEL; up++) {
      const factor = 2 ** up,
        parent = Math.floor(number / factor);
      const picture = this.picture(level + up, parent);
      if (!picture) continue;
      const part = COLUMNS / factor;
      context.drawImage(
        picture,
        (number - parent * factor) * part,
        0,
        part,
        ROWS,
        x,
        top,
        width + 0.6,
        height,
      );
      return;
    }
  }
}
