/**
 * The sheet itself: readable without script, named for every tool, usable by finger and key, on a phone as on a bench.
 *
 * check: contrast of every ink | WCAG 2.2, 1.4.3, 1.4.6, 1.4.11 | the standard's own formula
 */
import assert from "node:assert/strict";
import { test } from "node:test";
import { until, withSite } from "./support.mjs";

const site = withSite();

test("without scripts the sheet can be read: headings, labels, cautions", async () => {
  const { page, close } = await site.open();
  const context = await page.context().browser()?.newContext({ javaScriptEnabled: false });
  assert(context);
  const plain = await context.newPage();
  await plain.goto(site.origin());
  assert.equal(await plain.locator("h2").count(), 11);
  assert(await plain.locator("#limits").getByText("Nobody works the laptop while driving").isVisible());
  assert(await plain.getByText("Bore", { exact: true }).isVisible());
  assert(await plain.locator("#unfit").isVisible());
  await context.close();
  await close();
});

test("every field, button and canvas has a name, every link a goal", async () => {
  const { page, close } = await site.open();
  const nameless = await page.evaluate(() => [...document.querySelectorAll("input, select, textarea, button, canvas")].filter((node) => {
    if (node instanceof HTMLInputElement && node.type === "file") return false; // its button has the name
    const labelled = "labels" in node && node.labels instanceof NodeList && node.labels.length > 0;
    return !labelled && !node.getAttribute("aria-label") && !(node instanceof HTMLButtonElement && node.textContent?.trim());
  }).map((node) => node.outerHTML));
  assert.deepEqual(nameless, []);
  const lost = await page.evaluate(() => [...document.querySelectorAll("nav a")].map((link) => link.getAttribute("href") ?? "")
    .filter((goal) => !document.querySelector(goal)));
  assert.deepEqual(lost, []);
  await close();
});

test("headings go down one step at a time and the language is said", async () => {
  const { page, close } = await site.open();
  const levels = await page.evaluate(() => [...document.querySelectorAll("h1, h2, h3, h4")].map((node) => Number(node.tagName[1])));
  assert.equal(levels[0], 1);
  assert.deepEqual(levels.filter((level, at) => at > 0 && level > levels[at - 1] + 1), []);
  assert.equal(await page.locator("html").getAttribute("lang"), "en");
  await close();
});

// WCAG 2.2, success criterion 2.5.8: targets of at least 24 by 24 CSS pixels.
// The page's own rule (not WCAG's): no text under 12 px.
for (const [width, height] of [[1366, 768], [390, 844]]) {
  test(`at ${width} x ${height} nothing sticks out, targets are 24 px, text is 12 px`, async () => {
    const { page, close } = await site.open();
    await page.setViewportSize({ width, height });
    assert.equal(await page.evaluate(() => document.documentElement.scrollWidth), width);
    const small = await page.evaluate(() => [...document.querySelectorAll("button, select, nav a, summary, input:not([type=checkbox]):not([type=file])")]
      .filter((node) => node.getClientRects().length > 0)
      .filter((node) => { const box = node.getBoundingClientRect(); return box.width < 24 || box.height < 24; })
      .map((node) => node.outerHTML));
    assert.deepEqual(small, []);
    const tiny = await page.evaluate(() => [...document.querySelectorAll("body *")]
      .filter((node) => node.getClientRects().length > 0 && node.textContent?.trim() && parseFloat(getComputedStyle(node).fontSize) < 12)
      .map((node) => node.outerHTML.slice(0, 120)));
    assert.deepEqual(tiny, []);
    await close();
  });
}

test("the sun scheme is white and black, and stays after a reload", async () => {
  const { page, close } = await site.open();
  await page.locator("#scheme").click();
  await page.reload();
  await until(async () => (await page.locator("#scheme").getAttribute("aria-pressed")) === "true");
  const colours = await page.evaluate(() => {
    const { backgroundColor, color } = getComputedStyle(document.body);
    return [backgroundColor, color];
  });
  assert.deepEqual(colours, ["rgb(255, 255, 255)", "rgb(0, 0, 0)"]);
  await close();
});

test("a browser without vector instructions is told so in one sentence", async () => {
  const { page, close } = await site.open();
  assert(await page.locator("#unfit").isHidden());
  await page.addInitScript(() => { WebAssembly.validate = () => false; });
  await page.reload();
  await until(() => page.locator("#unfit").isVisible());
  assert.match((await page.locator("#unfit").textContent()) ?? "", /SIMD.*use a browser/);
  await close();
});

test("zoom keeps the place under the pointer, and never leaves the data", async () => {
  const { page, close } = await site.open();
  const found = await page.evaluate(`import("/charts/view.js").then(({ within, zoomed, panned }) => {
    const full = { low: 0, high: 100, log: false };
    const log = { low: 10, high: 1000, log: true };
    return {
      closer: zoomed(full, [20, 60], 0.5, 30), octave: zoomed(log, [10, 1000], 0.5, 100), past: within(full, [90, 130]),
      whole: within(full, [-5, 105]), moved: panned(full, [20, 40], 0.5),
    };
  })`);
  // 30 lies a quarter into 20-60, so it lies a quarter into the closer view; on a log axis halves are halves of decades.
  assert.deepEqual(found.closer, [25, 45]);
  assert.deepEqual(found.octave.map(Math.round), [32, 316]);
  assert.deepEqual(found.past, [60, 100]);
  assert.equal(found.whole, null);
  assert.deepEqual(found.moved, [30, 50]);
  await close();
});

test("numbers are understood with point and comma, and inches as the inch is defined", async () => {
  const { page, close } = await site.open();
  const found = await page.evaluate(`import("/parts/field.js").then((field) => [
    field.typedNumber("86,5"), field.typedNumber(" 1 500 "), field.typedNumber(""), String(field.typedNumber("8o")),
    field.typedOrder("1-3-4-2"), field.toMm(1, "in"), field.lengthText(25.4, "in"),
  ])`);
  assert.deepEqual(found, [86.5, 1500, null, "NaN", [1, 3, 4, 2], 25.4, "1"]);
  await close();
});
