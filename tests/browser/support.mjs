/**
 * What every browser test needs: the built page on a server of this machine, a browser, a record of every request.
 *
 * `cargo xtask test` names the browser in CHROMIUM and its own binary in XTASK. By hand, after `cargo xtask dist`:
 * `node --test tests/browser/*.test.mjs`.
 */
import assert from "node:assert/strict";
import { spawn } from "node:child_process";
import { fileURLToPath } from "node:url";
import { after, before } from "node:test";
import { chromium } from "playwright-core";

/** @typedef {import("playwright-core").Page} Page */
/** @typedef {import("playwright-core").Browser} Browser */

const ROOT = fileURLToPath(new URL("../..", import.meta.url));
const FLAGS = [
  "--no-sandbox", // root in a container has no other way
  "--disable-gpu",
  "--disable-quic",
  "--no-first-run",
  "--disable-background-networking",
  "--disable-component-update",
  "--disable-sync",
];
const START_MS = 120_000;
const PATIENCE_MS = 90_000; // what fails takes longer to say so; a busy machine is no fault

/**
 * Serves `dist/site` as `cargo xtask open` does, on a free port.
 * @returns {Promise<{ origin: string, stop: () => Promise<void> }>} `origin` ends without a slash
 */
export async function startSite() {
  const [program, ...first] = process.env.XTASK ? [process.env.XTASK] : ["cargo", "xtask"];
  const server = spawn(program, [...first, "open", "--no-build", "--no-browser", "--port", "0"], {
    cwd: ROOT,
    stdio: ["ignore", "pipe", "inherit"],
  });
  const ended = new Promise((resolve) => server.once("close", resolve));
  const origin = await new Promise((resolve, reject) => {
    let printed = "";
    const late = setTimeout(() => reject(new Error(`no address from the server, only: ${printed}`)), START_MS);
    server.stdout.on("data", (part) => {
      printed += part;
      const found = /http:\/\/127\.0\.0\.1:\d+/.exec(printed);
      if (found) { clearTimeout(late); resolve(found[0]); }
    });
    server.once("error", reject);
    server.once("close", (code) => reject(new Error(`the server ended with ${code}: ${printed}`)));
  });
  return { origin, stop: async () => { server.kill(); await ended; } };
}

/** @returns {Promise<Browser>} */
export function launch() {
  return chromium.launch({ executablePath: process.env.CHROMIUM || "/usr/bin/chromium", args: FLAGS });
}

/**
 * Site and browser for all tests of a file; call it once, at the top.
 * @returns {{ origin: () => string, open: (path?: string, before?: Before) => Promise<Visit> }}
 */
export function withSite() {
  /** @type {Awaited<ReturnType<typeof startSite>> | undefined} */
  let site;
  /** @type {Browser | undefined} */
  let browser;
  before(async () => { [site, browser] = await Promise.all([startSite(), launch()]); });
  after(async () => { await Promise.allSettled([browser?.close(), site?.stop()]); });
  const origin = () => { assert(site, "the site runs only inside tests"); return site.origin; };
  return { origin, open: async (path = "/", before = {}) => { assert(browser); return visit(browser, origin(), path, before); } };
}

/**
 * A page in a fresh profile, its requests and complaints on record from the first on.
 * @typedef {{ page: Page, requests: Requests, complaints: string[], close: () => Promise<void> }} Visit
 */

/**
 * What is done to a page before it loads: a clock the test can turn, a script that runs first.
 * @typedef {{ clock?: boolean, script?: (given: any) => void, given?: unknown, touch?: boolean }} Before
 */

/**
 * @param {Browser} browser @param {string} origin @param {string} path @param {Before} before
 * @returns {Promise<Visit>}
 */
async function visit(browser, origin, path, { clock, script, given, touch }) {
  const context = await browser.newContext({ acceptDownloads: true, viewport: { width: 1280, height: 900 }, hasTouch: touch ?? false });
  const page = await context.newPage();
  const complaints = recordComplaints(page);
  const requests = recordRequests(page);
  if (clock) await page.clock.install();
  if (script) await page.addInitScript(script, given);
  await page.goto(origin + path, { waitUntil: "load" });
  return { page, requests, complaints, close: () => context.close() };
}

/**
 * What the page reports as going wrong: console errors and uncaught faults. An empty list is a clean page.
 * @param {Page} page @returns {string[]} filled as they come
 */
export function recordComplaints(page) {
  /** @type {string[]} */
  const complaints = [];
  page.on("console", (message) => {
    if (message.type() === "error") complaints.push(`${message.text()} (${message.location().url})`);
  });
  page.on("pageerror", (error) => complaints.push(String(error)));
  return complaints;
}

/**
 * @typedef {{ all: string[], foreign: (origin: string) => string[], assertOwn: (origin: string) => void }} Requests
 * `all`: method and address of every request so far, of page and workers; `foreign`: those that leave `origin` or carry a
 * body away; `assertOwn` fails when there is one, or when nothing was recorded at all.
 */

/** @param {Page} page @returns {Requests} */
export function recordRequests(page) {
  /** @type {string[]} */
  const all = [];
  page.context().on("request", (request) => {
    const body = request.postDataBuffer();
    all.push(`${request.method()} ${request.url()}${body ? ` with ${body.length} bytes` : ""}`);
  });
  page.on("websocket", (socket) => all.push(`SOCKET ${socket.url()}`));
  /** @param {string} origin */
  const foreign = (origin) => all.filter((line) => !isOwn(line, origin));
  /** @param {string} origin */
  const assertOwn = (origin) => {
    assert(all.some((line) => line.startsWith(`GET ${origin}/`)), "the page's own requests were recorded");
    assert.deepEqual(foreign(origin), [], "no request leaves the page's own origin");
  };
  return { all, foreign, assertOwn };
}

/** @param {string} line @param {string} origin */
function isOwn(line, origin) {
  const [method, address, ...body] = line.split(" ");
  if (body.length > 0) return false;
  if (/^(blob|data):/.test(address)) return true;
  return (method === "GET" || method === "HEAD") && address.startsWith(`${origin}/`);
}

/**
 * Waits for a fact that nothing announces.
 * @param {() => boolean | Promise<boolean>} fact @param {() => string} [told] what to say when it never comes
 * @param {number} [patience_ms]
 */
export async function until(fact, told = () => String(fact), patience_ms = PATIENCE_MS) {
  const end = Date.now() + patience_ms;
  while (!(await fact())) {
    assert(Date.now() < end, `not within ${patience_ms / 1000} s: ${told()}`);
    await new Promise((resolve) => setTimeout(resolve, 20));
  }
}

/**
 * Gives files to the page as if chosen by hand.
 * @param {Page} page
 * @param {(string | { name: string, bytes: Uint8Array })[]} files paths, or names with content
 */
export async function dropFiles(page, files) {
  const paths = files.filter((file) => typeof file === "string");
  const made = files.filter((file) => typeof file !== "string");
  assert(paths.length === 0 || made.length === 0, "either paths or content in one go");
  await page.locator("#files").setInputFiles(
    paths.length > 0
      ? paths
      : made.map(({ name, bytes }) => ({ name, mimeType: "application/octet-stream", buffer: Buffer.from(bytes) })),
  );
}

/** In whichever language. @param {Page} page */
const isDone = async (page) => /^\u27e6?(Done|Fertig)\./.test((await page.locator("#progress-text").textContent()) ?? "");

/** Waits until the analysis has come to its end, however often it starts anew. @param {Page} page @param {number} [patience_ms] */
export async function settled(page, patience_ms = PATIENCE_MS) {
  for (let quiet = 0; quiet < 5;) {
    await until(() => isDone(page), () => "the end of the analysis", patience_ms);
    await page.evaluate(() => new Promise((resolve) => { requestAnimationFrame(() => resolve(null)); }));
    const still = await isDone(page) && (await page.locator("section[data-state=working]").count()) === 0;
    quiet = still ? quiet + 1 : 0;
    await new Promise((resolve) => { setTimeout(resolve, 100); });
  }
}

/** @param {Page} page @param {string} selector */
export const textOf = async (page, selector) => (await page.locator(selector).textContent()) ?? "";

/**
 * A WAV of one channel of 16 bits, as RIFF/WAVE (Microsoft and IBM, 1991).
 * @param {number} rate_hz @param {number} frames @param {(frame: number) => number} sample from -32768 to 32767
 */
export function wave(rate_hz, frames, sample) {
  const bytes = Buffer.alloc(44 + 2 * frames);
  bytes.write("RIFF", 0);
  bytes.writeUInt32LE(bytes.length - 8, 4);
  bytes.write("WAVEfmt ", 8);
  bytes.writeUInt32LE(16, 16);
  bytes.writeUInt16LE(1, 20);
  bytes.writeUInt16LE(1, 22);
  bytes.writeUInt32LE(rate_hz, 24);
  bytes.writeUInt32LE(2 * rate_hz, 28);
  bytes.writeUInt16LE(2, 32);
  bytes.writeUInt16LE(16, 34);
  bytes.write("data", 36);
  bytes.writeUInt32LE(2 * frames, 40);
  for (let frame = 0; frame < frames; frame += 1) bytes.writeInt16LE(sample(frame), 44 + 2 * frame);
  return bytes;
}
