// Levels of detail: 20,000 notes drawn as no more rectangles than the picture has room for.
// Notes of a voice that share a cell of time and pitch become one; cells are twice as long
// from level to level.

const CELL_OCTAVE = 1 / 5;

export class Levels {
  // times, ends: seconds; heights: any number (log2 of hertz, or a lane); groups: what has one ink.
  constructor(times, ends, heights, groups, groupCount, cell = CELL_OCTAVE) {
    Object.assign(this, { times, ends, heights, groups, groupCount, cell });
    this.made = new Map();
  }

  // Make the levels one after another while nothing else is to be done.
  warm(level = 15) {
    if (this.times.length < 2000 || level < 5) return;
    (window.requestIdleCallback ?? setTimeout)(() => {
      this.at(2 ** level / 1000);
      this.warm(level - 1);
    });
  }

  // For each group: starts, ends and heights in order of start.
  at(secondsPerCell) {
    const level = Math.max(Math.round(Math.log2(secondsPerCell * 1000)), 0);
    if (this.made.has(level)) return this.made.get(level);
    const length = 2 ** level / 1000;
    const found = Array.from({ length: this.groupCount }, () => new Map());
    for (let n = 0; n < this.times.length; n++) {
      if (!Number.isFinite(this.heights[n])) continue;
      const row = Math.round(this.heights[n] / this.cell);
      const key = Math.floor(this.times[n] / length) * 1024 + row;
      const cells = found[Math.max(this.groups[n], 0)];
      const cell = cells.get(key);
      if (cell) cell[1] = Math.max(cell[1], Math.min(this.ends[n], this.times[n] + length));
      else cells.set(key, [this.times[n], this.ends[n], this.heights[n]]);
    }
    const columns = found.map((cells) => {
      const rows = [...cells.values()].sort((a, b) => a[0] - b[0]);
      return {
        from: Float64Array.from(rows, (r) => r[0]),
        to: Float64Array.from(rows, (r) => r[1]),
        height: Float32Array.from(rows, (r) => r[2]),
      };
    });
    this.made.set(level, columns);
    return columns;
  }
}

// The first place in a rising list whose value is not below.
export function place(values, value) {
  let low = 0,
    high = values.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (values[middle] < value) low = middle + 1;
    else high = middle;
  }
  return low;
}
