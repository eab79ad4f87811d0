/** Many files one after another: memory stays flat. Two dozen by default, two hundred with RINGDOWN_LONG=1. */
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { test } from "node:test";
import { dropFiles, settled, until, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */

const DEMO = fileURLToPath(new URL("../../demo-logs", import.meta.url));
const IS_LONG = Boolean(process.env.RINGDOWN_LONG);
const ROUNDS = IS_LONG ? 200 : 24;
const SETTLED_AFTER = IS_LONG ? 40 : 12;
/**
 * The module's memory never shrinks, and what was given back finds its places within some thirty rounds, sooner or later by
 * how the work was cut into steps: 5 to 10 MB, then nothing more in fifty. What the core itself still holds is counted to the
 * byte in card_memory.rs; here a buffer of the boundary that was forgotten, or a block of a file, would show.
 */
const MOST_GROWTH_BYTES = (IS_LONG ? 1.5 : 8) * 2 ** 20;
const site = withSite();

/** Bytes of the worker's module. @param {Page} page @returns {Promise<number>} */
const moduleBytes = (page) => page.workers()[0].evaluate("wasm_bindgen({ module_or_path: '' }).then((wasm) => wasm.memory.buffer.byteLength)");

/** Bytes of the page's own objects, what is no longer used swept up first. @param {Page} page */
async function pageBytes(page) {
  const session = await page.context().newCDPSession(page);
  await session.send("HeapProfiler.collectGarbage");
  const { usedSize } = await session.send("Runtime.getHeapUsage");
  await session.detach();
  return usedSize;
}

test(`${ROUNDS} files dropped and removed one after another: memory stays flat`, { timeout: IS_LONG ? 3_600_000 : 600_000 }, async () => {
  const { page, complaints, close } = await site.open();
  const files = ["strangers-excerpt.wav", "strangers.csv"].map((name) => ({ name, bytes: readFileSync(join(DEMO, name)) }));
  const [early, late] = [{ module: 0, page: 0 }, { module: 0, page: 0 }];
  for (let round = 1; round <= ROUNDS; round += 1) {
    const { name, bytes } = files[round % files.length];
    await dropFiles(page, [{ name: `${round}-${name}`, bytes }]);
    await until(async () => (await page.locator("#file-list").textContent())?.includes(`${round}-${name}`) ?? false);
    await settled(page);
    await page.locator("#file-list td.act button").first().click();
    await until(async () => (await page.locator("#file-list tbody tr").count()) === 0);
    if (round === SETTLED_AFTER) Object.assign(early, { module: await moduleBytes(page), page: await pageBytes(page) });
  }
  Object.assign(late, { module: await moduleBytes(page), page: await pageBytes(page) });
  console.log(`after ${SETTLED_AFTER} files ${JSON.stringify(early)}, after ${ROUNDS} ${JSON.stringify(late)}`);
  assert(late.module <= early.module + MOST_GROWTH_BYTES, `module: ${early.module} then ${late.module} bytes`);
  assert(late.page <= early.page * 1.2 + 500_000, `page: ${early.page} then ${late.page} bytes`);
  assert(late.module < 2 ** 25, `${late.module} bytes of the module are under 32 MiB`);
  assert.equal(page.workers().length, 1);
  assert.deepEqual(complaints, []);
  await close();
});
