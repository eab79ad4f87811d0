/**
 * The whole story by mouse, by keys alone and by finger: sample, verdict, a look into the recording, a mark made and taken
 * back, the window and a choice changed, listening, a table opened, a picture saved, print. By default each hand in one size
 * and scheme; with RINGDOWN_LONG=1 every hand in every size and both schemes.
 *
 * `RINGDOWN_REFERENCE=1` writes what was seen to `reference/`: pictures to be looked at, not compared, for fonts differ.
 */
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { mkdirSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { test } from "node:test";
import { settled, until, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */
/** @typedef {"mouse" | "keys" | "touch"} How */
/** What a hand can do. @typedef {{ press: (selector: string) => Promise<void>, choose: (selector: string, value: string) => Promise<void>,
 *   zoom: () => Promise<void>, pan: () => Promise<void>, whole: () => Promise<void>, mark: () => Promise<void> }} Hand */

const REFERENCE = fileURLToPath(new URL("reference", import.meta.url));
const SIZES = [[1366, 768], [1920, 1080], [390, 844]];
const CANVAS = "#envelope canvas";
const site = withSite();

/** @param {Page} page */
async function boxOf(page) {
  await page.locator(CANVAS).scrollIntoViewIfNeeded();
  const box = await page.locator(CANVAS).boundingBox();
  assert(box);
  return box;
}

/** @param {Page} page @returns {Hand} */
function mouse(page) {
  const drag = async (/** @type {number} */ from, /** @type {number} */ to) => {
    const { x, y, width, height } = await boxOf(page);
    await page.mouse.move(x + width * from, y + height / 2);
    await page.mouse.down();
    await page.mouse.move(x + width * (from + to) / 2, y + height / 2);
    await page.mouse.move(x + width * to, y + height / 2);
    await page.mouse.up();
  };
  return {
    press: (selector) => page.locator(selector).first().click(),
    choose: async (selector, value) => { await page.locator(selector).selectOption(value); },
    zoom: () => drag(0.4, 0.7),
    pan: async () => {
      await page.keyboard.down("Shift");
      await drag(0.5, 0.4);
      await page.keyboard.up("Shift");
    },
    whole: async () => {
      const { x, y, width, height } = await boxOf(page);
      await page.mouse.dblclick(x + width / 2, y + height / 2);
    },
    mark: async () => {
      await page.locator("#drag-does").selectOption("safe");
      await drag(0.3, 0.5);
      await page.locator("#drag-does").selectOption("zoom");
    },
  };
}

/** @param {Page} page @returns {Hand} */
function keys(page) {
  /** Tab, forwards or back, until the element has focus. @param {string} selector */
  const tabTo = async (selector) => {
    const back = await page.evaluate((goal) => {
      const [here, there] = [document.activeElement, document.querySelector(goal)];
      return Boolean(here && there && here !== document.body && here.compareDocumentPosition(there) & Node.DOCUMENT_POSITION_PRECEDING);
    }, selector);
    for (let presses = 0; presses < 400; presses += 1) {
      if (await page.evaluate((goal) => document.activeElement === document.querySelector(goal), selector)) return;
      await page.keyboard.press(back ? "Shift+Tab" : "Tab");
    }
    assert.fail(`no way to ${selector} by the Tab key`);
  };
  const onChart = async (/** @type {string[]} */ ...presses) => {
    await tabTo(CANVAS);
    for (const key of presses) await page.keyboard.press(key);
  };
  return {
    press: async (selector) => {
      await tabTo(selector);
      await page.keyboard.press("Enter");
    },
    choose: async (selector, value) => {
      await tabTo(selector);
      for (let presses = 0; presses < 30 && (await page.locator(selector).inputValue()) !== value; presses += 1) await page.keyboard.press(presses ? "ArrowDown" : "Home");
    },
    zoom: () => onChart("+", "+"),
    pan: () => onChart("ArrowRight"),
    whole: () => onChart("Home"),
    mark: () => onChart(...Array(3).fill("Shift+ArrowRight"), "s", ...Array(6).fill("Shift+ArrowRight"), "s"),
  };
}

/** @param {Page} page @returns {Promise<Hand>} */
async function touch(page) {
  const fingers = await page.context().newCDPSession(page);
  /** Fingers from place to place, as shares of the chart's width. @param {[number, number][]} paths */
  const move = async (paths) => {
    const { x, y, width, height } = await boxOf(page);
    const at = (/** @type {number} */ share) => paths.map(([from, to], id) => ({ id, x: x + width * (from + (to - from) * share), y: y + height / 2 + id }));
    await fingers.send("Input.dispatchTouchEvent", { type: "touchStart", touchPoints: at(0) });
    for (let step = 1; step <= 6; step += 1) await fingers.send("Input.dispatchTouchEvent", { type: "touchMove", touchPoints: at(step / 6) });
    await fingers.send("Input.dispatchTouchEvent", { type: "touchEnd", touchPoints: [] });
  };
  const hand = {
    press: (/** @type {string} */ selector) => page.locator(selector).first().tap(),
    choose: async (/** @type {string} */ selector, /** @type {string} */ value) => { await page.locator(selector).selectOption(value); },
    zoom: () => move([[0.45, 0.25], [0.6, 0.85]]),
    pan: () => move([[0.6, 0.4]]),
    whole: () => hand.press("#envelope .tools button"),
    mark: async () => {
      await page.locator("#drag-does").selectOption("safe");
      await move([[0.3, 0.5]]);
      await page.locator("#drag-does").selectOption("zoom");
    },
  };
  return hand;
}

/** What of the recording is shown, as the figures' table says once opened. @param {Page} page */
const shownRange = (page) => page.evaluate(() => {
  const cells = [...document.querySelectorAll("#envelope .figures tbody tr")].map((row) => Number(row.children[1]?.textContent)).filter(Number.isFinite);
  return [Math.min(...cells), Math.max(...cells)];
});

/** @param {Page} page @param {string} name */
async function keep(page, name) {
  if (!process.env.RINGDOWN_REFERENCE) return;
  mkdirSync(REFERENCE, { recursive: true });
  const path = join(REFERENCE, `${name}.png`);
  await until(() => page.evaluate(() => [...document.querySelectorAll("figure.chart:not([hidden]) canvas")].every((canvas) => {
    const { top, bottom } = canvas.getBoundingClientRect();
    return bottom < 0 || top > innerHeight || (canvas instanceof HTMLCanvasElement && canvas.width > 0);
  })));
  await page.screenshot({ path });
  execFileSync("convert", [path, "-colors", "48", "-strip", path]); // ImageMagick, where it is: small files
}

/** @param {How} how @param {number} width @param {number} height @param {"paper" | "sun"} scheme */
async function walk(how, width, height, scheme) {
  const { page, complaints, requests, close } = await site.open("/", { script: () => {
    Object.assign(window, { printed: 0, print: () => { /** @type {any} */ (window).printed += 1; } });
    Object.defineProperty(navigator, "clipboard", { value: { writeText: async (/** @type {string} */ text) => { Object.assign(window, { copied: text }); } } });
  }, touch: how === "touch" });
  const name = `${how}-${width}-${scheme}`;
  await page.setViewportSize({ width, height });
  const hand = how === "mouse" ? mouse(page) : how === "keys" ? keys(page) : await touch(page);
  if (scheme === "sun") {
    await hand.press("#scheme");
    await until(async () => (await page.locator("html").getAttribute("data-scheme")) === "sun");
  }
  await hand.press("button[data-evening=two]");
  await until(async () => (await page.locator("#limits .tables tbody tr").count()) > 4);
  await settled(page);
  await page.evaluate(() => { scrollTo(0, 0); });
  const verdict = await page.locator("#verdict").boundingBox();
  assert(verdict && verdict.y + verdict.height <= height, "the four answers stand in the first screenful");
  assert.equal(await page.locator("#verdict dd").evaluateAll((all) => all.filter((one) => /^Not known/.test(one.textContent ?? "")).length), 0);
  await keep(page, name);

  // Into the recording: closer, along, back.
  await hand.press("#envelope .figures summary");
  await until(async () => (await page.locator("#envelope .figures tbody tr").count()) > 10);
  const [, all] = await shownRange(page);
  await hand.zoom();
  await until(async () => { const [from, to] = await shownRange(page); return to - from < 0.95 * all && to - from > 0; }, () => "closer");
  const [before] = await shownRange(page);
  await hand.pan();
  await until(async () => (await shownRange(page))[0] > before + 0.001, () => "further along");
  await keep(page, `${name}-closer`);
  await until(async () => {
    await hand.whole(); // a finger that has just left the glass may be taken for still being there
    const [from, to] = await shownRange(page);
    return to - from > 0.95 * all;
  }, () => "the whole again");

  // A mark made and taken back.
  await hand.mark();
  await until(async () => (await page.locator("#marks tbody tr").count()) === 1);
  await settled(page);
  await hand.press("#undo");
  await until(async () => (await page.locator("#marks tbody tr").count()) === 0);
  await settled(page);

  // A choice changes what follows.
  const finding = async () => (await page.locator("#limits .finding").textContent()) ?? "";
  await hand.choose("#false-alarm", "0.01");
  await until(async () => /1 in 100[^0-9]/.test(await finding()));
  await settled(page);
  await hand.press("#undo");
  await until(async () => /1 in 1\s000/.test(await finding()));
  await settled(page);
  await page.locator("#limits h2").scrollIntoViewIfNeeded();
  await keep(page, `${name}-limits`);

  // It leaves: as text, as a picture, on paper.
  await hand.press("#copy-findings");
  await until(() => page.evaluate(() => /Limits|limit/.test(/** @type {any} */ (window).copied ?? "")));
  const [picture] = await Promise.all([page.waitForEvent("download"), hand.press("#limits .tools button:last-child")]);
  assert.match(picture.suggestedFilename(), /^ringdown-.*\.svg$/);
  await hand.press("#print");
  assert.equal(await page.evaluate(() => /** @type {any} */ (window).printed), 1);
  assert.equal(await page.evaluate(() => document.documentElement.scrollWidth), width, "nothing sticks out");
  assert.deepEqual(complaints, []);
  requests.assertOwn(site.origin());
  await close();
}

/** @type {[How, number, number, "paper" | "sun"][]} */
const FEW = [["mouse", 1366, 768, "paper"], ["keys", 1920, 1080, "sun"], ["touch", 390, 844, "sun"]];
/** @type {[How, number, number, "paper" | "sun"][]} */
const ALL = SIZES.flatMap(([width, height]) => /** @type {const} */ (["mouse", "keys", "touch"]).flatMap((how) => (
  /** @type {const} */ (["paper", "sun"]).map((scheme) => /** @type {[How, number, number, "paper" | "sun"]} */ ([how, width, height, scheme])))));

for (const [how, width, height, scheme] of process.env.RINGDOWN_LONG ? ALL : FEW) {
  test(`by ${how} at ${width} x ${height}, ${scheme}: from the sample to limits, text, picture and print`, { timeout: 600_000 }, () => walk(how, width, height, scheme));
}
