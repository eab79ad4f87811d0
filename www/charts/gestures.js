/** Hands on a chart: wheel, drag, pinch, keys. The wheel scrolls the page unless Ctrl is held or the chart has focus. */

/** @typedef {import("./view.js").ChartView} ChartView */
/** @typedef {import("../protocol.js").Plot} Plot */
/** @typedef {{ view: ChartView, plot: () => Plot | null, letters: () => boolean, edges: () => number[],
 *   moveEdge: (which: number, at: number) => void, dropEdge: () => void, setEdge: (end: 0 | 1, at: number) => void,
 *   marking: () => boolean, mark: (from: number, to: number) => void, letter: (key: string, at: number) => boolean, pick: (x: number, y: number) => void,
 *   strip: (from: number | null, to: number | null) => void, escape: () => void, point: (x: number | null, y: number | null) => void,
 *   pointed: () => [number, number] | null, listen: () => void, help: () => void }} Hands */

const EDGE_REACH = 10;
const DRAG_FROM = 6;

/** Data value at a place of the plot, and back. @param {Plot} plot @param {ChartView} view */
export function scales(plot, view) {
  /** @param {"x" | "y"} axis @param {number} a @param {number} b */
  const make = (axis, a, b) => {
    const log = view.full[axis].log;
    const [low, high] = log ? plot[axis].map((value) => Math.log(Math.max(value, Number.MIN_VALUE))) : plot[axis];
    return {
      /** @param {number} px */
      value: (px) => { const place = low + ((px - a) / (b - a)) * (high - low); return log ? Math.exp(place) : place; },
      /** @param {number} value */
      px: (value) => a + (((log ? Math.log(Math.max(value, Number.MIN_VALUE)) : value) - low) / (high - low)) * (b - a),
    };
  };
  return { x: make("x", plot.left, plot.right), y: make("y", plot.bottom, plot.top) };
}

/** @param {HTMLCanvasElement} canvas @param {Hands} hands @param {AbortSignal} signal */
export function takeHold(canvas, hands, signal) {
  takeWheel(canvas, hands, signal);
  takePointers(canvas, hands, signal);
  takeKeys(canvas, hands, signal);
  canvas.addEventListener("dblclick", () => hands.view.home(), { signal });
}

/** @param {HTMLCanvasElement} canvas @param {Hands} hands @param {AbortSignal} signal */
function takeWheel(canvas, hands, signal) {
  canvas.addEventListener("wheel", (event) => {
    const plot = hands.plot();
    if (!plot || !(event.ctrlKey || document.activeElement === canvas)) return;
    event.preventDefault();
    const { x, y } = scales(plot, hands.view);
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) return hands.view.pan("x", Math.sign(event.deltaX) * 0.08);
    const factor = Math.exp(Math.max(-60, Math.min(60, event.deltaY)) * 0.004);
    if (event.shiftKey) hands.view.zoom("y", factor, y.value(event.offsetY));
    else hands.view.zoom("x", factor, x.value(event.offsetX));
  }, { signal, passive: false });
}

/** @param {Hands} hands @param {number} px @returns {number | null} */
function edgeAt(hands, px) {
  const [plot, edges] = [hands.plot(), hands.edges()];
  if (!plot || !edges.length) return null;
  const { x } = scales(plot, hands.view);
  const away = edges.map((edge) => Math.abs(x.px(edge) - px));
  const nearest = away.indexOf(Math.min(...away));
  return away[nearest] <= EDGE_REACH ? nearest : null;
}

/** @param {HTMLCanvasElement} canvas @param {Hands} hands @param {AbortSignal} signal */
function takePointers(canvas, hands, signal) {
  /** @type {Map<number, number>} */
  const down = new Map();
  let startX = 0;
  let moved = false;
  /** @type {number | null} */
  let edge = null;
  const clamp = (/** @type {Plot} */ plot, /** @type {number} */ px) => Math.min(plot.right, Math.max(plot.left, px));

  canvas.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    down.set(event.pointerId, event.offsetX);
    canvas.setPointerCapture(event.pointerId);
    startX = event.offsetX;
    moved = false;
    edge = down.size === 1 ? edgeAt(hands, event.offsetX) : null;
  }, { signal });

  canvas.addEventListener("pointermove", (event) => {
    const plot = hands.plot();
    if (!plot) return;
    const { x, y } = scales(plot, hands.view);
    const last = down.get(event.pointerId);
    const inside = event.offsetX >= plot.left && event.offsetX <= plot.right
      && event.offsetY >= plot.top && event.offsetY <= plot.bottom;
    hands.point(inside ? x.value(event.offsetX) : null, inside ? y.value(event.offsetY) : null);
    if (last === undefined) { canvas.classList.toggle("edge", edgeAt(hands, event.offsetX) !== null); return; }
    if (Math.abs(event.offsetX - startX) > DRAG_FROM) moved = true;
    if (edge !== null) hands.moveEdge(edge, x.value(clamp(plot, event.offsetX)));
    else if (down.size === 2) pinch(event, last, plot);
    else if ((event.pointerType === "touch" && !hands.marking()) || event.shiftKey) {
      hands.view.pan("x", (last - event.offsetX) / (plot.right - plot.left));
    } else if (moved) {
      hands.strip(clamp(plot, startX), clamp(plot, event.offsetX));
      return; // `last` stays where the strip began
    }
    down.set(event.pointerId, event.offsetX);
  }, { signal });

  /** @param {PointerEvent} event @param {number} last @param {Plot} plot */
  function pinch(event, last, plot) {
    const other = [...down].find(([id]) => id !== event.pointerId)?.[1] ?? last;
    const before = Math.max(12, Math.abs(last - other));
    const after = Math.max(12, Math.abs(event.offsetX - other));
    hands.view.zoom("x", before / after, scales(plot, hands.view).x.value(other));
  }

  const end = (/** @type {PointerEvent} */ event) => {
    const plot = hands.plot();
    if (!down.delete(event.pointerId) || !plot) return;
    const { x, y } = scales(plot, hands.view);
    hands.strip(null, null);
    if (event.type === "pointercancel") return;
    if (edge !== null) hands.dropEdge();
    else if (!moved) hands.pick(x.value(event.offsetX), y.value(event.offsetY));
    else if ((event.pointerType !== "touch" || hands.marking()) && !event.shiftKey) {
      const [a, b] = [clamp(plot, startX), clamp(plot, event.offsetX)].sort((one, two) => one - two);
      if (b - a <= DRAG_FROM) { /* a slip of the hand */ }
      else if (hands.marking()) hands.mark(x.value(a), x.value(b));
      else hands.view.showRange("x", [x.value(a), x.value(b)]);
    }
    edge = null;
  };
  canvas.addEventListener("pointerup", end, { signal });
  canvas.addEventListener("pointercancel", end, { signal });
  canvas.addEventListener("pointerleave", () => { if (!down.size) hands.point(null, null); }, { signal });
}

/** @param {HTMLCanvasElement} canvas @param {Hands} hands @param {AbortSignal} signal */
function takeKeys(canvas, hands, signal) {
  const { view } = hands;
  const middle = () => {
    const [low, high] = view.range("x");
    return hands.pointed()?.[0] ?? (low + high) / 2;
  };
  /** The pointer moved by keys, in steps of a fiftieth of the view. @param {number} dx @param {number} dy */
  const step = (dx, dy) => {
    const [x, y] = [view.range("x"), view.range("y")];
    const [px, py] = hands.pointed() ?? [(x[0] + x[1]) / 2, (y[0] + y[1]) / 2];
    hands.point(px + (dx * (x[1] - x[0])) / 50, py + (dy * (y[1] - y[0])) / 50);
  };
  /** @type {Record<string, (shift: boolean) => void>} */
  const named = {
    ArrowLeft: (shift) => (shift ? step(-1, 0) : view.pan("x", -0.15)),
    ArrowRight: (shift) => (shift ? step(1, 0) : view.pan("x", 0.15)),
    ArrowUp: (shift) => (shift ? step(0, 1) : view.pan("y", 0.15)),
    ArrowDown: (shift) => (shift ? step(0, -1) : view.pan("y", -0.15)),
    Home: () => view.home(),
    Backspace: () => view.goBack(),
    Escape: () => hands.escape(),
    Enter: () => { const at = hands.pointed(); if (at) hands.pick(...at); },
  };
  /** @type {Record<string, () => void>} */
  const letters = {
    "+": () => view.zoom("x", 0.7, middle()),
    "=": () => view.zoom("x", 0.7, middle()),
    "-": () => view.zoom("x", 1 / 0.7, middle()),
    "?": () => hands.help(),
    " ": () => hands.listen(),
    "[": () => hands.setEdge(0, middle()),
    "]": () => hands.setEdge(1, middle()),
  };
  canvas.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const act = named[event.key];
    const letter = hands.letters() ? letters[event.key] : undefined;
    if (act) act(event.shiftKey);
    else if (letter) letter();
    else if (!hands.letters() || !hands.letter(event.key, middle())) return;
    event.preventDefault();
  }, { signal });
}
