/**
 * A million samples drawn by the page's own picture and by uPlot: the first time, and at sixty zooms from all of it to a
 * thousand samples. Both end when a pixel has been read back, so that nothing is left to a later moment.
 */
"use strict";

const [RATE_HZ, SAMPLES, WIDTH, HEIGHT, ZOOMS] = [48_000, 1_000_000, 1200, 400, 60];
const DURATION_S = SAMPLES / RATE_HZ;

/** Noise with a burst now and then; the same each time. */
function signal() {
  let state = 1;
  const share = () => { state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0; return state / 2 ** 32; };
  return Int16Array.from({ length: SAMPLES }, (_, at) => (share() - share()) * (at % 9000 < 400 ? 12_000 : 2_500));
}

/** A recording as a file would hold it: RIFF, 16 bits, one channel. @param {Int16Array} samples */
function wave(samples) {
  const bytes = new Uint8Array(44 + samples.byteLength);
  const view = new DataView(bytes.buffer);
  const word = (/** @type {number} */ at, /** @type {string} */ text) => bytes.set(new TextEncoder().encode(text), at);
  word(0, "RIFF"); view.setUint32(4, 36 + samples.byteLength, true); word(8, "WAVEfmt ");
  view.setUint32(16, 16, true); view.setUint16(20, 1, true); view.setUint16(22, 1, true);
  view.setUint32(24, RATE_HZ, true); view.setUint32(28, 2 * RATE_HZ, true); view.setUint16(32, 2, true); view.setUint16(34, 16, true);
  word(36, "data"); view.setUint32(40, samples.byteLength, true);
  bytes.set(new Uint8Array(samples.buffer), 44);
  return bytes;
}

/** @param {HTMLCanvasElement} canvas */
const seen = (canvas) => canvas.getContext("2d").getImageData(WIDTH >> 1, HEIGHT >> 1, 1, 1);

/** Draws a range of seconds; the first call draws from nothing. @type {(from_s: number, to_s: number) => Promise<void>} */
let show;
/** @type {() => void} */
let clear = () => {};

/** @param {"ours" | "peer"} whose */
async function prepare(whose) {
  const samples = signal();
  if (whose === "ours") {
    await wasm_bindgen({ module_or_path: "ringdown_bench_bg.wasm" });
    const bench = new wasm_bindgen.Bench();
    const { id } = bench.add_bytes("a.wav", wave(samples), undefined);
    while (!bench.step(1000).done);
    const canvas = /** @type {HTMLCanvasElement} */ (document.getElementById("ours"));
    const view = { width: WIDTH, height: HEIGHT, pixel_ratio: 1, scheme: "paper", x: null, y: null, heat: null, pointer: null };
    show = async (from_s, to_s) => {
      const picture = new wasm_bindgen.Picture(structuredClone(bench.envelope(id, from_s, to_s, WIDTH))); // as it comes from the worker
      picture.draw(canvas, view);
      seen(canvas);
      picture.free();
    };
    return;
  }
  const data = [Float64Array.from(samples, (_, at) => at / RATE_HZ), Float32Array.from(samples, (sample) => sample / 32_768)];
  const place = document.getElementById("peer");
  let plot = null;
  clear = () => { plot?.destroy(); plot = null; };
  show = (from_s, to_s) => new Promise((resolve) => {
    const drawn = [(/** @type {any} */ own) => { seen(own.ctx.canvas); done(); }];
    let done = resolve;
    if (plot) {
      plot.hooks.draw = drawn;
      plot.setScale("x", { min: from_s, max: to_s });
    } else {
      plot = new uPlot({ width: WIDTH, height: HEIGHT, pxRatio: 1, legend: { show: false }, scales: { x: { time: false } },
        series: [{}, { stroke: "black", points: { show: false } }], hooks: { draw: drawn } }, data, place);
    }
  });
}

/** Milliseconds of the first picture. */
async function first() {
  clear();
  const start = performance.now();
  await show(0, DURATION_S);
  return performance.now() - start;
}

/** The 95th percentile of the milliseconds a zoom takes. */
async function zooms() {
  await first();
  const took = [];
  for (let zoom = 1; zoom <= ZOOMS; zoom += 1) {
    const half = 0.5 * DURATION_S * (1000 / SAMPLES) ** (zoom / ZOOMS);
    const start = performance.now();
    await show(0.4 * DURATION_S - 0.8 * half, 0.4 * DURATION_S + 1.2 * half);
    took.push(performance.now() - start);
  }
  took.sort((a, b) => a - b);
  return took[Math.ceil(0.95 * ZOOMS) - 1];
}
