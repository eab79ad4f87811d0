/** What comes from a file is text: names with markup or formulas in them, and sheets and cards made to hurt. */
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { test } from "node:test";
import { dropFiles, settled, until, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */

const DEMO = fileURLToPath(new URL("../../demo-logs", import.meta.url));
const site = withSite();

/** Markup that would act, with a mark by which it is found again. */
const MARKUP = `<img src=x onerror="window.pwned=1"><script>window.pwned=2</script><b id=planted>`;

/** No element, no deed and no script came out of a text. @param {Page} page */
async function nothingPlanted(page) {
  assert.equal(await page.evaluate(() => /** @type {any} */ (window).pwned ?? null), null);
  assert.equal(await page.locator("#planted, img[src=x], main script").count(), 0);
}

/** The stranger's log with its columns and units named anew; its first line holds the names, its second the units.
 * @param {(name: string) => string} rename */
function renamedLog(rename) {
  const lines = readFileSync(join(DEMO, "strangers.csv"), "latin1").split("\n");
  for (const at of [0, 1]) {
    lines[at] = lines[at].trimEnd().split(";").map((cell) => `"${rename(cell).replaceAll("\"", "\"\"")}"`).join(";");
  }
  return Buffer.from(lines.join("\n"), "latin1");
}

test("names of files, columns, units and of the job are shown letter by letter, in lists and tables", async () => {
  const { page, complaints, close } = await site.open();
  await page.locator("#f-name").fill(MARKUP);
  await page.locator("#f-name").press("Tab");
  const log = renamedLog((name) => `${name} ${MARKUP}`);
  await dropFiles(page, [{ name: `${MARKUP.replaceAll("/", "")}.csv`, bytes: log }, { name: `${MARKUP.replaceAll("/", "")}.txt`, bytes: Buffer.from("\u0000\u0001") }]);
  await until(async () => /<img src=x/.test((await page.locator("#file-list").textContent()) ?? ""));
  await until(async () => (await page.locator("#title").textContent()) === MARKUP);
  await settled(page);
  assert.match((await page.locator("#faults").textContent()) ?? "", /<img src=x/, "the file that can't be read is named");
  await page.evaluate(() => { for (const details of document.querySelectorAll("details")) details.open = true; });
  await nothingPlanted(page);
  assert.deepEqual(complaints, []);
  await close();
});

for (const first of ["=", "+", "-", "@", "\t"]) {
  test(`a column whose name starts with ${JSON.stringify(first)} leaves as text, and the numbers beside it as they were`, async () => {
    const { page, close } = await site.open();
    await dropFiles(page, [{ name: "named.csv", bytes: renamedLog((name) => (name === "Klopfpegel" ? `${first}Klopfpegel` : name)) }]);
    await until(async () => /named\.csv/.test((await page.locator("#file-list").textContent()) ?? ""));
    await settled(page);
    const csv = await limitsText(page);
    assert.match(csv, new RegExp(`'?\\${first}?Klopfpegel`), "the column is in the table");
    const cells = csv.split(/\r?\n/).flatMap((line) => line.split(","));
    const risky = cells.map((cell) => cell.replace(/^"/, "")).filter((cell) => /^[=+\-@\t\r]/.test(cell));
    for (const cell of risky) assert.match(cell, /^-?\d+(\.\d+)?$/, `only a number may start so: ${cell}`);
    await close();
  });
}

/** What the button for the table of limits saves. @param {Page} page */
async function limitsText(page) {
  const [download] = await Promise.all([page.waitForEvent("download"), page.locator("#save-limits").click()]);
  return readFileSync(/** @type {string} */ (await download.path()), "utf8");
}

/** Sheets and cards made to hurt, each with the word its refusal or its note must hold; null: it is taken, harmless.
 * @type {[string, string, RegExp | null][]} */
const HOSTILE = [
  ["deep.json", `{"sheet":1,"a":${"[".repeat(100_000)}${"]".repeat(100_000)}}`, /nested JSON/],
  ["deep-text.json", `{"card":1,"a":${"{\"a\":".repeat(5_000)}1${"}".repeat(5_000)}}`, /nested JSON/],
  ["large.json", `{"sheet":1,"name":"${"x".repeat(3_000_000)}"}`, /bytes/],
  ["number.json", `{"sheet":1,"bore_mm":1e400}`, /./],
  ["nan.json", `{"sheet":1,"bore_mm":NaN}`, /broken JSON/],
  ["huge.json", `{"sheet":1,"bore_mm":1e300}`, /bore_mm/],
  ["less.json", `{"sheet":1,"cylinders":-4}`, /cylinders/],
  ["teeth.json", `{"sheet":1,"bore_mm":86,"crank":{"kind":"missing-tooth","channel":1,"teeth":1e9,"missing":1}}`, /teeth/],
  ["order.json", `{"sheet":1,"cylinders":4,"firing_order":[${"1,".repeat(100_000)}1]}`, /firing_order/],
  ["sensors.json", `{"sheet":1,"sensors":[${"{\"channel\":1},".repeat(20_000)}{"channel":1}]}`, /sensors|channel/],
  ["rpm.json", `{"card":1,"choices":{"breakpoints":[${"1000,".repeat(50_000)}1]}}`, /breakpoints/],
  ["proto.json", `{"sheet":1,"bore_mm":86,"__proto__":{"polluted":1},"constructor":{"prototype":{"polluted":1}}}`, null],
  ["twice.json", `{"sheet":1,"bore_mm":86,"bore_mm":"x"}`, /bore_mm/],
  ["marks.json", `{"card":1,"marks":[${"{\"file\":\"a\",\"from_s\":0,\"to_s\":1e308,\"label\":\"safe\"},".repeat(9_000)}{"file":"a","from_s":1,"to_s":0,"label":"safe"}]}`, /marks/],
];

test("a hostile sheet or card is refused in words or taken without harm, and the next file is read as if nothing had been", async () => {
  const { page, complaints, close } = await site.open();
  await page.locator("#f-stroke_mm").fill("78");
  await page.locator("#f-stroke_mm").press("Tab");
  for (const [name, text, said] of HOSTILE) {
    await dropFiles(page, [{ name, bytes: Buffer.from(text) }]);
    if (said) await until(async () => (await page.locator("#faults li span").allTextContents()).some((line) => line.startsWith(name) && said.test(line)), () => name);
    else await until(async () => (await page.locator("#file-list").textContent())?.includes(name) ?? false, () => name);
  }
  assert.equal(await page.evaluate(() => /** @type {any} */ ({}).polluted ?? null), null);
  const sentences = await page.locator("#faults li span").allTextContents();
  for (const sentence of sentences) assert(sentence.length < 400, `a sentence, not a page: ${sentence.length} letters`);
  await page.locator("#file-list button[aria-label='remove proto.json']").click(); // a card has one sheet
  await until(async () => (await page.locator("#file-list tbody tr").count()) === 0);
  await dropFiles(page, [join(DEMO, "alder-valley.sheet.json"), join(DEMO, "strangers.csv")]);
  await until(async () => (await page.locator("#f-name").inputValue()).includes("Alder Valley"), () => "the good sheet fills the form");
  await settled(page);
  await nothingPlanted(page);
  assert.deepEqual(complaints, []);
  await close();
});
