/** The bench page: starts workers, gives each its share, waits for all of them. */
"use strict";

/** @param {Worker} worker @param {unknown} message @returns {Promise<any>} */
const asked = (worker, message) => new Promise((resolve, reject) => {
  worker.onmessage = ({ data }) => (data.error ? reject(new Error(data.error)) : resolve(data));
  worker.onerror = (event) => reject(new Error(event.message));
  worker.postMessage(message);
});

/** @type {Worker[]} */
let workers = [];

/** New workers, their memory filled before any clock runs.
 * @param {string} work @param {number} count @param {number} samples */
async function prepare(work, count, samples) {
  workers.forEach((worker) => worker.terminate());
  const module = await WebAssembly.compileStreaming(fetch("ringdown_bench_bg.wasm"));
  workers = Array.from({ length: count }, () => new Worker("worker.js"));
  await Promise.all(workers.map((worker, index) => asked(worker, { prepare: work, module, samples, seed: index + 1 })));
}

/** Works once in all workers; milliseconds from first message to last answer, and the mean of the figures.
 * @returns {Promise<[number, number]>} */
async function once() {
  const file = /** @type {HTMLInputElement} */ (document.getElementById("file")).files?.[0];
  const start = performance.now();
  const answers = await Promise.all(workers.map((worker) => asked(worker, { file })));
  const took_ms = performance.now() - start;
  return [took_ms, answers.reduce((sum, { figure }) => sum + figure, 0) / answers.length];
}
