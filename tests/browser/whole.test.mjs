/** The whole job in the browser: the sample to findings, and dropped files to the very limits of the native twin. */
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { after, before, test } from "node:test";
import { dropFiles, settled, until, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */

const ROOT = fileURLToPath(new URL("../..", import.meta.url));
const TWIN = join(ROOT, "target/debug", process.platform === "win32" ? "ringdown.exe" : "ringdown");
const site = withSite();
/** @type {string} */
let folder;

before(() => {
  execFileSync("cargo", ["build", "--quiet", "--package", "ringdown-cli"], { cwd: ROOT, stdio: ["ignore", "inherit", "inherit"] });
  folder = mkdtempSync(join(tmpdir(), "ringdown-"));
  execFileSync(TWIN, ["synth", folder]);
});
after(() => { rmSync(folder, { recursive: true, force: true }); });

/** What a button hands over as a download. @param {Page} page @param {string} button */
async function saved(page, button) {
  const [download] = await Promise.all([page.waitForEvent("download"), page.locator(button).click()]);
  return readFileSync(/** @type {string} */ (await download.path()), "utf8");
}

/** @param {string[]} files @param {string[]} options */
function twin(files, ...options) {
  const out = execFileSync(TWIN, ["analyse", ...files.map((name) => join(folder, name)), ...options, "--json", "-"],
    { maxBuffer: 1 << 28, encoding: "utf8" });
  return JSON.parse(out);
}

/** @param {any[]} limits */
const key = (limits) => limits.map((one) => [one.cylinder ?? null, one.sensor ?? null, one.column ?? null, one.unit, one.rpm].join(" "));

test("the sample fills every section, byte for byte the files that the native twin writes", async () => {
  const { page, requests, complaints, close } = await site.open();
  await page.locator("button[data-evening=three]").first().click();
  await until(async () => (await page.locator("#handover .tables tbody tr").count()) > 8);
  await settled(page);
  const result = JSON.parse(await saved(page, "#save-result"));
  for (const n of [1, 2, 3, 4, 5, 6, 7, 9]) {
    assert.equal(result.findings[n - 1].state, "holds", `section ${n}: ${result.findings[n - 1].sentence}`);
  }
  for (const { sentence } of [result.findings[2], result.verdict[0]]) {
    assert.match(sentence, /^Both sensors can be trusted.*Not so before the change: Channel 2 of evening-one\.wav, it rings by itself at 3\.6\d kHz/);
  }
  assert.match(result.findings[7].sentence, /^At 1 in 1.000 the limit lies/);
  for (const file of result.files) {
    const bytes = readFileSync(join(folder, file.name));
    assert.equal(file.bytes, bytes.length, file.name);
    const { createHash } = await import("node:crypto");
    assert.equal(file.sha256, createHash("sha256").update(bytes).digest("hex"), file.name);
  }
  assert.equal(await page.locator("#faults li").count(), 0);
  for (const canvas of await page.locator("section canvas").all()) {
    assert(((await canvas.getAttribute("aria-label")) ?? "").length > 20, "every chart says what it shows");
  }
  assert.deepEqual(complaints, []);
  requests.assertOwn(site.origin());
  await close();
});

test("dropped files give the native twin's limits to 1e-6 dB, and no request leaves the page's host", async () => {
  const { page, requests, complaints, close } = await site.open();
  const files = ["alder-valley.sheet.json", "evening-two.wav", "evening-two.csv"];
  await dropFiles(page, files.map((name) => join(folder, name)));
  await until(async () => (await page.locator("#limits .tables tbody tr").count()) > 4);
  await settled(page);
  const here = JSON.parse(await saved(page, "#save-result"));
  const there = twin(files);
  assert.deepEqual(key(here.limits), key(there.limits));
  assert(here.limits.length >= 80, `${here.limits.length} cells`);
  let filled = 0;
  for (const [at, cell] of here.limits.entries()) {
    const other = there.limits[at];
    assert.equal(cell.limit === null, other.limit === null, `cell ${key([cell])}`);
    if (cell.limit === null) continue;
    filled += 1;
    const apart = cell.unit.startsWith("dB") ? Math.abs(cell.limit - other.limit) : Math.abs(20 * Math.log10(cell.limit / other.limit));
    assert(apart <= 1e-6, `cell ${key([cell])}: ${cell.limit} here, ${other.limit} there`);
  }
  assert(filled >= 60, `${filled} cells filled`);
  assert.equal(here.events.length, there.events.length);
  const csv = await saved(page, "#save-limits");
  assert.match(csv, /limit over floor, dB/);
  assert.equal(csv.trim().split(/\r?\n/).filter((line) => /^\d+,/.test(line)).length, 3 * 11, "speeds in rows, three blocks");
  assert.deepEqual(complaints, []);
  requests.assertOwn(site.origin());
  await close();
});

test("a choice changes every later section at once and can be taken back", async () => {
  const { page, close } = await site.open();
  await dropFiles(page, ["alder-valley.sheet.json", "evening-two.wav"].map((name) => join(folder, name)));
  await until(async () => (await page.locator("#limits .tables tbody tr").count()) > 4);
  await settled(page);
  const finding = () => page.locator("#limits .finding").textContent();
  const first = await finding();
  await page.locator("#false-alarm").selectOption("0.01");
  await until(async () => /1 in 100 /.test((await finding()) ?? ""));
  await settled(page);
  await page.locator("#undo").click();
  await until(async () => (await finding()) === first);
  await settled(page);
  // What is measured: the floor, the limits and the sheet that is signed name it.
  const named = async (/** @type {string} */ words) => {
    const all = await Promise.all(["#floor", "#limits", "#handover"].map((one) => page.locator(one).textContent()));
    return all.every((text) => text?.includes(words));
  };
  await page.locator("#feature").selectOption("peak");
  await until(() => named("largest square in band and window"));
  await settled(page);
  await page.locator("#undo").click();
  await until(async () => (await finding()) === first && !(await named("largest square in band and window")));
  assert.equal(await page.locator("#feature").inputValue(), "energy");
  await close();
});
