/** German: offered, remembered, and no text of the sheet left in English. */
import assert from "node:assert/strict";
import { test } from "node:test";
import { dropFiles, settled, until, withSite } from "./support.mjs";

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

/** Files that are refused or read with a note, each for a reason of its own. @type {[string, string | Buffer][]} */
const ODD = [
  ["empty.wav", ""], ["old.au", ".snd\0\0\0\x18 and more"], ["song.mp3", "ID3\x03 and more"], ["photo.png", "\x89PNG\r\n\x1a\n and more"],
  ["papers.pdf", "%PDF-1.7 and more"], ["packed.7z", Buffer.from("377abcaf271c0004", "hex")], ["raw.bin", Buffer.from(Array.from({ length: 4000 }, (_, at) => at * 37 % 32))],
  ["letter.txt", "Dear all,\nthe engine ran well\n"], ["other.json", "{\"hello\": 1}"], ["broken.sheet.json", "{\"sheet\": 1, \"bore_mm\": }"],
  ["silly.sheet.json", "{\"sheet\": 1, \"bore_mm\": 9000}"], ["newer.card.json", "{\"card\": 2}"], ["short.wav", "RIFF\0\0\0\0WAVEfmt "],
  ["notime.csv", "RPM,Knock Level (V)\n1000,0.1\n1010,0.2\n1020,0.1\n1030,0.3\n"], ["cut.csv", "Time (s),RPM,Knock (V)\n0,1000,0.1\n0.1,1010,0.2\n0.2,1020,0.2\n0.3,10"],
];
/** Words that German has not. */
const ENGLISH = /\b(the|of|and|that|with|found|expected|drop|it|which|are|this|file|bytes of|values|says|unit|fits|comma|head|lines|to|largest)\b/i;

test("in German every refusal of a file, and every note on what was assumed, is German", async () => {
  const { page, close } = await site.open();
  await choose(page, "de");
  await dropFiles(page, ODD.map(([name, content]) => ({ name, bytes: Buffer.from(/** @type {string} */ (content), "latin1") })));
  await until(async () => (await page.locator("#file-list").textContent())?.includes("cut.csv") ?? false);
  await settled(page);
  const names = new RegExp(ODD.map(([name]) => name.replaceAll(".", "\\.")).join("|"), "g");
  const said = (await page.locator("#faults li span, #file-list .note").allTextContents()).map((text) => text.replace(names, ""));
  assert(said.length >= ODD.length, `${said.length} sentences`);
  assert.deepEqual(said.filter((text) => ENGLISH.test(text)), []);
  const cells = (await page.locator("#file-list td, #recordings .tables caption, #recordings .tables td").allTextContents()).map((text) => text.replace(names, ""));
  assert(cells.some((text) => /^der Name sagt/.test(text)), `${cells}`);
  assert.deepEqual(cells.filter((text) => ENGLISH.test(text)), []);
  await page.locator("#f-bore_mm").fill("9000");
  await page.locator("#f-bore_mm").press("Tab");
  await until(async () => /außerhalb/.test((await page.locator("#f-bore_mm-fault").textContent()) ?? ""));
  await close();
});
