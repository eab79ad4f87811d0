/** The bench page: starts workers, gives each its share, waits for all of them. */
"use strict";

/** @param {Worker} worker @param {unknown} message @param {Transferable[]} [moved] @returns {Promise<any>} */
const asked = (worker, message, moved = []) => new Promise((resolve, reject) => {
  worker.onmessage = ({ data }) => (data.error ? reject(new Error(data.error)) : resolve(data));
  worker.onerror = (event) => reject(new Error(event.message));
  worker.postMessage(message, moved);
});

/** @type {Worker[]} */
let workers = [];
/** Whether two workers read a half of the file each, and one joins both. */
let isHalved = false;

/** New workers, their memory filled before any clock runs.
 * @param {string} work @param {number} count @param {number} samples */
async function prepare(work, count, samples) {
  workers.forEach((worker) => worker.terminate());
  isHalved = work === "log" && count === 2;
  const module = await WebAssembly.compileStreaming(fetch("ringdown_bench_bg.wasm"));
  workers = Array.from({ length: count }, () => new Worker("worker.js"));
  await Promise.all(workers.map((worker, index) => asked(worker, { prepare: work, module, samples, seed: index + 1 })));
}

/** The first worker joins what the second hands it. @param {File | undefined} file */
function halves(file) {
  const { port1, port2 } = new MessageChannel();
  return [asked(workers[0], { file, half: "first", to: port1 }, [port1]), asked(workers[1], { file, half: "second", to: port2 }, [port2])];
}

/** Works once in all workers; milliseconds from first message to last answer, and the mean of the figures.
 * @returns {Promise<[number, number]>} */
async function once() {
  const file = /** @type {HTMLInputElement} */ (document.getElementById("file")).files?.[0];
  const start = performance.now();
  const answers = await Promise.all(isHalved ? halves(file) : workers.map((worker, part) => asked(worker, { file, part, of: workers.length })));
  const took_ms = performance.now() - start;
  if (isHalved) return [took_ms, answers[0].figure];
  return [took_ms, answers.reduce((sum, { figure }) => sum + figure, 0) / answers.length];
}
