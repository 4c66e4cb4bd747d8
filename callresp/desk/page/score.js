// The score: spectrogram with notes, phrases of each singer, threads, and a lane for each striker.
import { $, time } from "./dom.js";
import { get } from "./api.js";
import { inks, isDark, onInks } from "./inks.js";
import { Axis } from "./axis.js";
import { Tiles } from "./tiles.js";
import { Levels, place } from "./levels.js";
import { drawKey, drawLanes, drawThreads } from "./lanes.js";

const OVERVIEW = 30,
  GAP = 8,
  AXIS = 34,
  SPECTRUM = 60; // at least
const DETAIL_NOTES = 500,
  DETAIL_PHRASES = 300,
  TRACKS_S = 20;
const STEPS = [
  0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800,
];

export class Score {
  constructor() {
    this.drawing = $("drawing");
    this.overlay = $("overlay");
    this.context = this.drawing.getContext("2d", { alpha: false });
    this.above = this.overlay.getContext("2d");
    this.axis = new Axis(() => this.wake());
    this.tiles = new Tiles(() => this.wake());
    this.state = null;
    this.heard = null;
    this.answer = null;
    this.evidence = null;
    this.selected = null;
    this.loop = null;
    this.playhead = 0;
    this.played = new Map();
    this.tracks = new Map();
    this.tracksFor = null;
    this.dirty = true;
    this.pictured = new Promise((done) => {
      this.tellPictured = done;
    });
    onInks(() => {
      this.small = this.family = null;
      this.wake();
    });
    new ResizeObserver(() => this.resize()).observe($("canvases"));
    this.resize();
    requestAnimationFrame((ms) => this.frame(ms));
  }

  wake() {
    this.dirty = true;
  }

  resize() {
    const box = $("canvases").getBoundingClientRect();
    this.scale = Math.min(window.devicePixelRatio || 1, 2);
    for (const canvas of [this.drawing, this.overlay]) {
      canvas.width = Math.max(Math.round(box.width * this.scale), 1);
      canvas.height = Math.max(Math.round(box.height * this.scale), 1);
    }
    this.width = box.width;
    this.height = box.height;
    this.left = this.width < 560 ? 58 : 96;
    this.right = this.width < 560 ? 8 : 34;
    this.axis.width = Math.max(this.width - this.left - this.right, 1);
    this.lay();
    // Its new size has left it black, and the next frame comes too late.
    if (this.state) this.draw();
  }

  // What has come of state, heard notes and answer; what is there already stays as it is.
  take({ state, heard, answer }) {
    this.setState(state);
    if (heard && !this.heard) this.setHeard(heard);
    if (answer && answer.number === state.answer && answer.number !== this.answer?.number)
      this.setAnswer(answer);
  }

  setState(state) {
    const fresh = !this.state || this.state.source.file !== state.source.file;
    if (
      this.state &&
      this.state.source.low_hz + this.state.source.high_hz !==
        state.source.low_hz + state.source.high_hz
    )
      this.tiles.forget();
    this.state = state;
    this.lowLog = Math.log2(state.source.low_hz);
    this.highLog = Math.log2(state.source.high_hz);
    if (fresh) {
      this.tiles.forget();
      this.tracks.clear();
      this.tracksFor = null;
      this.heard = this.answer = this.evidence = this.selected = this.loop = null;
    }
    if (
      Math.abs(this.axis.whole - state.source.frames / state.source.rate_hz) > 0.01 &&
      state.source.frames > 0
    ) {
      this.axis.setWhole(state.source.frames / state.source.rate_hz);
    }
    // The first are on their way while it is drawn.
    if (fresh && state.source.has_sound) this.tiles.want(this.axis, this.axis.whole);
    this.drawing.hidden = false;
    this.lay();
  }

  setHeard(columns) {
    this.heard = columns;
    const { low_hz: low, high_hz: high } = this.state.source;
    const heights = columns.pitch_hz.map((hz, n) =>
      Math.log2(
        hz ?? Math.sqrt(Math.max(columns.low_hz[n], low) * Math.max(columns.high_hz[n], low)),
      ),
    );
    this.heights = heights;
    this.voices = this.state.source.voices;
    this.noteLevels = new Levels(
      columns.onset_s,
      columns.offset_s,
      heights,
      columns.voice,
      this.voices.length,
    );
    const rows = columns.phrases;
    this.phraseOf = new Map(rows.map((row) => [row[0], row]));
    this.phraseFrom = rows.map((row) => row[2]);
    this.longest = Math.max(0.2, ...rows.map((row) => row[3] - row[2]));
    this.longestNote = columns.offset_s.reduce(
      (most, end, n) => Math.max(most, end - columns.onset_s[n]),
      0.05,
    );
    this.voiceRows = this.rowsOf(this.voices);
    this.phraseLevels = new Levels(
      this.phraseFrom,
      rows.map((row) => row[3]),
      rows.map((row) => this.voiceRows.get(row[1])),
      rows.map((row) => row[1]),
      this.voices.length,
      1,
    );
    this.noteLevels.warm();
    this.phraseLevels.warm();
    this.lay();
  }

  // Voices with an ink of their own have a row; all others share the last.
  rowsOf(voices) {
    const own = voices
      .map((voice, n) => ({ voice, n }))
      .filter(({ voice }) => voice.light !== "#70757c");
    const rows = new Map(own.map(({ n }, row) => [n, row]));
    const rest = voices.length > own.length;
    voices.forEach((_, n) => {
      if (!rows.has(n)) rows.set(n, own.length);
    });
    this.rowNames = own.map(({ voice }) => voice.name).concat(rest ? ["…"] : []);
    this.rowInks = own.map(({ n }) => n).concat(rest ? [-1] : []);
    return rows;
  }

  setAnswer(columns) {
    this.answer = columns;
    const lanes = columns.lane;
    this.strokeLevels = new Levels(
      columns.at_s,
      columns.at_s,
      lanes,
      columns.voice.map((v) => v + 1),
      (this.voices?.length ?? 0) + 1,
      1,
    );
    this.laneTimes = Map.groupBy(columns.at_s.keys(), (n) => lanes[n]);
    for (const [lane, strokes] of this.laneTimes)
      this.laneTimes.set(
        lane,
        strokes.map((n) => columns.at_s[n]),
      );
    this.strokeOf = new Map(columns.reply.map((reply, n) => [reply, n]));
    this.silent = new Set(columns.silent);
    // By the beginning of the call, so that those in sight are found at once.
    this.threads = columns.threads
      .filter((thread) => this.phraseOf?.has(thread[0]))
      .sort((a, b) => this.phraseOf.get(a[0])[2] - this.phraseOf.get(b[0])[2]);
    this.threadFrom = this.threads.map((thread) => this.phraseOf.get(thread[0])[2]);
    this.longestThread = this.threads.reduce(
      (most, [id, , to]) => Math.max(most, to - this.phraseOf.get(id)[2]),
      1,
    );
    this.small = null;
    this.strokeLevels.warm();
    this.wake();
  }

  ink(voice) {
    const own = this.voices?.[voice];
    return own ? (isDark() ? own.dark : own.light) : inks.dark;
  }

  // Where each part stands, from the top down.
  lay() {
    const lanes = this.state?.palette.lanes.length ?? 0;
    const rows = this.rowNames?.length ?? 0;
    const small = this.height < 420;
    const row = small ? 9 : 11,
      thread = small ? 26 : 40;
    const axis = this.state?.source.start ? AXIS : AXIS - 14;
    const fixed = OVERVIEW + GAP + axis + rows * row + thread + 6;
    // A large machine's lanes are narrow: all of them are seen.
    const lane = Math.min(
      Math.max(small ? 13 : 18, Math.min(27, (this.height * 0.36) / Math.max(lanes, 1))),
      Math.max(this.height - fixed - SPECTRUM, 60) / Math.max(lanes, 1),
    );
    const spectrum = Math.max(this.height - fixed - lanes * lane, SPECTRUM);
    let y = 0;
    const put = (height) => {
      const part = { top: y, height };
      y += height;
      return part;
    };
    this.parts = { overview: put(OVERVIEW) };
    y += GAP;
    this.parts.spectrum = put(spectrum);
    y += 4;
    this.parts.phrases = { ...put(rows * row), row };
    this.parts.threads = put(thread);
    this.parts.lanes = { ...put(lanes * lane), lane };
    this.parts.axis = { top: y, height: axis };
    this.small = null;
    this.wake();
  }

  yOf(log2hz) {
    const { top, height } = this.parts.spectrum;
    return top + height * (1 - (log2hz - this.lowLog) / (this.highLog - this.lowLog));
  }

  frame(ms) {
    requestAnimationFrame((next) => this.frame(next));
    // Before there is anything to be drawn a frame would only hold up what is being fetched.
    if (!this.state) return;
    const gliding = this.axis.step(ms),
      drawn = gliding || this.dirty;
    if (drawn) {
      this.dirty = false;
      this.draw();
    }
    // What has not moved is not drawn again, sixty times a second, all day.
    const above = [
      this.playhead,
      this.loop?.from,
      this.loop?.to,
      this.selected?.kind,
      this.selected?.id,
    ].join();
    if (drawn || above !== this.shownAbove) this.drawAbove();
    this.shownAbove = above;
  }

  draw() {
    const { context: c, scale } = this;
    c.setTransform(scale, 0, 0, scale, 0, 0);
    c.fillStyle = inks.ground;
    c.fillRect(0, 0, this.width, this.height);
    const ticks = this.ticks();
    c.save();
    c.beginPath();
    c.rect(this.left, 0, this.width - this.left - this.right, this.height);
    c.clip();
    const box = this.parts.spectrum;
    const seen =
      !this.state.source.has_sound ||
      this.tiles.draw(c, this.axis, this.left, box.top, box.height, this.axis.whole);
    this.drawGrid(c, ticks);
    if (this.heard) {
      if (this.evidence) this.drawEvidence(c);
      this.drawNotes(c);
      this.drawPhrases(c);
    }
    if (this.answer) {
      drawThreads(this, c);
      drawLanes(this, c);
    }
    c.restore();
    this.drawOverview(c);
    this.drawNames(c);
    this.drawAxis(c, ticks);
    drawKey(this, c);
    if (seen && this.heard && this.answer && this.tellPictured) {
      // By the next frame it has been shown.
      requestAnimationFrame(() => performance.mark("pictured"));
      this.tellPictured();
      this.tellPictured = null;
    }
  }

  ticks() {
    const about = Math.max(this.axis.width / 110, 2);
    const step = STEPS.find((each) => this.axis.span / each <= about) ?? 3600;
    const found = [];
    for (let at = Math.ceil(this.axis.from / step) * step; at <= this.axis.to; at += step)
      found.push(at);
    return { step, found };
  }

  drawGrid(c, { found }) {
    c.fillStyle = inks.grid;
    const { spectrum, lanes } = this.parts;
    c.globalAlpha = 0.55;
    for (const at of found)
      c.fillRect(
        Math.round(this.left + this.axis.x(at)),
        spectrum.top,
        1,
        lanes.top + lanes.height - spectrum.top,
      );
    for (const hz of [250, 500, 1000, 2000, 4000, 8000, 16000]) {
      const log = Math.log2(hz);
      if (log > this.lowLog && log < this.highLog)
        c.fillRect(this.left, Math.round(this.yOf(log)), this.axis.width, 1);
    }
    c.globalAlpha = 1;
  }

  visible() {
    const { onset_s: onsets } = this.heard;
    return [place(onsets, this.axis.from - this.longestNote), place(onsets, this.axis.to)];
  }

  drawNotes(c) {
    const [first, last] = this.visible();
    if (last - first > DETAIL_NOTES) {
      const columns = this.noteLevels.at(3 / this.axis.perS);
      columns.forEach((rows, voice) => this.drawCells(c, rows, this.ink(voice)));
      return;
    }
    if (this.axis.span < TRACKS_S && this.axis.calm()) this.needTracks();
    const { onset_s, offset_s, pitch_hz, low_hz, high_hz, voice, id } = this.heard;
    const byVoice = new Map();
    for (let n = first; n < last; n++) {
      if (offset_s[n] < this.axis.from) continue;
      if (!byVoice.has(voice[n])) byVoice.set(voice[n], []);
      byVoice.get(voice[n]).push(n);
    }
    c.lineCap = "round";
    c.lineJoin = "round";
    const wide = this.axis.perS > 60 ? 2.4 : 1.8;
    for (const [one, notes] of byVoice) {
      const path = new Path2D(),
        bare = new Path2D();
      for (const n of notes) {
        const x = this.left + this.axis.x(onset_s[n]),
          end = Math.max(this.left + this.axis.x(offset_s[n]), x + 1.2);
        if (pitch_hz[n] === null) {
          bare.moveTo(x, this.yOf(Math.log2(Math.max(low_hz[n], 60))));
          bare.lineTo(x, this.yOf(Math.log2(Math.max(high_hz[n], low_hz[n] * 1.1, 70))));
          continue;
        }
        const track = this.tracks.get(id[n]);
        if (track && end - x > 5) {
          track.forEach(([at, hz], k) => {
            const px = this.left + this.axis.x(at),
              py = this.yOf(Math.log2(hz));
            if (k) path.lineTo(px, py);
            else path.moveTo(px, py);
          });
        } else {
          const y = this.yOf(this.heights[n]);
          path.moveTo(x, y);
          path.lineTo(end, y);
        }
      }
      c.strokeStyle = this.ink(one);
      c.lineWidth = 1.2;
      c.globalAlpha = 0.7;
      c.stroke(bare);
      c.globalAlpha = 1;
      c.strokeStyle = inks.ground;
      c.lineWidth = wide + 2.2;
      c.stroke(path);
      c.strokeStyle = this.ink(one);
      c.lineWidth = wide;
      c.stroke(path);
    }
  }

  drawCells(c, rows, ink) {
    c.fillStyle = ink;
    const first = Math.max(place(rows.from, this.axis.from) - 1, 0),
      last = place(rows.from, this.axis.to);
    for (let n = first; n < last; n++) {
      const x = this.left + this.axis.x(rows.from[n]);
      const width = Math.max((rows.to[n] - rows.from[n]) * this.axis.perS, 1.6);
      c.fillRect(x, this.yOf(rows.height[n]) - 1, width, 2);
    }
  }

  async needTracks() {
    const wanted = this.tracksFor;
    if (wanted && wanted.from <= this.axis.from && wanted.to >= this.axis.to) return;
    const from = Math.max(this.axis.from - 0.5 * this.axis.span, 0),
      to = this.axis.to + 0.5 * this.axis.span;
    this.tracksFor = { from, to };
    try {
      const found = await get("/api/tracks", { from, to });
      if (this.tracks.size > 8000) this.tracks.clear();
      for (const [id, track] of Object.entries(found.tracks)) this.tracks.set(Number(id), track);
      this.wake();
    } catch {
      this.tracksFor = null;
    }
  }

  drawPhrases(c) {
    const { top, row } = this.parts.phrases;
    const rows = this.heard.phrases;
    const first = place(this.phraseFrom, this.axis.from - this.longest),
      last = place(this.phraseFrom, this.axis.to);
    if (last - first > DETAIL_PHRASES) {
      this.phraseLevels.at(3 / this.axis.perS).forEach((cells, voice) => {
        c.fillStyle = this.ink(voice);
        const begin = Math.max(place(cells.from, this.axis.from) - 1, 0),
          end = place(cells.from, this.axis.to);
        for (let n = begin; n < end; n++) {
          c.fillRect(
            this.left + this.axis.x(cells.from[n]),
            top + (cells.height[n] + 0.5) * row - 1.5,
            Math.max((cells.to[n] - cells.from[n]) * this.axis.perS, 1.4),
            3,
          );
        }
      });
      return;
    }
    for (let n = first; n < last; n++) {
      const [id, voice, from, to] = rows[n];
      const y = top + (this.voiceRows.get(voice) + 0.5) * row;
      const x = this.left + this.axis.x(from),
        width = Math.max((to - from) * this.axis.perS, 2);
      const left = this.silent?.has(id);
      c.fillStyle = this.ink(voice);
      if (!left) {
        c.fillRect(x, y - 2, width, 4);
        continue;
      }
      c.fillRect(x, y - 0.75, width, 1.5);
      c.beginPath();
      c.arc(x + width + 4, y, 2.6, 0, 7);
      c.fillStyle = inks.ground;
      c.fill();
      c.lineWidth = 1.1;
      c.strokeStyle = this.ink(voice);
      c.stroke();
    }
  }

  // What the listener went by about the chosen note: partials, and what was weighed and left out.
  drawEvidence(c) {
    const found = this.evidence;
    if (this.axis.span > 12 || found.to_s < this.axis.from || found.from_s > this.axis.to) return;
    c.fillStyle = inks.changed;
    c.globalAlpha = 0.5;
    for (const [at, hz] of found.points) {
      c.fillRect(
        this.left + this.axis.x(at + found.base_s) - 0.75,
        this.yOf(Math.log2(hz)) - 0.75,
        1.5,
        1.5,
      );
    }
    c.globalAlpha = 1;
    c.setLineDash([3, 3]);
    c.strokeStyle = inks.muted;
    c.lineWidth = 1;
    for (const one of found.left_out) {
      const x = this.left + this.axis.x(one.onset_s + found.base_s);
      const top = this.yOf(Math.log2(Math.max(one.high_hz, one.low_hz * 1.03)));
      c.strokeRect(
        x,
        top,
        Math.max((one.offset_s - one.onset_s) * this.axis.perS, 3),
        Math.max(this.yOf(Math.log2(one.low_hz)) - top, 4),
      );
    }
    c.setLineDash([]);
  }

  // The whole in small, drawn once for what it shows.
  wholeInSmall() {
    const { height } = this.parts.overview,
      { width } = this.axis;
    const perS = width / this.axis.whole;
    const canvas = new OffscreenCanvas(Math.max(width * this.scale, 1), height * this.scale);
    const c = canvas.getContext("2d");
    c.scale(this.scale, this.scale);
    c.fillStyle = inks.shade;
    c.fillRect(0, 0, width, height);
    c.globalAlpha = 0.75;
    if (this.heard) {
      this.noteLevels.at(2.2 / perS).forEach((rows, voice) => {
        c.fillStyle = this.ink(voice);
        for (let n = 0; n < rows.from.length; n++) {
          const share = (rows.height[n] - this.lowLog) / (this.highLog - this.lowLog);
          c.fillRect(
            rows.from[n] * perS,
            (height - 9) * (1 - share) + 1,
            Math.max((rows.to[n] - rows.from[n]) * perS, 1),
            1.4,
          );
        }
      });
    }
    if (this.answer) {
      c.fillStyle = inks.dark;
      for (const rows of this.strokeLevels.at(1.5 / perS)) {
        for (let n = 0; n < rows.from.length; n++)
          c.fillRect(rows.from[n] * perS, height - 6, 1, 5);
      }
    }
    return canvas;
  }

  drawOverview(c) {
    const { top, height } = this.parts.overview;
    const perS = this.axis.width / this.axis.whole;
    this.small ??= this.wholeInSmall();
    c.drawImage(this.small, this.left, top, this.axis.width, height);
    const x = this.left + this.axis.from * perS,
      width = Math.max(this.axis.span * perS, 3);
    if (width < this.axis.width - 1) {
      c.fillStyle = inks.dark;
      c.globalAlpha = 0.1;
      c.fillRect(x, top, width, height);
      c.globalAlpha = 1;
      c.fillRect(x, top, 1.2, height);
      c.fillRect(x + width - 1.2, top, 1.2, height);
    }
  }

  drawNames(c) {
    c.textBaseline = "middle";
    c.textAlign = "right";
    c.font = this.font(11);
    const edge = this.left - 8;
    c.fillStyle = inks.muted;
    for (const hz of [250, 500, 1000, 2000, 4000, 8000, 16000]) {
      const log = Math.log2(hz);
      if (this.lowLog === undefined || log <= this.lowLog || log >= this.highLog) continue;
      c.fillText(hz >= 1000 ? `${hz / 1000} kHz` : `${hz} Hz`, edge, this.yOf(log));
    }
    // Strikers' pitches on the same axis.
    if (this.right > 20) {
      c.fillStyle = inks.dark;
      for (const lane of this.state.palette.lanes) {
        const log = lane.pitch_hz ? Math.log2(lane.pitch_hz) : -1;
        if (log > this.lowLog && log < this.highLog) {
          const y = this.yOf(log),
            x = this.width - this.right + 3;
          c.beginPath();
          c.moveTo(x, y);
          c.lineTo(x + 6, y - 3.5);
          c.lineTo(x + 6, y + 3.5);
          c.fill();
        }
      }
    }
    const { top, row } = this.parts.phrases;
    c.font = this.font(row < 10 ? 8.5 : 10, true);
    (this.rowNames ?? []).forEach((name, n) => {
      c.fillStyle = this.rowInks[n] < 0 ? inks.other : this.ink(this.rowInks[n]);
      c.fillText(name, edge, top + (n + 0.5) * row);
    });
  }

  drawAxis(c, { step, found }) {
    const { top } = this.parts.axis;
    c.textAlign = "center";
    c.textBaseline = "top";
    c.font = this.font(11);
    c.fillStyle = inks.muted;
    const digits = step >= 1 ? 0 : step >= 0.1 ? 1 : step >= 0.01 ? 2 : 3;
    const clock = this.state.source.start;
    for (const at of found) {
      const x = this.left + this.axis.x(at);
      if (x < this.left + 8 || x > this.width - this.right - 8) continue;
      c.fillText(time(at, digits), x, top + 4);
      if (clock && step >= 1) {
        c.globalAlpha = 0.8;
        c.fillText(
          new Date(Date.parse(clock.slice(0, 19)) + 1000 * at).toTimeString().slice(0, 8),
          x,
          top + 18,
        );
        c.globalAlpha = 1;
      }
    }
  }

  font(size, bold = false) {
    this.family ??= getComputedStyle(document.body).fontFamily;
    return `${bold ? "600 " : ""}${size}px ${this.family}`;
  }

  // Playhead, loop, selection: what moves lies above what is costly to draw.
  drawAbove() {
    const { above: c, scale } = this;
    c.setTransform(scale, 0, 0, scale, 0, 0);
    c.clearRect(0, 0, this.width, this.height);
    const { spectrum, lanes, overview } = this.parts;
    const bottom = lanes.top + lanes.height;
    const clamp = (x) => Math.min(Math.max(x, this.left), this.width - this.right);
    if (this.loop) {
      const from = clamp(this.left + this.axis.x(this.loop.from)),
        to = clamp(this.left + this.axis.x(this.loop.to));
      c.fillStyle = inks.dark;
      if (to > from) {
        c.globalAlpha = 0.07;
        c.fillRect(from, spectrum.top, to - from, bottom - spectrum.top);
        c.globalAlpha = 0.6;
        c.fillRect(from, spectrum.top, 1, bottom - spectrum.top);
        c.fillRect(to - 1, spectrum.top, 1, bottom - spectrum.top);
        c.globalAlpha = 1;
        c.fillRect(from, spectrum.top - 3, to - from, 3);
      }
    }
    if (this.selected && this.heard) this.drawSelected(c);
    const perS = this.axis.width / this.axis.whole;
    c.fillStyle = inks.changed;
    c.fillRect(this.left + this.playhead * perS - 0.5, overview.top, 1, overview.height);
    const x = this.left + this.axis.x(this.playhead);
    if (x >= this.left && x <= this.width - this.right) {
      c.fillRect(x - 0.75, spectrum.top - 3, 1.5, bottom - spectrum.top + 3);
      c.beginPath();
      c.moveTo(x - 5, spectrum.top - 8);
      c.lineTo(x + 5, spectrum.top - 8);
      c.lineTo(x, spectrum.top - 1);
      c.fill();
    }
  }

  drawSelected(c) {
    const { kind, id } = this.selected;
    c.strokeStyle = inks.dark;
    c.lineWidth = 1.4;
    if (kind === "note") {
      const n = this.heard.id.indexOf(id);
      if (n < 0) return;
      const x = this.left + this.axis.x(this.heard.onset_s[n]),
        end = this.left + this.axis.x(this.heard.offset_s[n]);
      if (end < this.left || x > this.width - this.right) return;
      const y = this.yOf(this.heights[n]);
      c.beginPath();
      c.roundRect(Math.max(x - 6, this.left), y - 8, Math.max(end - x, 2) + 12, 16, 8);
      c.stroke();
    } else if (this.answer) {
      const n = this.strokeOf.get(id);
      if (n === undefined) return;
      const x = this.left + this.axis.x(this.answer.at_s[n]);
      if (x < this.left || x > this.width - this.right) return;
      const { top, lane } = this.parts.lanes;
      c.beginPath();
      c.arc(x, top + (this.answer.lane[n] + 0.5) * lane, 9, 0, 7);
      c.stroke();
    }
  }

  // What lies under a point of the drawing.
  hit(x, y) {
    if (!this.heard) return null;
    const { spectrum, phrases, lanes } = this.parts;
    const at = this.axis.at(x - this.left);
    if (y >= spectrum.top && y < spectrum.top + spectrum.height) {
      const near = 9 / this.axis.perS;
      const first = place(this.heard.onset_s, at - this.longestNote - near),
        last = place(this.heard.onset_s, at + near);
      let best = null,
        least = 12;
      for (let n = first; n < last; n++) {
        if (this.heard.offset_s[n] < at - near) continue;
        const track = this.heard.pitch_hz[n] === null ? null : this.tracks.get(this.heard.id[n]);
        const hz = track?.reduce((a, b) => (Math.abs(b[0] - at) < Math.abs(a[0] - at) ? b : a))[1];
        let apart = Math.abs(this.yOf(hz ? Math.log2(hz) : this.heights[n]) - y);
        if (this.heard.pitch_hz[n] === null) {
          const low = this.yOf(Math.log2(Math.max(this.heard.low_hz[n], 60))),
            high = this.yOf(Math.log2(Math.max(this.heard.high_hz[n], 70)));
          if (y < low && y > high) apart = Math.min(apart, 6);
        }
        if (apart < least) {
          least = apart;
          best = { kind: "note", id: this.heard.id[n] };
        }
      }
      return best;
    }
    if (y >= phrases.top - 2 && y < phrases.top + phrases.height + 2) {
      const row = Math.floor((y - phrases.top) / phrases.row),
        near = 8 / this.axis.perS;
      const found = this.heard.phrases.find(
        ([, voice, from, to]) =>
          this.voiceRows.get(voice) === row && at > from - near && at < to + near,
      );
      const note = found && this.heard.phrase.indexOf(found[0]);
      return found ? { kind: "note", id: this.heard.id[note] } : null;
    }
    if (this.answer && y >= lanes.top && y < lanes.top + lanes.height) {
      const row = Math.floor((y - lanes.top) / lanes.lane),
        near = 9 / this.axis.perS;
      let best = null,
        least = near;
      const first = place(this.answer.at_s, at - near),
        last = place(this.answer.at_s, at + near);
      for (let n = first; n < last; n++) {
        const apart = Math.abs(this.answer.at_s[n] - at);
        if (this.answer.lane[n] === row && apart < least) {
          least = apart;
          best = { kind: "stroke", id: this.answer.reply[n] };
        }
      }
      return best;
    }
    return null;
  }

  // The call before or after a moment, as a note of it.
  neighbour(forward, fromS) {
    const rows = this.heard?.phrases ?? [];
    const found = forward
      ? rows.find((row) => row[2] > fromS + 1e-6)
      : [...rows].reverse().find((row) => row[2] < fromS - 1e-6);
    return found ? { row: found, note: this.heard.id[this.heard.phrase.indexOf(found[0])] } : null;
  }
}
