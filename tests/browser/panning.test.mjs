/**
 * Panning a long recording: the work of a frame does not grow with the recording. By default two short ones are judged by
 * what is drawn, for time on a busy machine says nothing; with RINGDOWN_LONG=1 an hour of two channels is dropped, and
 * frames, first picture and memory are held to their limits. Times are printed either way.
 *
 * check: a frame while panning: work, memory, first picture of an hour's recording | the browser's own clock; strokes counted | under 16.7 ms at the 95th percentile, 0.5 s (`--long`); strokes of a frame bounded by the chart's width
 */
import assert from "node:assert/strict";
import { closeSync, mkdtempSync, openSync, rmSync, writeSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { dropFiles, settled, until, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */

const IS_LONG = Boolean(process.env.RINGDOWN_LONG);
const RATE = 48_000;
const CHANNELS = 2;
const FRAME_MS = 1000 / 60;
/** Smallest and largest value of each channel at twice the chart's width, which the page never exceeds; the rest is axes. */
const MOST_STROKES = 1.5 * 2 * 2 * CHANNELS * 1280;
const site = withSite();
/** @type {string} */
let folder;
before(() => { folder = mkdtempSync(join(tmpdir(), "ringdown-panning-")); });
after(() => { rmSync(folder, { recursive: true, force: true }); });

/** A second of seeded noise over and over, as RIFF/WAVE of 16 bits (Microsoft and IBM, 1991). @param {number} seconds */
function recording(seconds) {
  const second = Buffer.alloc(2 * CHANNELS * RATE);
  let seed = 1;
  for (let at = 0; at < second.length; at += 2) {
    seed = (Math.imul(seed, 1_664_525) + 1_013_904_223) >>> 0;
    second.writeInt16LE((seed >>> 16) % 4000 - 2000, at);
  }
  const head = Buffer.alloc(44);
  head.write("RIFF", 0);
  head.writeUInt32LE(36 + second.length * seconds, 4);
  head.write("WAVEfmt ", 8);
  [[16, 4], [1, 2], [CHANNELS, 2], [RATE, 4], [2 * CHANNELS * RATE, 4], [2 * CHANNELS, 2], [16, 2]].reduce((at, [value, bytes]) => {
    head.writeUIntLE(value, at, bytes);
    return at + bytes;
  }, 16);
  head.write("data", 36);
  head.writeUInt32LE(second.length * seconds, 40);
  const path = join(folder, `${seconds}.wav`);
  const file = openSync(path, "w");
  writeSync(file, head);
  for (let at = 0; at < seconds; at += 1) writeSync(file, second);
  closeSync(file);
  return path;
}

/** Runs before the page: counts the strokes on the look into a file, and how long each frame takes. */
function watchFrames() {
  const seen = { strokes: 0, most: 0, dropped_ms: NaN, first_ms: NaN, work: /** @type {number[]} */ ([]), between: /** @type {number[]} */ ([]) };
  Object.assign(globalThis, { seen });
  const { prototype } = CanvasRenderingContext2D;
  for (const name of /** @type {const} */ (["lineTo", "moveTo", "rect", "fillRect", "arc"])) {
    const real = /** @type {any} */ (prototype)[name];
    Object.assign(prototype, { [name](/** @type {any[]} */ ...args) {
      if (/** @type {any} */ (this).canvas.closest("#envelope")) {
        seen.strokes += 1;
        if (name === "lineTo" && !(seen.first_ms > 0)) seen.first_ms = performance.now() - seen.dropped_ms;
      }
      return real.apply(this, args);
    } });
  }
  document.addEventListener("change", (event) => {
    if (event.target instanceof Element && event.target.id === "files") seen.dropped_ms = performance.now();
  }, true);
  const ask = requestAnimationFrame;
  let [frame, spent, before] = [0, 0, 0];
  globalThis.requestAnimationFrame = (act) => ask((now) => {
    if (now !== frame) { seen.work.push(spent); seen.between.push(now - frame); [frame, spent, before] = [now, 0, seen.strokes]; }
    const began = performance.now();
    act(now);
    seen.most = Math.max(seen.most, seen.strokes - before);
    spent += performance.now() - began;
  });
  const tick = () => requestAnimationFrame(tick);
  tick();
}

/** @typedef {{ strokes: number, most: number, first_ms: number, work: number[], between: number[] }} Seen */
/** @param {Page} page @returns {Promise<Seen>} what was seen since the last call */
const taken = (page) => page.evaluate(() => {
  const { seen } = /** @type {any} */ (globalThis);
  const copy = { ...seen, work: [...seen.work], between: [...seen.between] };
  seen.strokes = 0;
  seen.most = 0;
  seen.work.length = 0;
  seen.between.length = 0;
  return copy;
});

/** @param {number[]} times @param {number} share */
const at = (times, share) => [...times].sort((a, b) => a - b)[Math.floor(share * (times.length - 1))];
/** @param {string} what @param {Seen} seen */
function tell(what, { work, between }) {
  const both = (/** @type {number[]} */ times) => `median ${at(times, 0.5).toFixed(1)}, 95th percentile ${at(times, 0.95).toFixed(1)}, most ${at(times, 1).toFixed(1)} ms`;
  console.log(`${what}: ${between.length} frames, between frames ${both(between)}; work in a frame ${both(work)}`);
}

/** @param {Page} page @param {number} frames */
const frames = (page, frames) => page.evaluate((count) => new Promise((resolve) => {
  const next = (/** @type {number} */ left) => (left ? requestAnimationFrame(() => next(left - 1)) : resolve(null));
  next(count);
}), frames);

/** Zooms in by keys, then pans by keys, wheel and drag. @param {Page} page @param {number} turns */
async function pan(page, turns) {
  const canvas = page.locator("#envelope canvas");
  await canvas.scrollIntoViewIfNeeded();
  const box = await canvas.boundingBox();
  assert(box);
  await canvas.focus();
  for (let press = 0; press < 6; press += 1) await page.keyboard.press("+");
  await frames(page, 3);
  await taken(page);
  for (let turn = 0; turn < turns; turn += 1) {
    await page.keyboard.press(turn % 16 < 8 ? "ArrowRight" : "ArrowLeft");
    await frames(page, 1);
  }
  const keys = await taken(page);
  await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
  for (let turn = 0; turn < turns; turn += 1) {
    await page.mouse.wheel(turn % 16 < 8 ? 40 : -40, 0);
    await frames(page, 1);
  }
  const wheel = await taken(page);
  await page.keyboard.down("Shift");
  await page.mouse.down();
  for (let turn = 0; turn < turns; turn += 1) {
    await page.mouse.move(box.x + box.width / 2 + 12 * (turn % 16 < 8 ? turn % 8 : 8 - turn % 8), box.y + box.height / 2);
    await frames(page, 1);
  }
  await page.mouse.up();
  await page.keyboard.up("Shift");
  const drag = await taken(page);
  return { keys, wheel, drag };
}

/** @param {number} seconds @param {number} turns */
async function panned(seconds, turns) {
  const { page, complaints, close } = await site.open("/", { script: watchFrames });
  await page.locator("#f-bore_mm").fill("90");
  await page.locator("#f-bore_mm").press("Tab");
  await until(async () => (await page.locator("#engine").getAttribute("data-state")) === "holds", () => "the analysis has started");
  const path = recording(seconds);
  await dropFiles(page, [path]);
  await until(() => page.evaluate(() => /** @type {any} */ (globalThis).seen.first_ms > 0));
  const { first_ms } = await taken(page);
  const busy = IS_LONG ? await pan(page, turns) : null;
  await settled(page, 10 * seconds + 60_000);
  await page.locator("#envelope canvas").focus();
  await page.keyboard.press("Home");
  const calm = await pan(page, turns);
  console.log(`${seconds} s: first picture ${first_ms.toFixed(0)} ms after the drop`);
  if (busy) for (const [way, seen] of Object.entries(busy)) tell(`${seconds} s, while it is read, ${way}`, seen);
  for (const [way, seen] of Object.entries(calm)) tell(`${seconds} s, ${way}`, seen);
  const heap = await page.evaluate(() => /** @type {any} */ (performance).memory.usedJSHeapSize);
  const module = await page.workers()[0].evaluate("wasm_bindgen({ module_or_path: '' }).then((wasm) => wasm.memory.buffer.byteLength)");
  console.log(`${seconds} s: page ${heap} bytes, module ${module} bytes`);
  assert.deepEqual(complaints, []);
  await close();
  return { first_ms, busy, calm, heap, module };
}

test("no frame draws more than the chart is wide, however long the recording: by keys, wheel and drag", async () => {
  for (const seconds of [10, 80]) {
    const { calm } = await panned(seconds, 24);
    for (const [way, { strokes, most }] of Object.entries(calm)) {
      console.log(`${seconds} s, ${way}: ${strokes} strokes, at most ${most} in a frame`);
      assert(strokes > 100, `${way}: something was drawn (${strokes} strokes)`);
      assert(most < MOST_STROKES, `${way}: ${most} strokes in a frame`);
    }
  }
});

if (IS_LONG) {
  test("an hour of two channels: first picture within half a second, 95 of 100 frames within a sixtieth, memory bounded", { timeout: 600_000 }, async () => {
    const { first_ms, busy, calm, heap, module } = await panned(3600, 90);
    assert(first_ms < 500, `${first_ms} ms to the first picture`);
    for (const [way, { work, between }] of [...Object.entries(calm), ...Object.entries(busy ?? {})]) {
      assert(at(work, 0.95) < FRAME_MS, `${way}: ${at(work, 0.95)} ms of work`);
      assert(at(between, 0.95) < 1.1 * FRAME_MS, `${way}: ${at(between, 0.95)} ms between frames: some were missed`);
    }
    assert(heap < 100e6 && module < 2 ** 28, `page ${heap}, module ${module} bytes`);
  });
}
