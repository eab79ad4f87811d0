/** German: offered, remembered, and no text of the sheet left in English. */
import assert from "node:assert/strict";
import { test } from "node:test";
import { until, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */

const site = withSite();

/** What has no letters, and what is the same in both: units, abbreviations, keys, the names of languages. */
const ALIKE = /^(\P{L}*|mm|K|Hz|Q|dB|1\/min|AUC|ROC|SHA-256|PNG|SVG|s, k, x|Band|English|Deutsch)$/u;

/** Every text of the sheet, and every label that is read out. @param {Page} page @returns {Promise<string[]>} */
const texts = (page) => page.evaluate(() => {
  const all = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_ELEMENT | NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const around = node instanceof Element ? node : node.parentElement;
    if (!around || around.closest("script, style, svg, #title, #offline, .tables, .pictures, .why, .todo, .finding, #verdict")) continue;
    if (node instanceof Element) all.push(...["aria-label", "title", "placeholder"].map((name) => node.getAttribute(name) ?? ""));
    else all.push(node.nodeValue ?? "");
  }
  return all.map((text) => text.trim().replace(/\s+/g, " ")).filter(Boolean);
});

/** @param {Page} page @param {string} tag */
async function choose(page, tag) {
  await page.locator("#language").selectOption(tag);
  await until(async () => (await page.locator("html").getAttribute("lang")) === tag);
}

test("German is offered: it leaves no text of the sheet in English, is remembered, and goes back", async () => {
  const { page, close } = await site.open();
  const english = new Set(await texts(page));
  assert(english.size > 250, `${english.size} texts`);
  await choose(page, "de");
  const german = new Set(await texts(page));
  assert(german.size > 250, `${german.size} texts`);
  assert.deepEqual([...german].filter((text) => english.has(text) && !ALIKE.test(text)), []);
  assert.equal(await page.locator("#decimal").inputValue(), ",");
  await page.reload();
  await until(async () => (await page.locator("html").getAttribute("lang")) === "de");
  assert.equal(await page.locator("#h-window").textContent(), "Klopffenster");
  await choose(page, "en");
  assert.equal(await page.locator("#h-window").textContent(), "Window");
  await close();
});
