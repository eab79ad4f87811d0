/**
 * Accessibility of every state by axe-core (WCAG 2.2 A and AA and its best practices).
 *
 * check: the page in every state, both schemes | axe-core 4.14: WCAG 2.2 A and AA, its best practices | no violation
 */
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
