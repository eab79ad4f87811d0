/** Room: texts two fifths longer still fit, on a phone as on a bench. */
import assert from "node:assert/strict";
import { test } from "node:test";
import { settled, until, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */

const site = withSite();

/** @param {Page} page */
async function sample(page) {
  await page.locator("button[data-evening=two]").first().click();
  await until(async () => (await page.locator("#handover .tables tbody tr").count()) > 8);
  await settled(page);
}

test("with texts two fifths longer nothing sticks out and nothing is cut off, at 1366 and at 390 pixels", async () => {
  const { page, close } = await site.open();
  await page.evaluate(() => localStorage.setItem("ringdown-card", JSON.stringify({ language: "en-x-long" })));
  await page.reload();
  await sample(page);
  assert.match((await page.locator("#limits .finding").textContent()) ?? "", /^\u27e6.*\u27e7$/s);
  for (const width of [1366, 390]) {
    await page.setViewportSize({ width, height: 800 });
    await until(async () => (await page.evaluate(() => document.documentElement.clientWidth)) === width);
    assert.equal(await page.evaluate(() => document.documentElement.scrollWidth), width);
    const cut = await page.evaluate(() => [...document.querySelectorAll(".finding, #verdict dd, #verdict dt, .why, .todo, caption, figcaption, td, th, button, label, summary")]
      .filter((one) => one instanceof HTMLElement && one.offsetParent !== null && !one.closest("canvas, .unseen"))
      .filter((one) => one.scrollWidth > one.clientWidth + 1 && getComputedStyle(one).display !== "inline")
      .map((one) => `${one.tagName} ${one.textContent?.slice(0, 60)}`));
    assert.deepEqual(cut, [], `at ${width} px`);
    const outside = await page.evaluate(() => [...document.querySelectorAll("caption")]
      .filter((one) => one.getBoundingClientRect().right > document.documentElement.clientWidth).map((one) => one.textContent));
    assert.deepEqual(outside, [], `captions read only by scrolling, at ${width} px`);
  }
  await page.evaluate(() => document.querySelectorAll("details.part").forEach((one) => one.setAttribute("open", "")));
  await page.locator("#add-sensor").click();
  assert.equal(await page.evaluate(() => document.documentElement.scrollWidth), 390, "the whole sheet open");
  await close();
});
