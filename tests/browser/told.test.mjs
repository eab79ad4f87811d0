/** What a file does not say itself is asked where it is missing: raw samples, a log's rate, files of one run, rows that count. */
import assert from "node:assert/strict";
import { test } from "node:test";
import { dropFiles, settled, textOf, until, wave, withSite } from "./support.mjs";

const site = withSite();
const RATE = 48_000;

/** Half a second of a 6 kHz tone, as 24-bit words, highest byte first. */
function rawSamples() {
  const bytes = Buffer.alloc(3 * RATE / 2);
  for (let at = 0; at < RATE / 2; at += 1) bytes.writeIntBE(Math.round(4e6 * Math.sin(2 * Math.PI * 6000 * at / RATE)), 3 * at, 3);
  return bytes;
}

/** So many seconds of one value, its sign changing at each sample. @param {number} seconds @param {number} value */
const steady = (seconds, value) => wave(RATE, RATE * seconds, (frame) => (frame % 2 ? value : -value));

/** A log without time: speed rises, one level. @param {number} rows */
const timeless = (rows) => Buffer.from(`RPM,Knock Level (V),Load (kPa)\n${Array.from({ length: rows }, (_, at) => `${1000 + 5 * at},${0.2 + 0.01 * (at % 7)},${30 + at % 60}`).join("\n")}\n`);

test("samples without a header: the refusal asks how they are stored, and reads them as told; a reload remembers", async () => {
  const { page, complaints, close } = await site.open();
  const file = { name: "sensor.bin", bytes: rawSamples() };
  await dropFiles(page, [file]);
  await until(() => page.locator("#faults .raw").isVisible());
  await page.getByLabel("Sampling rate").fill("48000");
  await page.getByLabel("each sample").selectOption("s24le");
  await page.getByLabel("stored").selectOption("be");
  await page.getByRole("button", { name: "read it as this" }).click();
  await until(async () => (await textOf(page, "#file-list")).includes("sensor.bin"));
  await settled(page);
  assert(await page.locator("#faults").isHidden());
  assert.match(await textOf(page, "#file-list"), /0\.5 s/);
  const largest = await page.locator("#recordings .tables td").allTextContents();
  assert(largest.some((cell) => /^0\.47/.test(cell)), `largest value of 4e6 / 2^23 = 0.477: ${largest}`);
  await page.reload();
  await dropFiles(page, [file]);
  await until(async () => (await textOf(page, "#file-list")).includes("sensor.bin"));
  assert(await page.locator("#faults").isHidden());
  assert.deepEqual(complaints, []);
  await close();
});

test("a form that can't be is refused where it was typed, and asks again", async () => {
  const { page, close } = await site.open();
  await dropFiles(page, [{ name: "sensor.bin", bytes: rawSamples() }]);
  await until(() => page.locator("#faults .raw").isVisible());
  await page.getByLabel("Sampling rate").fill("0");
  await page.getByRole("button", { name: "read it as this" }).click();
  await until(async () => /type a rate/.test(await textOf(page, "#faults .raw .fault")));
  await page.getByLabel("Sampling rate").fill("48000");
  await page.getByLabel("skip at the start").fill("9000000");
  await page.getByRole("button", { name: "read it as this" }).click();
  await until(async () => /whole frame/.test(await textOf(page, "#faults")));
  assert(await page.locator("#faults .raw").isVisible());
  await close();
});

test("a log without time is given its rows a second, and its length follows", async () => {
  const { page, complaints, close } = await site.open();
  await dropFiles(page, [{ name: "timeless.csv", bytes: timeless(400) }]);
  const rate = page.getByLabel("no time column: rows a second");
  await until(() => rate.isVisible());
  await rate.fill("20");
  await rate.press("Tab");
  await until(async () => /(19\.9\d*|20) s/.test(await textOf(page, "#file-list")), () => "400 rows at 20 a second");
  assert.equal(await page.getByLabel("no time column: rows a second").inputValue(), "20");
  assert(!(await textOf(page, "#file-list")).includes("one second apart"));
  assert.deepEqual(complaints, []);
  await close();
});

test("parts of one run are joined one after the other or side by side, and taken apart again", async () => {
  const { page, complaints, close } = await site.open();
  await dropFiles(page, [{ name: "run-10.wav", bytes: steady(1, 900) }, { name: "run-9.wav", bytes: steady(1, 500) }]);
  await until(async () => (await page.locator("#file-list table.files > tbody > tr").count()) === 2);
  await until(async () => (await page.locator("#run-files input:checked").count()) === 2);
  await settled(page);
  await page.locator("#join-after").click();
  await until(async () => (await page.locator("#file-list table.files > tbody > tr").count()) === 1 && /2 s/.test(await textOf(page, "#file-list")));
  assert.match(await textOf(page, "#file-list"), /run-9\.wav.*run-10\.wav/s);
  await settled(page);
  assert(await page.locator("#awaited").isHidden(), "nobody asks for the parts");
  await page.getByRole("button", { name: /^take .* apart/ }).click();
  await until(async () => (await page.locator("#file-list table.files > tbody > tr").count()) === 2);
  await settled(page);
  await page.locator("#one-run summary").click();
  if (!(await page.locator("#join-beside").isVisible())) await page.locator("#one-run summary").click();
  await page.locator("#join-beside").click();
  await until(async () => (await page.locator("#file-list table.files > tbody > tr").count()) === 1 && /1 s/.test(await textOf(page, "#file-list")));
  assert.deepEqual(complaints, []);
  await close();
});

test("files that don't fit together stay as they are, with the reason", async () => {
  const { page, close } = await site.open();
  await dropFiles(page, [{ name: "a-1.wav", bytes: steady(1, 900) }, { name: "a-2.wav", bytes: steady(2, 500) }]);
  await until(async () => (await page.locator("#run-files input:checked").count()) === 2);
  await page.locator("#join-beside").click();
  await until(async () => /channels of one length/.test(await textOf(page, "#faults")));
  assert.equal(await page.locator("#file-list table.files > tbody > tr").count(), 2);
  await close();
});

test("only rows within a column's range count; the choice can be undone and removed", async () => {
  const { page, complaints, close } = await site.open();
  await dropFiles(page, [{ name: "timeless.csv", bytes: timeless(400) }]);
  await until(() => page.locator("#filters").isVisible());
  await page.locator("#filter-column").selectOption({ label: "Load" });
  await page.locator("#filter-low").fill("40");
  await page.locator("#filter-high").fill("30");
  await page.locator("#filter-add").click();
  await until(async () => /smaller one first/.test(await textOf(page, "#filter-fault")));
  await page.locator("#filter-high").fill("60");
  await page.locator("#filter-add").click();
  await until(async () => /Load 40 … 60/.test(await textOf(page, "#filter-list")));
  await settled(page);
  assert.deepEqual(await page.locator("#faults li").allTextContents(), []);
  await page.locator("#undo").click();
  await until(() => page.locator("#filter-list").isHidden());
  await page.locator("#redo").click();
  await until(async () => (await page.locator("#filter-list li").count()) === 1);
  await page.locator("#filter-list button").click();
  await until(() => page.locator("#filter-list").isHidden());
  assert.deepEqual(complaints, []);
  await close();
});

test("before and after: what was changed in between is told, kept and undone", async () => {
  const { page, close } = await site.open();
  await page.locator("#sensors-changed").check();
  await page.locator("#match-temperature").check();
  await page.reload();
  assert(await page.locator("#sensors-changed").isChecked());
  assert(await page.locator("#match-temperature").isChecked());
  await page.locator("#match-temperature").uncheck();
  await page.locator("#undo").click();
  assert(await page.locator("#match-temperature").isChecked());
  await close();
});
