/** A long log is read by two workers at once; one that doesn't come up leaves the other alone, and nothing differs. */
import assert from "node:assert/strict";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { dropFiles, settled, textOf, until, withSite } from "./support.mjs";

const site = withSite();
/** @type {string} */
let folder;
/** @type {string} */
let log;
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
});
after(() => { rmSync(folder, { recursive: true, force: true }); });

/** Counts workers; those after the first fail at once where told so. @param {{ fails: boolean }} given */
function countWorkers({ fails }) {
  const Plain = window.Worker;
  /** @type {any} */ (window).workersMade = 0;
  window.Worker = class extends Plain {
    /** @param {string | URL} address */
    constructor(address) {
      super(address);
      /** @type {any} */ (window).workersMade += 1;
      if (!fails || /** @type {any} */ (window).workersMade === 1) return;
      this.postMessage = () => { this.dispatchEvent(new Event("error")); };
    }
  };
}

/** What the page says of the log, and how many workers were made. @param {boolean} fails */
async function read(fails) {
  const { page, complaints, close } = await site.open("/", { script: countWorkers, given: { fails } });
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
  const both = await read(false);
  const alone = await read(true);
  assert.equal(both.made, 2);
  assert.equal(alone.made, 2);
  assert.match(both.said.join(" "), /625 min 0 s.*cells ready/s);
  assert.deepEqual(both.said, alone.said);
});
