// The machine's part of the score: threads from call to answer, a lane for each striker.
import { inks } from "./inks.js";
import { place } from "./levels.js";

const DETAIL_STROKES = 320,
  THREADS_MAX = 120,
  RING_MAX_S = 9;

export function drawThreads(score, c) {
  const { threads } = score.parts;
  const first = place(score.threadFrom, score.axis.from - score.longestThread),
    last = place(score.threadFrom, score.axis.to);
  if (last - first > THREADS_MAX) return;
  const shown = score.threads.slice(first, last).filter((thread) => thread[2] > score.axis.from);
  for (const [id, from, to] of shown) {
    const phrase = score.phraseOf.get(id);
    const start = score.left + score.axis.x(phrase[3]),
      end = score.left + score.axis.x(from);
    const top =
      score.parts.phrases.top + (score.voiceRows.get(phrase[1]) + 0.5) * score.parts.phrases.row;
    const bottom = threads.top + threads.height - 3;
    const chosen = score.selectedPhrase === id;
    c.strokeStyle = c.fillStyle = score.ink(phrase[1]);
    c.globalAlpha = chosen ? 1 : 0.5;
    c.lineWidth = chosen ? 2 : 1;
    c.beginPath();
    c.moveTo(start, top);
    c.bezierCurveTo(start, (top + bottom) / 2, end, (top + bottom) / 2, end, bottom);
    c.stroke();
    c.globalAlpha = chosen ? 1 : 0.8;
    c.fillRect(end, bottom, Math.max((to - from) * score.axis.perS, 2), chosen ? 3 : 2);
  }
  c.globalAlpha = 1;
}

export function drawLanes(score, c) {
  const { top, height, lane } = score.parts.lanes;
  const { answer, axis, left } = score;
  c.fillStyle = inks.grid;
  for (let n = 0; n < height / lane - 0.5; n++)
    c.fillRect(left, Math.round(top + (n + 0.5) * lane), axis.width, 1);
  drawTurns(score, c);
  const first = place(answer.at_s, axis.from - RING_MAX_S),
    last = place(answer.at_s, axis.to);
  if (last - first > DETAIL_STROKES) {
    score.strokeLevels.at(3 / axis.perS).forEach((rows, group) => {
      c.fillStyle = score.ink(group - 1);
      const from = Math.max(place(rows.from, axis.from) - 1, 0),
        to = place(rows.from, axis.to);
      for (let n = from; n < to; n++)
        c.fillRect(
          left + axis.x(rows.from[n]),
          top + (rows.height[n] + 0.24) * lane,
          1.6,
          lane * 0.52,
        );
    });
  } else {
    for (let n = first; n < last; n++) drawRing(score, c, n);
    for (let n = first; n < last; n++) drawStroke(score, c, n);
  }
  drawDropped(score, c);
  if (!answer.whole) veil(score, c);
}

const middle = (score, row) => score.parts.lanes.top + (row + 0.5) * score.parts.lanes.lane;

// How a stroke rings: a wedge that thins out by dB, cut off by an upright bar where a damper falls.
function drawRing(score, c, n) {
  const { answer, axis, left } = score;
  const scale = score.parts.lanes.lane / 27;
  const at = answer.at_s[n],
    until = Math.min(answer.until_s[n], at + answer.free_s[n]);
  const tall = (3.4 + 7.2 * answer.force[n]) * scale;
  const rest = Math.max(1 - (until - at) / answer.free_s[n], 0) * tall;
  const x = left + axis.x(at),
    end = left + axis.x(until),
    y = middle(score, answer.lane[n]);
  c.fillStyle = score.ink(answer.voice[n]);
  c.globalAlpha = 0.3;
  c.beginPath();
  c.moveTo(x, y - tall);
  c.lineTo(end, y - rest);
  c.lineTo(end, y + rest);
  c.lineTo(x, y + tall);
  c.fill();
  c.globalAlpha = 1;
  if (answer.damped[n] && end - x > 2) {
    const stop = Math.max(rest, 3 * scale) + 1.5;
    c.fillRect(end - 0.75, y - stop, 1.5, 2 * stop);
  }
}

function drawStroke(score, c, n) {
  const { answer, axis, left } = score;
  const scale = Math.sqrt(score.parts.lanes.lane / 27);
  const x = left + axis.x(answer.at_s[n]),
    y = middle(score, answer.lane[n]);
  const radius = Math.sqrt(9 + 55 * answer.force[n]) * 0.62 * scale;
  const sounding = score.played.get(answer.reply[n]);
  c.beginPath();
  c.arc(x, y, radius + 0.8, 0, 7);
  c.fillStyle = inks.ground;
  c.fill();
  c.beginPath();
  c.arc(x, y, radius, 0, 7);
  c.fillStyle = score.ink(answer.voice[n]);
  c.fill();
  if (answer.changed[n] || sounding) {
    c.beginPath();
    c.arc(x, y, radius + 3, 0, 7);
    c.strokeStyle = sounding ? inks.dark : inks.changed;
    c.lineWidth = 1.2;
    c.stroke();
  }
}

function drawDropped(score, c) {
  c.strokeStyle = inks.changed;
  c.lineWidth = 1.6;
  if (score.answer.dropped.length > DETAIL_STROKES && score.axis.span > 300) return;
  for (const [at, lane] of score.answer.dropped) {
    if (at < score.axis.from || at > score.axis.to) continue;
    const x = score.left + score.axis.x(at),
      y = middle(score, lane);
    c.beginPath();
    c.moveTo(x - 3.5, y - 3.5);
    c.lineTo(x + 3.5, y + 3.5);
    c.moveTo(x + 3.5, y - 3.5);
    c.lineTo(x - 3.5, y + 3.5);
    c.stroke();
  }
}

function drawTurns(score, c) {
  c.fillStyle = inks.dark;
  for (const [lane, curve] of score.answer.turns) {
    const y = middle(score, lane),
      tall = score.parts.lanes.lane * 0.36;
    const from = Math.max(curve.findIndex((point) => point[0] >= score.axis.from) - 1, 0);
    c.globalAlpha = 0.18;
    c.beginPath();
    const shown = [];
    for (let n = from; n < curve.length; n++) {
      shown.push([score.left + score.axis.x(curve[n][0]), curve[n][1] * tall]);
      if (curve[n][0] > score.axis.to) break;
    }
    shown.forEach(([x, half], n) => (n ? c.lineTo(x, y - half) : c.moveTo(x, y - half)));
    shown.reverse().forEach(([x, half]) => c.lineTo(x, y + half));
    c.fill();
    c.globalAlpha = 1;
  }
}

// What is not answered yet, while only the stretch around the playhead is.
function veil(score, c) {
  const { top, height } = score.parts.lanes;
  c.fillStyle = inks.ground;
  c.globalAlpha = 0.7;
  const from = score.left + score.axis.x(score.answer.from_s),
    to = score.left + score.axis.x(score.answer.to_s);
  c.fillRect(score.left, top, from - score.left, height);
  c.fillRect(to, top, score.width - to, height);
  c.globalAlpha = 1;
}

// Names of the lanes, and how many strokes are in sight.
export function drawKey(score, c) {
  const { top, lane } = score.parts.lanes;
  const inSight = (n) => {
    const times = score.laneTimes?.get(n) ?? [];
    return place(times, score.axis.to) - place(times, score.axis.from);
  };
  const muted = new Set(score.state.muted);
  const each = Math.ceil(7 / lane); // of narrow lanes not every one has room for its name
  score.state.palette.lanes.forEach((item, n) => {
    if (n % each && !score.laneTimes?.has(n)) return;
    const y = top + (n + 0.5) * lane;
    const below = item.said === item.kind && item.name.includes(item.kind) ? "" : item.said;
    const tall = below && lane > 21 && score.left > 70;
    c.textAlign = "right";
    c.textBaseline = "middle";
    c.fillStyle = muted.has(item.name) ? inks.muted : inks.dark;
    c.font = score.font(Math.min(score.left > 70 ? 11.5 : 9.5, Math.max(lane, 7)));
    c.fillText(
      muted.has(item.name) ? `(${item.name})` : item.name,
      score.left - 8,
      y - (tall ? 4 : 0),
      score.left - 10,
    );
    if (tall) {
      c.font = score.font(8.5);
      c.fillStyle = inks.muted;
      c.fillText(below, score.left - 8, y + 7);
    }
    if (score.right > 20) {
      c.textAlign = "left";
      c.font = score.font(Math.min(10, Math.max(lane, 7)));
      c.fillStyle = inks.muted;
      c.fillText(inSight(n) || "–", score.width - score.right + 5, y);
    }
  });
}
