/**
 * The single file under `file://`, and the site without its server: nothing is asked of anybody.
 *
 * check: the single file: limits; requests; size | the native twin; the browser's own record | 1e-6 dB; none; under 6 MB
 */
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { createServer } from "node:http";
import { cpSync, mkdtempSync, readFileSync, rmSync, statSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { extname, join } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";
import { after, before, test } from "node:test";
import { dropFiles, launch, recordComplaints, recordRequests, settled, until } from "./support.mjs";

const ROOT = fileURLToPath(new URL("../..", import.meta.url));
const SINGLE = join(ROOT, "dist/ringdown.html");
const TWIN = join(ROOT, "target/debug", process.platform === "win32" ? "ringdown.exe" : "ringdown");
const KINDS = { ".html": "text/html; charset=utf-8", ".css": "text/css", ".js": "text/javascript", ".wasm": "application/wasm" };
/** @type {string} */
let folder;
/** @type {import("playwright-core").Browser} */
let browser;

before(async () => {
  execFileSync("cargo", ["build", "--quiet", "--package", "ringdown-cli"], { cwd: ROOT, stdio: ["ignore", "inherit", "inherit"] });
  folder = mkdtempSync(join(tmpdir(), "ringdown-single-"));
  execFileSync(TWIN, ["synth", folder]);
  browser = await launch();
});
after(async () => {
  await browser.close();
  rmSync(folder, { recursive: true, force: true });
});

/** Any static server will do. @param {string} root */
async function staticServer(root) {
  const server = createServer((request, answer) => {
    const name = decodeURIComponent((request.url ?? "/").split("?")[0]).replace(/\/$/, "/index.html");
    try {
      const kind = /** @type {Record<string, string>} */ (KINDS)[extname(name)] ?? "application/octet-stream";
      const bytes = readFileSync(join(root, name));
      answer.writeHead(200, { "Content-Type": kind, "Cache-Control": "no-cache" }).end(bytes);
    } catch { answer.writeHead(404).end(); }
  });
  await new Promise((resolve) => { server.listen(0, "127.0.0.1", () => resolve(null)); });
  const address = server.address();
  assert(address && typeof address === "object");
  const stop = async () => { server.closeAllConnections(); await new Promise((resolve) => { server.close(resolve); }); };
  return { origin: `http://127.0.0.1:${address.port}`, stop };
}

test("the single file is under 6 MB, asks for nothing, and gives the native twin's limits to 1e-6 dB", async () => {
  assert(statSync(SINGLE).size < 6_000_000, `${statSync(SINGLE).size} bytes`);
  const context = await browser.newContext({ acceptDownloads: true, offline: true });
  const page = await context.newPage();
  const [complaints, requests] = [recordComplaints(page), recordRequests(page)];
  await page.goto(pathToFileURL(SINGLE).href);
  const files = ["alder-valley.sheet.json", "evening-two.wav"].map((name) => join(folder, name));
  await dropFiles(page, files);
  await until(async () => (await page.locator("#limits .tables tbody tr").count()) > 4);
  await settled(page);
  const [download] = await Promise.all([page.waitForEvent("download"), page.locator("#save-result").click()]);
  const here = JSON.parse(readFileSync(/** @type {string} */ (await download.path()), "utf8"));
  const there = JSON.parse(execFileSync(TWIN, ["analyse", ...files, "--json", "-"], { maxBuffer: 1 << 28, encoding: "utf8" }));
  assert.equal(here.limits.length, there.limits.length);
  let filled = 0;
  for (const [at, cell] of here.limits.entries()) {
    const other = there.limits[at];
    assert.equal(cell.limit === null, other.limit === null);
    if (cell.limit === null) continue;
    filled += 1;
    assert(Math.abs(cell.limit - other.limit) <= 1e-6, `${cell.limit} here, ${other.limit} there`);
  }
  assert(filled >= 30, `${filled} cells filled`);
  assert.deepEqual(complaints, []);
  const asked = requests.all.filter((line) => !/^GET (file|blob|data):/.test(line));
  assert.deepEqual(asked, []);
  assert.equal(requests.all.filter((line) => line.startsWith("GET file:")).length, 1, "nothing but itself");
  await context.close();
});

test("once ready for offline the site opens without its server; a new version waits until it is asked in", async () => {
  const root = join(folder, "site");
  cpSync(join(ROOT, "dist/site"), root, { recursive: true });
  const server = await staticServer(root);
  const { origin } = server;
  const port = Number(new URL(origin).port);
  const context = await browser.newContext();
  const page = await context.newPage();
  await page.goto(origin);
  const mark = page.locator("#offline");
  await until(async () => (await mark.textContent()) === "ready for offline");
  const version = await mark.getAttribute("data-version");

  // A new version: other bytes, and the keeper that names it.
  const keeper = join(root, "service-worker.js");
  writeFileSync(keeper, readFileSync(keeper, "utf8").replace(String(version), "0123456789abcdef"));
  writeFileSync(join(root, "index.html"), readFileSync(join(root, "index.html"), "utf8").replace('content="0.1.0"', 'content="0.1.1"'));
  await page.reload();
  await until(() => mark.locator("button").isVisible());
  const shown = () => page.locator("meta[name=ringdown-version]").getAttribute("content").catch(() => "");
  assert.equal(await shown(), "0.1.0", "the old one works on until the user says so");
  await mark.locator("button").click();
  await until(async () => (await mark.getAttribute("data-version").catch(() => "")) === "0123456789abcdef");
  assert.equal(await shown(), "0.1.1");

  await server.stop();
  await page.reload();
  await page.locator("#f-bore_mm").fill("94");
  await page.locator("#f-bore_mm").press("Tab");
  await until(async () => (await page.locator("#engine .tables tbody tr").count()) > 0);
  assert.equal(await page.evaluate(() => new URL(location.href).port), String(port));
  await context.close();
});
