/** What part of a chart is shown: zoom, pan, back, home. Ranges only; it knows no canvas. */

/** @typedef {[number, number]} Range */
/** @typedef {{ low: number, high: number, log: boolean }} Full */
/** @typedef {{ x: Range | null, y: Range | null }} Shown */

const BACK_STEPS = 40;
const SMALLEST_SHARE = 1e-7;

/** @param {Full} full @param {number} value */
const along = (full, value) => (full.log ? Math.log(Math.max(value, Number.MIN_VALUE)) : value);
/** @param {Full} full @param {number} place */
const backFrom = (full, place) => (full.log ? Math.exp(place) : place);

/** `range` kept inside `full`, shifted before it is cut; null when nothing is left to zoom.
 * @param {Full} full @param {Range} range @returns {Range | null} */
export function within(full, [low, high]) {
  const [a, b] = [along(full, full.low), along(full, full.high)];
  const whole = b - a;
  if (!(whole > 0)) return null;
  const wide = Math.max(along(full, high) - along(full, low), whole * SMALLEST_SHARE);
  if (!(wide < whole * 0.9999)) return null;
  const start = Math.min(Math.max(along(full, low), a), b - wide);
  return [backFrom(full, start), backFrom(full, start + wide)];
}

/** Zooms so that `at` stays where it is. @param {Full} full @param {Range} range @param {number} factor below 1 = closer
 * @param {number} at @returns {Range} */
export function zoomed(full, [low, high], factor, at) {
  const [a, b, fixed] = [along(full, low), along(full, high), along(full, at)];
  return [backFrom(full, fixed - (fixed - a) * factor), backFrom(full, fixed + (b - fixed) * factor)];
}

/** @param {Full} full @param {Range} range @param {number} share of the range's width @returns {Range} */
export function panned(full, [low, high], share) {
  const [a, b] = [along(full, low), along(full, high)];
  const by = (b - a) * share;
  return [backFrom(full, a + by), backFrom(full, b + by)];
}

export class ChartView {
  /** @param {() => void} changed */
  constructor(changed) {
    this.changed = changed;
    /** @type {Shown} */
    this.shown = { x: null, y: null };
    /** @type {Shown[]} */
    this.back = [];
    /** @type {{ x: Full, y: Full }} */
    this.full = { x: { low: 0, high: 1, log: false }, y: { low: 0, high: 1, log: false } };
    this.rememberedAt = 0;
    /** Limits the user holds: what the chart goes back to, whatever its data reach. @type {{ x: Range, y: Range } | null} */
    this.held = null;
  }

  /** @param {{ x: Range, y: Range } | null} held */
  hold(held) {
    this.held = held;
    this.show(held ?? { x: null, y: null });
  }

  /** The view a figure starts with. */
  reset() { this.shown = this.held ?? { x: null, y: null }; }

  /** @param {{ x: import("../protocol.js").Axis, y: import("../protocol.js").Axis }} axes */
  setFull({ x, y }) {
    this.full = {
      x: { low: x.low, high: x.high, log: x.scale === "log" },
      y: { low: y.low, high: y.high, log: y.scale === "log" },
    };
    const { shown } = this;
    if (this.held) { this.shown = this.held; return; }
    this.shown = { x: shown.x && within(this.full.x, shown.x), y: shown.y && within(this.full.y, shown.y) };
  }

  /** @param {"x" | "y"} axis @returns {Range} */
  range(axis) { return this.shown[axis] ?? [this.full[axis].low, this.full[axis].high]; }

  /** @param {Partial<Shown>} next */
  show(next) {
    const now = performance.now();
    if (now - this.rememberedAt > 400) { // one entry for one turn of the wheel, not one for each notch
      this.back.push(this.shown);
      if (this.back.length > BACK_STEPS) this.back.shift();
    }
    this.rememberedAt = now;
    this.shown = { ...this.shown, ...next };
    this.changed();
  }

  /** @param {"x" | "y"} axis @param {Range} range */
  showRange(axis, range) { this.show({ [axis]: within(this.full[axis], range) }); }

  /** @param {"x" | "y"} axis @param {number} factor @param {number} at */
  zoom(axis, factor, at) { this.showRange(axis, zoomed(this.full[axis], this.range(axis), factor, at)); }

  /** @param {"x" | "y"} axis @param {number} share */
  pan(axis, share) { if (this.shown[axis]) this.showRange(axis, panned(this.full[axis], this.range(axis), share)); }

  goBack() {
    const last = this.back.pop();
    if (!last) return;
    this.shown = last;
    this.changed();
  }

  home() { if (this.shown.x || this.shown.y) this.show(this.held ?? { x: null, y: null }); }
}
