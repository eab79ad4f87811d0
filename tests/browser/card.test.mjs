/** The card at work: a bore answers, bad files are named, choices can be undone and survive a reload. */
import assert from "node:assert/strict";
import { createHash } from "node:crypto";
import { test } from "node:test";
import { dropFiles, textOf, until, wave, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */

const site = withSite();

/** @param {Page} page @param {string} name @param {string} text */
async function type(page, name, text) {
  await page.locator(`#f-${name}`).fill(text);
  await page.locator(`#f-${name}`).press("Tab");
}

/** A second of 16-bit silence with one click, 8 kHz. */
const quietWave = () => wave(8000, 8000, (frame) => (frame === 4000 ? 12_000 : 0));

test("a bore alone gives the modes, with chart, table and a picture ready for print", async () => {
  const { page, complaints, close } = await site.open();
  await type(page, "bore_mm", "94");
  await until(async () => (await page.locator("#engine").getAttribute("data-state")) !== "waiting");
  await until(async () => (await page.locator("#engine .tables tbody tr").count()) > 0);
  await until(async () => (await page.locator("#engine img.printed").getAttribute("src"))?.startsWith("blob:") ?? false);
  const name = await page.locator("#engine canvas").first().getAttribute("aria-label");
  assert(name && name.length > 20, `name of the chart: ${name}`);
  assert.deepEqual(complaints, []);
  await close();
});

test("a silly bore is refused beside its field and the rest of the sheet still counts", async () => {
  const { page, close } = await site.open();
  await type(page, "bore_mm", "9000");
  await until(async () => (await textOf(page, "#f-bore_mm-fault")).length > 0);
  await type(page, "name", "Test mule");
  await until(async () => (await textOf(page, "#title")) === "Test mule");
  await close();
});

test("a file that can't be read is named with what to do; the next one is read", async () => {
  const { page, close } = await site.open();
  await dropFiles(page, [{ name: "bad.wav", bytes: Buffer.from("RIFF\u0000") }, { name: "quiet.wav", bytes: quietWave() }]);
  await until(async () => (await page.locator("#file-list").textContent())?.includes("quiet.wav") ?? false);
  assert.match(await textOf(page, "#faults"), /bad\.wav/);
  assert(!(await textOf(page, "#file-list")).includes("bad.wav"));
  await close();
});

test("provoked knock shows its cautions; undo takes role and cautions back", async () => {
  const { page, close } = await site.open();
  await dropFiles(page, [{ name: "quiet.wav", bytes: quietWave() }]);
  const role = page.locator("#file-list select").first();
  await until(() => role.isVisible());
  const before = await role.inputValue();
  assert.notEqual(before, "knock");
  await role.selectOption("knock");
  await until(() => page.locator("#cautions-recordings").isVisible());
  await page.keyboard.press("Control+z");
  await until(async () => (await role.inputValue()) === before);
  assert(await page.locator("#cautions-recordings").isHidden());
  await close();
});

test("what was typed and chosen is there after a reload, until it is forgotten", async () => {
  const { page, close } = await site.open();
  await type(page, "cylinders", "4");
  await page.locator("#f-layout").selectOption("1-3-4-2");
  await page.locator("#false-alarm").selectOption("0.0001");
  await page.reload();
  assert.equal(await page.locator("#f-firing_order").inputValue(), "1-3-4-2");
  assert.equal(await page.locator("#false-alarm").inputValue(), "0.0001");
  await page.locator("#forget").click();
  await page.reload();
  assert.equal(await page.locator("#f-firing_order").inputValue(), "");
  await close();
});

/** A saved card that knows one file. @param {string} sha256 */
const savedCard = (sha256) => ({ name: "saved.card.json", bytes: Buffer.from(JSON.stringify({
  card: 1, files: [{ name: "quiet.wav", sha256, bytes: quietWave().length, role: "listen" }],
  marks: [{ file: "quiet.wav", from_s: 0.25, to_s: 0.5, label: "exclude", ignition_deg_btdc: 18, load: null, fuel: "98", coolant_c: 85 }],
})) });

test("a saved card asks for its file by name and hash; the very file brings its role and marks back", async () => {
  const { page, complaints, close } = await site.open();
  const sha = createHash("sha256").update(quietWave()).digest("hex");
  await dropFiles(page, [savedCard(sha)]);
  await until(async () => (await textOf(page, "#recordings .todo")).includes(sha.slice(0, 12)));
  await dropFiles(page, [{ name: "quiet.wav", bytes: quietWave() }]);
  await until(async () => (await page.locator("#marks tbody tr").count()) === 1);
  assert.equal(await page.locator("#marks input[aria-label='mark 1: fuel']").inputValue(), "98");
  assert.equal(await page.locator("#file-list select").first().inputValue(), "listen");
  assert.deepEqual(complaints, []);
  await close();
});

test("another file of that name is refused, and used only when the user says so", async () => {
  const { page, close } = await site.open();
  await dropFiles(page, [savedCard("0".repeat(64))]);
  await dropFiles(page, [{ name: "quiet.wav", bytes: quietWave() }]);
  await until(async () => (await textOf(page, "#awaited")).includes("another file"));
  assert(!(await textOf(page, "#file-list")).includes("quiet.wav"));
  await page.getByRole("button", { name: "use quiet.wav anyway" }).click();
  await until(async () => (await textOf(page, "#file-list")).includes("quiet.wav"));
  await close();
});

test("after a reload the page asks for the files it knew, by name and hash", async () => {
  const { page, close } = await site.open();
  await dropFiles(page, [{ name: "quiet.wav", bytes: quietWave() }]);
  await until(async () => (await page.locator("#file-list .hash").first().textContent())?.length === 12);
  const hash = (await page.locator("#file-list .hash").first().textContent()) ?? "none";
  await page.reload();
  await until(async () => (await textOf(page, "#awaited")).includes(hash));
  await page.getByRole("button", { name: "leave quiet.wav out" }).click();
  await until(() => page.locator("#awaited").isHidden());
  await close();
});

test("a table pasted from a spreadsheet is read like a file", async () => {
  const { page, close } = await site.open();
  await page.evaluate(() => {
    const held = new DataTransfer();
    held.setData("text/plain", "Time (s)\tEngine Speed (rpm)\tKnock Level (V)\n0\t1000\t0.1\n0.05\t1010\t0.2\n0.1\t1020\t0.15\n");
    document.body.dispatchEvent(new ClipboardEvent("paste", { clipboardData: held, bubbles: true, cancelable: true }));
  });
  await until(async () => (await textOf(page, "#file-list")).includes("pasted.csv"));
  assert((await textOf(page, "#file-list")).includes("log"));
  await close();
});
