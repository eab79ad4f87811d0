/**
 * The peers that run in Chromium: told by a line when to work once, each answers with milliseconds, the figure that came
 * out, and the memory of the browser's renderers above that of the empty page, MB.
 *
 * usage: node drive.mjs WORK WORKERS FOLDER
 */
import { createReadStream, readdirSync, readFileSync, statSync } from "node:fs";
import { createServer } from "node:http";
import { extname, join } from "node:path";
import { createInterface } from "node:readline";
import { fileURLToPath, pathToFileURL } from "node:url";
import { launch } from "../browser/support.mjs";

const ROOT = fileURLToPath(new URL("../..", import.meta.url));
const KINDS = { ".html": "text/html", ".js": "text/javascript", ".wasm": "application/wasm", ".css": "text/css", ".json": "application/json" };
const NOISE_SAMPLES = 28_800_000;
const [work, workers, folder] = process.argv.slice(2);

/** Plain files on a port of this machine. @param {string} from */
async function served(from) {
  const server = createServer((request, response) => {
    const name = new URL(request.url ?? "/", "http://x").pathname;
    const path = join(from, name === "/" ? "index.html" : name);
    response.writeHead(200, { "content-type": KINDS[extname(path)] ?? "application/octet-stream" });
    createReadStream(path).on("error", () => response.destroy()).pipe(response);
  });
  await new Promise((resolve) => server.listen(0, "127.0.0.1", () => resolve(undefined)));
  return `http://127.0.0.1:${server.address().port}`;
}

/** Resident memory of all renderers of this browser, bytes: each process knows its parent. */
function renderers() {
  let sum = 0;
  for (const pid of readdirSync("/proc").filter((name) => /^\d+$/.test(name))) {
    try {
      if (!readFileSync(`/proc/${pid}/cmdline`, "utf8").includes("--type=renderer")) continue;
      sum += Number(/VmRSS:\s+(\d+)/.exec(readFileSync(`/proc/${pid}/status`, "utf8"))?.[1] ?? 0) * 1024;
    } catch { /* it has ended meanwhile */ }
  }
  return sum;
}

const browser = await launch();

/** Work of the bench page's own module. */
async function ofModule() {
  const page = await browser.newPage();
  await page.goto(`${await served(join(ROOT, "dist/bench"))}/page.html`);
  const file = { log: "log.csv", wave: "sound.wav", bare: "sound.wav" }[work];
  if (file) await page.setInputFiles("#file", join(folder, file));
  const count = Number(workers);
  const samples = file ? 0 : Math.floor(NOISE_SAMPLES / count);
  await page.evaluate(`prepare(${JSON.stringify(work)}, ${count}, ${samples})`);
  return () => page.evaluate("once()");
}

/** Floor and limits are said: what a user waits for; hashes follow. */
const areFindings = () => ["floor", "limits"].every((id) => !["waiting", "working"].includes(document.getElementById(id)?.dataset.state ?? "waiting"));

/** Limits are there and nothing is left to do; before any work begins the page says that it is done, too. */
const isDone = () => document.getElementById("floor")?.dataset.state !== "waiting" && /^Done/.test(document.getElementById("progress-text")?.textContent ?? "")
  && document.querySelector("#file-list tbody tr") !== null && !document.querySelector("section[data-state=working]");

/** Notes in the page when files arrive and when a fact holds after that: asking from outside every few milliseconds takes
 * processor time from what is timed. @param {() => boolean} there */
const watched = (there) => ({
  content: `addEventListener("change", () => { window.began ??= performance.now(); }, true);
    new MutationObserver(() => { if (window.began && !window.ended && (${there})()) window.ended = performance.now(); })
      .observe(document, { subtree: true, childList: true, attributes: true, characterData: true });`,
});

/** Asks again until it is so; the page's policy lets nothing inside it be evaluated later.
 * @param {import("playwright-core").Page} page @param {() => boolean} fact @param {number} every_ms */
async function until(page, fact, every_ms) {
  while (!(await page.evaluate(fact))) await new Promise((resolve) => { setTimeout(resolve, every_ms); });
}

/** The page itself: from drop to limits. The figure is the number of filled cells.
 * @param {string[]} files @param {() => boolean} [there] */
async function ofSite(files, there = isDone) {
  const origin = await served(join(ROOT, "dist/site"));
  return async () => {
    const context = await browser.newContext({ viewport: { width: 1366, height: 768 } });
    const page = await context.newPage();
    await page.addInitScript(watched(there));
    await page.goto(origin, { waitUntil: "load" });
    await page.waitForTimeout(500);
    const idle = renderers();
    let peak = idle;
    const watch = setInterval(() => { peak = Math.max(peak, renderers()); }, 100);
    await page.setInputFiles("#files", files.map((name) => join(folder, name)));
    await until(page, () => window.ended > 0, 100);
    const took = await page.evaluate(() => window.ended - window.began);
    clearInterval(watch);
    const cells = await page.locator("#limits tbody td:not(:empty)").count();
    await context.close();
    return [took, cells, (peak - idle) / 1e6];
  };
}

/** The single file from a disk until it has taken a file and says what it is. The figure is its size, bytes. */
function ofStart() {
  const file = join(ROOT, "dist/ringdown.html");
  return async () => {
    const context = await browser.newContext();
    const page = await context.newPage();
    const start = performance.now();
    await page.goto(pathToFileURL(file).href, { waitUntil: "load" });
    await page.setInputFiles("#files", { name: "a.csv", mimeType: "text/csv", buffer: Buffer.from("time (s),speed (rpm)\n0,900\n1,900\n") });
    await until(page, () => document.querySelector("#file-list tbody tr") !== null, 10);
    const took = performance.now() - start;
    await context.close();
    return [took, statSync(file).size];
  };
}

/** A picture of a million samples, ours or the peer's; `draw` the first, `zoom` the 95th percentile of many. */
async function ofDrawing() {
  const [what, whose] = work.split("-");
  const page = await browser.newPage({ viewport: { width: 1366, height: 900 } });
  await page.goto(`${await served(join(ROOT, "dist/bench"))}/draw.html`);
  await page.evaluate(`prepare("${whose}")`);
  return async () => [await page.evaluate(what === "draw" ? "first()" : "zooms()")];
}

const once = work === "start" ? ofStart()
  : work.startsWith("draw-") || work.startsWith("zoom-") ? await ofDrawing()
  : work.startsWith("job-") ? await ofSite([`${work}.wav`, `${work}.card.json`])
  : work.startsWith("limits-") ? await ofSite([`${work.replace("limits", "job")}.wav`, `${work.replace("limits", "job")}.card.json`], areFindings)
  : work === "rows-wide" ? await ofSite(["log-wide.csv"], areFindings)
  : work.startsWith("rows-") ? await ofSite([`log-${work.slice(5)}.csv`])
  : await ofModule();
console.log("ready");
for await (const _ of createInterface({ input: process.stdin })) console.log((await once()).join(" "));
await browser.close();
process.exit(0);
