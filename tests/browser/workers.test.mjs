/**
 * Two workers at once: a long log is read by both, beside a long recording one does errands for the other. Whether the second
 * comes up, breaks down or is sent home, the page says the same.
 */
import assert from "node:assert/strict";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { fileURLToPath } from "node:url";
import { dropFiles, settled, textOf, until, withSite } from "./support.mjs";

const site = withSite();
/** @type {string} */
let folder;
/** @type {string} */
let log;
/** @type {string} */
let recording;
const DEMO = fileURLToPath(new URL("../../demo-logs", import.meta.url));

/** The demo's excerpt over and over: 21 MB, with a loss of the teeth at each seam. */
function longRecording() {
  const one = readFileSync(join(DEMO, "evening-two-excerpt.wav"));
  const start = one.indexOf("data") + 8;
  const samples = one.subarray(start, start + one.readUInt32LE(start - 4));
  const data = Buffer.concat(new Array(7).fill(samples));
  const head = Buffer.from(one.subarray(0, start));
  head.writeUInt32LE(data.length, start - 4);
  head.writeUInt32LE(head.length - 8 + data.length, 4);
  return Buffer.concat([head, data]);
}

before(() => {
  folder = mkdtempSync(join(tmpdir(), "ringdown-halves-"));
  log = join(folder, "long.csv");
  const lines = ["time (s),speed (rpm),load (kPa),knock level (V)"];
  let state = 1;
  for (let row = 0; row < 750_000; row += 1) {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    const share = state / 2 ** 32;
    const rpm = 3500 + 2500 * Math.sin(row / 3000);
    lines.push(`${(row / 20).toFixed(2)},${rpm.toFixed(0)},${(60 + 30 * Math.sin(row / 700)).toFixed(2)},${(0.2 + rpm / 9000 + 0.2 * share).toFixed(4)}`);
  }
  writeFileSync(log, `${lines.join("\n")}\n`);
  recording = join(folder, "over-and-over.wav");
  writeFileSync(recording, longRecording());
});
after(() => { rmSync(folder, { recursive: true, force: true }); });

/** Counts workers, and does to those after the first as told: `fail` at once, be given another `module` than ours.
 * @param {{ second: string }} given */
function countWorkers({ second }) {
  const Plain = window.Worker;
  /** @type {any} */ (window).workersMade = 0;
  window.Worker = class extends Plain {
    /** @param {string | URL} address */
    constructor(address) {
      super(address);
      /** @type {any} */ (window).workersMade += 1;
      if (/** @type {any} */ (window).workersMade === 1) return;
      if (second === "fails") this.postMessage = () => { this.dispatchEvent(new Event("error")); };
      if (second !== "module") return;
      const empty = new WebAssembly.Module(new Uint8Array([0, 97, 115, 109, 1, 0, 0, 0]));
      this.postMessage = (/** @type {any} */ order, /** @type {any} */ moved) => super.postMessage({ ...order, start: empty }, moved);
    }
  };
}

/** What the page says of the log, and how many workers were made. @param {string} second */
async function read(second) {
  const { page, complaints, close } = await site.open("/", { script: countWorkers, given: { second } });
  await dropFiles(page, [log]);
  await until(async () => /^reading long\.csv/.test(await textOf(page, "#progress-text")), () => "it says that it reads");
  await until(async () => (await page.locator("#file-list tbody th").count()) > 0);
  await settled(page);
  await until(() => page.workers().length === 1, () => "the second worker ended");
  const said = await Promise.all(["#file-list", "#limits", "#floor", "#verdict"].map((place) => textOf(page, place)));
  const made = await page.evaluate(() => /** @type {any} */ (window).workersMade);
  assert.deepEqual(complaints, []);
  await close();
  return { made, said };
}

test("two workers read a long log and say what one says", async () => {
  const both = await read("works");
  const alone = await read("fails");
  assert.equal(both.made, 2);
  assert.equal(alone.made, 2);
  assert.match(both.said.join(" "), /625 min 0 s.*cells ready/s);
  assert.deepEqual(both.said, alone.said);
});

/** What the page says of the recording when all is done, and how many workers were made. @param {string} second */
async function worked(second) {
  const { page, complaints, close } = await site.open("/", { script: countWorkers, given: { second } });
  await dropFiles(page, [recording, join(DEMO, "alder-valley.sheet.json")]);
  const made = () => page.evaluate(() => /** @type {number} */ (/** @type {any} */ (window).workersMade));
  if (second === "stopped") {
    await until(async () => (await made()) === 2);
    await page.locator("#stop").click();
    await until(() => page.workers().length === 1, () => "the second worker went home");
    await page.locator("#stop").click();
  }
  await settled(page);
  await until(() => page.workers().length === 1, () => "the second worker ended");
  const places = ["#file-list", "#sensors", "#speed", "#band", "#window", "#floor", "#limits", "#verdict"];
  const said = await Promise.all(places.map((place) => textOf(page, place)));
  const count = await made();
  assert.deepEqual(complaints, []);
  await close();
  return { count, said };
}

test("a recording worked by two says what it says worked by one, whatever becomes of the second", async () => {
  const alone = await worked("fails");
  assert.equal(alone.count, 2);
  assert.match(alone.said.join(" "), /56\.0? s|56 s/);
  for (const second of ["works", "module", "stopped"]) {
    const both = await worked(second);
    assert.equal(both.count, second === "stopped" ? 3 : 2, second);
    assert.deepEqual(both.said, alone.said, second);
  }
});
