/** Accessibility of every state by axe-core (WCAG 2.2 A and AA and its best practices), and the walk by keys alone. */
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { test } from "node:test";
import { dropFiles, settled, until, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const site = withSite();

/** @param {Page} page @param {string} state */
async function clean(page, state) {
  await page.evaluate(AXE); // by the debugger: the page's policy lets no script of others in
  const found = await page.evaluate(async () => {
    const { axe } = /** @type {any} */ (window);
    const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
    const { violations, passes } = await axe.run(document, { runOnly: tags });
    return { passed: passes.length, broken: violations.map((/** @type {any} */ one) => `${one.id}: ${one.nodes[0].html.slice(0, 160)}`) };
  });
  assert(found.passed > 10, `${state}: axe looked at ${found.passed} rules`);
  assert.deepEqual(found.broken, [], state);
}

/** @param {Page} page @param {string} state */
async function cleanInBoth(page, state) {
  await clean(page, `${state}, paper`);
  await page.locator("#scheme").click();
  await clean(page, `${state}, sun`);
  await page.locator("#scheme").click();
}

test("axe finds nothing: empty, in error, working and full, in both schemes", async () => {
  const { page, close } = await site.open();
  await cleanInBoth(page, "empty");
  await dropFiles(page, [{ name: "bad.wav", bytes: Buffer.from("RIFF\u0000") }]);
  await until(() => page.locator("#faults li").first().isVisible());
  await cleanInBoth(page, "error");
  await page.locator("button[data-evening=two]").first().click();
  await until(async () => (await page.locator("section[data-state=working]").count()) > 0);
  await clean(page, "working");
  await until(async () => (await page.locator("#limits .tables tbody tr").count()) > 4);
  await settled(page);
  await cleanInBoth(page, "full");
  await close();
});

test("by keys alone: sample to limits, a mark made and taken back, a choice changed", async () => {
  const { page, complaints, close } = await site.open();
  /** Tab until the element has focus. @param {string} selector */
  const tabTo = async (selector) => {
    for (let presses = 0; presses < 400; presses += 1) {
      if (await page.evaluate((goal) => document.activeElement?.matches(goal) ?? false, selector)) return;
      await page.keyboard.press("Tab");
    }
    assert.fail(`no way to ${selector} by the Tab key`);
  };
  await tabTo("button[data-evening=two]");
  await page.keyboard.press("Enter");
  await until(async () => (await page.locator("#limits .tables tbody tr").count()) > 4);
  await settled(page);
  await tabTo("#envelope canvas");
  for (let step = 0; step < 3; step += 1) await page.keyboard.press("Shift+ArrowRight");
  await page.keyboard.press("s");
  for (let step = 0; step < 6; step += 1) await page.keyboard.press("Shift+ArrowRight");
  await page.keyboard.press("s");
  await until(async () => (await page.locator("#marks tbody tr").count()) === 1);
  const end = () => page.locator("#marks input[aria-label='mark 1: to, s']").inputValue();
  const before = Number(await end());
  for (let step = 0; step < 4; step += 1) await page.keyboard.press("Shift+ArrowRight");
  await page.keyboard.press("]");
  await until(async () => Number(await end()) > before);
  await page.keyboard.press("Control+z");
  await until(async () => Number(await end()) === before);
  await page.keyboard.press("Control+z");
  await until(async () => (await page.locator("#marks tbody tr").count()) === 0);
  await settled(page);
  await tabTo("#false-alarm");
  await page.keyboard.press("Home");
  await until(async () => /1 in 100[^0-9]/.test((await page.locator("#limits .finding").textContent()) ?? ""));
  assert.deepEqual(complaints, []);
  await close();
});
