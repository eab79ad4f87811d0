/**
 * The printed card, read back by pdftotext: it holds every finding and every table, and the place to sign.
 *
 * check: what is printed | the page's own findings and tables, read back by pdftotext | every text, A4 and Letter
 */
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { test } from "node:test";
import { settled, until, withSite } from "./support.mjs";

const site = withSite();
/** More pages than this nobody carries to the engine. */
const MOST_PAGES = 15;
/** Words as a reader compares them: spaces of every kind and line breaks are one. @param {string} text */
const plain = (text) => text.replace(/[\s\u00a0\u2009\u202f-]+/g, "");

test("print holds every finding, every table cell, hashes, version and the place to sign", async () => {
  const { page, close } = await site.open();
  await page.locator("button[data-evening=two]").first().click();
  await until(async () => (await page.locator("#handover .tables tbody tr").count()) > 8);
  await settled(page);
  const pictures = () => page.locator("section img.printed").evaluateAll((all) => all.filter((one) => one instanceof HTMLImageElement && one.src.startsWith("blob:")).length);
  const charts = await page.locator("section figure.chart:not([hidden])").count();
  await until(async () => (await pictures()) >= charts);
  const wanted = await page.evaluate(() => {
    const texts = [...document.querySelectorAll(".finding, .tables td:not(.act), .tables th:not(.act), .tables caption, .todo li, #verdict dd")];
    return texts.map((one) => one.textContent?.trim() ?? "").filter(Boolean);
  });
  assert(wanted.length > 200, `${wanted.length} texts`);
  const folder = mkdtempSync(join(tmpdir(), "ringdown-print-"));
  for (const format of ["A4", "Letter"]) {
    const file = join(folder, `${format}.pdf`);
    writeFileSync(file, await page.pdf({ format }));
    // Each text by itself may break over lines and cells: what counts is that its signs stand in order.
    const printed = plain(execFileSync("pdftotext", ["-raw", file, "-"], { encoding: "utf8" }));
    const missing = wanted.filter((text) => !printed.includes(plain(text)));
    assert.deepEqual(missing, [], format);
    assert(printed.includes("Signature"), "a place to sign");
    const pages = Number(/Pages:\s+(\d+)/.exec(execFileSync("pdfinfo", [file], { encoding: "utf8" }))?.[1]);
    console.log(`${format}: ${pages} pages`);
    assert(pages <= MOST_PAGES, `${pages} pages`);
    const images = execFileSync("pdfimages", ["-list", file], { encoding: "utf8" }).trim().split("\n").length - 2;
    assert(images <= 2 * charts / 3, `${images} images for ${charts} charts: lines and words of charts are vectors`);
  }
  rmSync(folder, { recursive: true, force: true });
  await close();
});
