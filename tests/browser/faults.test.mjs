/**
 * Things that go wrong while the card is open, each injected: nothing the user entered is lost, and a sentence says what
 * happened and what to do.
 */
import assert from "node:assert/strict";
import { appendFileSync, mkdtempSync, readFileSync, rmSync, truncateSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { after, before, test } from "node:test";
import { dropFiles, settled, until, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */

const DEMO = fileURLToPath(new URL("../../demo-logs", import.meta.url));
const SHEET = join(DEMO, "alder-valley.sheet.json");
const RECORDING = join(DEMO, "strangers-excerpt.wav");
const LOG = join(DEMO, "strangers.csv");
const site = withSite();
/** @type {string} */
let folder;
before(() => { folder = mkdtempSync(join(tmpdir(), "ringdown-faults-")); });
after(() => { rmSync(folder, { recursive: true, force: true }); });

/** Longer than what is read of a file at once, so that the rest is asked for later. @param {string} path */
function writeLong(path) {
  const short = readFileSync(join(DEMO, "evening-two-excerpt.wav"));
  const samples = short.subarray(44);
  const all = Buffer.concat([short.subarray(0, 44), ...Array.from({ length: 8 }, () => samples)]);
  all.writeUInt32LE(all.length - 8, 4);
  all.writeUInt32LE(all.length - 44, 40);
  writeFileSync(path, all);
}

/** @param {Page} page @param {string} name @param {string} text */
async function type(page, name, text) {
  await page.locator(`#f-${name}`).fill(text);
  await page.locator(`#f-${name}`).press("Tab");
}

/** @param {Page} page */
const faults = async (page) => (await page.locator("#faults li span").allTextContents()).join("\n");

/** @param {Page} page @param {RegExp} sentence */
const told = (page, sentence) => until(async () => sentence.test(await faults(page)), () => `no sentence like ${sentence}`);

/** @param {Page} page */
const listed = async (page) => (await page.locator("#file-list tbody th").allTextContents()).join("\n");

/** Typed entries, a choice and two files. @param {Page} page */
async function enter(page) {
  await type(page, "bore_mm", "94");
  await type(page, "name", "Test mule");
  await page.locator("#false-alarm").selectOption("0.01");
  await dropFiles(page, [RECORDING, LOG]);
  await until(async () => /strangers\.csv/.test(await listed(page)));
}

/** What `enter` entered is there, files included, and the card comes to an answer. @param {Page} page */
async function allThere(page) {
  await until(async () => /strangers-excerpt\.wav/.test(await listed(page)) && /strangers\.csv/.test(await listed(page)));
  await entriesThere(page);
  await settled(page);
  await until(async () => (await page.locator("#engine .tables tbody tr").count()) > 0);
}

/** @param {Page} page */
async function entriesThere(page) {
  assert.equal(await page.locator("#f-bore_mm").inputValue(), "94");
  assert.equal(await page.locator("#f-name").inputValue(), "Test mule");
  assert.equal(await page.locator("#false-alarm").inputValue(), "0.01");
}

/** Runs text among the worker's own names, where the module's glue is. @param {Page} page @param {string} text */
async function inWorker(page, text) {
  await until(() => page.workers().length > 0);
  return page.workers()[0].evaluate(text);
}

/** Whatever is asked of the worker next makes it work. @param {Page} page */
const provoke = (page) => page.locator("#confidence").selectOption("0.99");

test("a trap in the worker: a fresh one takes over with files and entries, and the page says so", async () => {
  const { page, close } = await site.open();
  await enter(page);
  await inWorker(page, "wasm_bindgen.Bench.prototype.step = () => { throw new WebAssembly.RuntimeError('unreachable'); }");
  await provoke(page);
  await told(page, /analysis broke down \(analysis: unreachable\) and was started again with your files.*entries and choices are kept/);
  await allThere(page);
  assert.equal(await page.locator("#confidence").inputValue(), "0.99");
  await close();
});

test("out of memory in the worker: the module's memory is used up, the analysis starts again and comes to its end", async () => {
  const { page, close } = await site.open();
  await enter(page);
  await settled(page);
  await inWorker(page, `wasm_bindgen({ module_or_path: "" }).then((wasm) => {
    for (let pages = 65536; pages >= 1; pages = Math.floor(pages / 2)) {
      try { while (wasm.memory.buffer.byteLength < 2 ** 32) wasm.memory.grow(pages); } catch { /* less, then */ }
    }
  })`);
  await page.locator("#f-bore_mm").fill("94");
  await dropFiles(page, [SHEET, join(DEMO, "evening-two-excerpt.wav")]);
  await told(page, /analysis broke down|not enough memory/);
  await until(async () => /strangers-excerpt\.wav/.test(await listed(page)));
  await settled(page);
  await close();
});

test("a worker that dies without a word is missed, and another takes over", async () => {
  const { page, close } = await site.open("/", { clock: true });
  await enter(page);
  await settled(page);
  await inWorker(page, "self.close()");
  await page.clock.runFor(140_000);
  await told(page, /no longer answered.*started again with your files/);
  await allThere(page);
  await close();
});

test("a worker at rest is not taken for dead, however the system clock jumps", async () => {
  const { page, close } = await site.open("/", { clock: true });
  await enter(page);
  await settled(page);
  await page.clock.setSystemTime(new Date("1999-12-31T23:59:00Z"));
  for (let beat = 0; beat < 14; beat += 1) {
    await page.clock.runFor(10_000);
    await page.evaluate(() => new Promise((answered) => { const port = new MessageChannel(); port.port1.onmessage = answered; port.port2.postMessage(0); }));
    await inWorker(page, "1");
  }
  await page.clock.setSystemTime(new Date("2099-01-01T00:00:00Z"));
  await provoke(page);
  await allThere(page);
  assert.equal(await faults(page), "");
  await close();
});

test("the worker's clock runs backwards: steps still end, and Stop is obeyed", async () => {
  const { page, close } = await site.open();
  await until(() => page.workers().length > 0);
  await inWorker(page, "{ let now = 4e12; Date.now = () => (now -= 1000); }");
  await dropFiles(page, [SHEET, join(DEMO, "evening-two-excerpt.wav")]);
  await until(async () => /\d+ %/.test((await page.locator("#progress-text").textContent()) ?? ""));
  await page.locator("#stop").click();
  await until(async () => /^Stopped/.test((await page.locator("#progress-text").textContent()) ?? ""));
  await page.locator("#stop").click();
  await settled(page);
  await close();
});

test("a trap while drawing: that chart says so and shows its figures, the rest of the card goes on", async () => {
  const { page, close } = await site.open();
  await type(page, "bore_mm", "94");
  await until(async () => (await page.locator("#engine img.printed").getAttribute("src"))?.startsWith("blob:") ?? false);
  await page.addScriptTag({ content: "" }).catch(() => { /* the policy refuses it: what follows goes by the test's tool */ });
  await page.evaluate("{ const sound = wasm_bindgen.Picture.prototype.draw; wasm_bindgen.Picture.prototype.draw = () => { wasm_bindgen.Picture.prototype.draw = sound; throw new WebAssembly.RuntimeError('unreachable'); }; }");
  await page.locator("#scheme").click();
  await until(async () => /could not be drawn \(unreachable\)/.test((await page.locator("#engine figure").first().textContent()) ?? ""));
  assert((await page.locator("#engine figure details[open] tbody tr").count()) > 0, "the figures stand in the table");
  await type(page, "bore_mm", "80");
  await until(async () => (await page.locator("#engine canvas").first().evaluate((canvas) => /** @type {HTMLCanvasElement} */ (canvas).width)) > 100);
  assert.equal(await page.locator("#f-bore_mm").inputValue(), "80");
  await close();
});

test("a store that refuses: entries stay on the page, and it says that they last only as long", async () => {
  const { page, close } = await site.open();
  await page.evaluate(() => { Storage.prototype.setItem = () => { throw new DOMException("full", "QuotaExceededError"); }; });
  await enter(page);
  await told(page, /refuses to keep your entries.*save the card as a file in section 11/);
  await entriesThere(page);
  await close();
});

test("no store at all: the card works and says the same", async () => {
  const { page, close } = await site.open("/", { script: () => {
    for (const name of ["localStorage", "sessionStorage"]) {
      Object.defineProperty(window, name, { get() { throw new DOMException("denied", "SecurityError"); } });
    }
  } });
  await enter(page);
  await told(page, /refuses to keep your entries/);
  await allThere(page);
  await close();
});

test("a file changed or cut while it is read is named with what to do; the other files and entries stay", async () => {
  const { page, close } = await site.open();
  await enter(page);
  for (const [name, harm] of /** @type {[string, (path: string) => void][]} */ ([
    ["grows.wav", (path) => appendFileSync(path, "more")], ["shrinks.wav", (path) => truncateSync(path, 5000)],
    ["goes.wav", (path) => rmSync(path)],
  ])) {
    const path = join(folder, name);
    writeLong(path);
    await inWorker(page, "{ const ours = wasm_bindgen.Bench.prototype; ours.sound ??= ours.step; ours.step = () => ({ done: false, share: 0.5, working: 4, changed: [] }); }");
    await dropFiles(page, [path]);
    await until(async () => (await listed(page)).includes(name));
    harm(path);
    await inWorker(page, "{ const ours = wasm_bindgen.Bench.prototype; ours.step = ours.sound; }");
    const notes = page.locator("#file-list .note");
    await until(async () => (await notes.allTextContents()).some((note) => note.startsWith(name) && /byte \d+.*drop it again/.test(note)),
      () => `nothing about ${name}`);
  }
  await allThere(page);
  await close();
});

test("a reload in the middle: entries, choices and a half-typed field are there, and the page asks for the files again", async () => {
  const { page, close } = await site.open();
  await enter(page);
  await settled(page);
  await dropFiles(page, [join(DEMO, "evening-two-excerpt.wav")]);
  await page.locator("#f-stroke_mm").fill("78");
  await page.reload();
  await entriesThere(page);
  assert.equal(await page.locator("#f-stroke_mm").inputValue(), "78");
  const asked = async () => (await page.locator("#awaited li").allTextContents()).join("\n");
  await until(async () => /strangers-excerpt\.wav belongs to the card kept here: drop it again/.test(await asked()) && /strangers\.csv/.test(await asked()));
  await dropFiles(page, [RECORDING, LOG]);
  await allThere(page);
  await close();
});

test("two tabs on one card: each says so, and each has its own entries after a reload", async () => {
  const { page, close } = await site.open();
  await type(page, "name", "first tab");
  const other = await page.context().newPage();
  await other.goto(site.origin());
  assert.equal(await other.locator("#f-name").inputValue(), "first tab");
  await type(other, "name", "second tab");
  await told(page, /open in another tab as well/);
  await page.reload();
  await other.reload();
  assert.equal(await page.locator("#f-name").inputValue(), "first tab");
  assert.equal(await other.locator("#f-name").inputValue(), "second tab");
  await close();
});

test("a store full of nonsense is no worse than an empty one", async () => {
  const nonsense = [
    "{", "[]", "7", "null", "{\"inputs\":7}", "{\"inputs\":{\"sheet\":null,\"roles\":null,\"columns\":[],\"labels\":\"x\",\"choices\":[1]}}",
    "{\"inputs\":{\"sheet\":{\"bore_mm\":{\"a\":1},\"sensors\":7,\"crank\":\"x\",\"firing_order\":{}},\"labels\":{\"x\":7},\"marks\":{\"x\":{}},\"roles\":{\"x\":{}}},\"listening\":7,\"language\":7,\"comma\":{},\"kept\":7,\"signed\":9}",
    "{\"__proto__\":{\"scheme\":\"sun\"},\"inputs\":{\"__proto__\":{\"sheet\":7},\"sheet\":{\"__proto__\":{\"bore_mm\":1},\"constructor\":{\"prototype\":1}}}}",
  ];
  for (const text of nonsense) {
    const { page, complaints, close } = await site.open("/", { script: (/** @type {string} */ kept) => localStorage.setItem("ringdown-card", kept), given: text });
    await type(page, "bore_mm", "94");
    await until(async () => (await page.locator("#engine .tables tbody tr").count()) > 0, () => text);
    assert.deepEqual(complaints, [], text);
    assert.equal(await page.evaluate(() => /** @type {any} */ ({}).bore_mm ?? /** @type {any} */ ({}).scheme ?? null), null);
    await close();
  }
});
