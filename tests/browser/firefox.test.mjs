/** The same story in Firefox ESR, by WebDriver BiDi: the site and the single file, from a sheet and a recording to limits. */
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";
import { after, before, test } from "node:test";
import puppeteer from "puppeteer-core";
import { startSite, until } from "./support.mjs";

const ROOT = fileURLToPath(new URL("../..", import.meta.url));
const TWIN = join(ROOT, "target/debug", process.platform === "win32" ? "ringdown.exe" : "ringdown");
/** @type {string} */
let folder;
/** @type {import("puppeteer-core").Browser} */
let browser;

before(async () => {
  execFileSync("cargo", ["build", "--quiet", "--package", "ringdown-cli"], { cwd: ROOT, stdio: ["ignore", "inherit", "inherit"] });
  folder = mkdtempSync(join(tmpdir(), "ringdown-firefox-"));
  execFileSync(TWIN, ["synth", folder]);
  browser = await puppeteer.launch({ browser: "firefox", executablePath: process.env.FIREFOX || "/usr/bin/firefox-esr", protocolTimeout: 120_000 });
});
after(async () => {
  await browser?.close();
  rmSync(folder, { recursive: true, force: true });
});

/** @param {string} address */
async function fromDropToLimits(address) {
  const page = await browser.newPage();
  /** @type {string[]} */
  const complaints = [];
  page.on("pageerror", (error) => complaints.push(String(error)));
  page.on("console", (message) => { if (message.type() === "error") complaints.push(message.text()); });
  await page.goto(address);
  const input = /** @type {import("puppeteer-core").ElementHandle<HTMLInputElement>} */ (await page.waitForSelector("#files"));
  await input.uploadFile(...["alder-valley.sheet.json", "evening-two.wav"].map((name) => join(folder, name)));
  const rows = () => page.evaluate(() => document.querySelectorAll("#limits .tables tbody tr").length);
  await until(async () => (await rows()) > 4);
  await until(() => page.evaluate(() => document.querySelector("#progress-text")?.textContent === "Done."));
  const seen = await page.evaluate(() => ({
    finding: document.querySelector("#limits .finding")?.textContent ?? "",
    faults: document.querySelectorAll("#faults li").length,
    charts: [...document.querySelectorAll("canvas")].filter((one) => one.width > 100).length,
  }));
  assert.match(seen.finding, /^At 1 in 1.000 the limit lies/);
  assert.equal(seen.faults, 0);
  assert(seen.charts > 0, "something is drawn");
  assert.deepEqual(complaints, []);
  await page.close();
}

test("Firefox ESR: the site, from drop to limits", async () => {
  const site = await startSite();
  await fromDropToLimits(`${site.origin}/`);
  await site.stop();
});

test("Firefox ESR: the single file under file://, from drop to limits", () => fromDropToLimits(pathToFileURL(join(ROOT, "dist/ringdown.html")).href));
