/**
 * Nothing leaves this computer. Three proofs that stand apart: every way out is tried from the page's own context and is
 * seen to be refused, and the same ways are seen to work where there is no policy; no built file holds the word for a way
 * that a policy can't refuse; the whole card works in a network namespace without any interface.
 */
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { createSocket } from "node:dgram";
import { chmodSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { createServer } from "node:http";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";
import { after, before, test } from "node:test";
import { chromium } from "playwright-core";
import { dropFiles, launch, recordComplaints, until, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */

const DIST = fileURLToPath(new URL("../../dist", import.meta.url));
const SINGLE = join(DIST, "ringdown.html");
const DEMO = fileURLToPath(new URL("../../demo-logs", import.meta.url));
const site = withSite();

/** Somebody elsewhere who writes down whoever knocks: by name of the way over HTTP, by datagram for WebRTC. */
const spy = (() => {
  /** @type {Set<string>} */
  const seen = new Set();
  const web = createServer((request, answer) => {
    seen.add((request.url ?? "").replace(/^\/|\?.*$/g, ""));
    answer.writeHead(204, { "access-control-allow-origin": "*" }).end();
  });
  web.on("upgrade", (request, socket) => { seen.add((request.url ?? "").slice(1)); socket.destroy(); });
  const datagrams = createSocket("udp4");
  datagrams.on("message", () => seen.add("webrtc"));
  const ports = { web: 0, datagrams: 0 };
  before(async () => {
    await new Promise((done) => web.listen(0, "127.0.0.1", () => done(null)));
    await new Promise((done) => datagrams.bind(0, "127.0.0.1", () => done(null)));
    ports.web = /** @type {import("node:net").AddressInfo} */ (web.address()).port;
    ports.datagrams = datagrams.address().port;
  });
  after(() => { web.closeAllConnections(); web.close(); datagrams.close(); });
  return { seen, ports };
})();

/**
 * Ways out: what runs in the page with `at` (an address of the spy whose path is the way's name), and the directive of the
 * policy that refuses it.
 * @type {{ way: string, refused: RegExp, code: string }[]}
 */
const WAYS = [
  { way: "fetch", refused: /^connect-src/, code: "fetch(at, { mode: 'no-cors' }).catch(() => {})" },
  { way: "post", refused: /^connect-src/, code: "fetch(at, { method: 'POST', mode: 'no-cors', body: 'x' }).catch(() => {})" },
  { way: "keepalive", refused: /^connect-src/, code: "fetch(at, { method: 'POST', mode: 'no-cors', keepalive: true, body: 'x' }).catch(() => {})" },
  { way: "xhr", refused: /^connect-src/, code: "const x = new XMLHttpRequest(); x.open('GET', at); x.send()" },
  { way: "beacon", refused: /^connect-src/, code: "navigator.sendBeacon(at, 'x')" },
  { way: "socket", refused: /^connect-src/, code: "new WebSocket(at.replace('http', 'ws'))" },
  { way: "events", refused: /^connect-src/, code: "new EventSource(at)" },
  { way: "image", refused: /^img-src/, code: "new Image().src = at" },
  { way: "sound", refused: /^media-src/, code: "new Audio(at).load()" },
  { way: "background", refused: /^img-src/, code: "document.body.style.backgroundImage = `url(${at})`" },
  { way: "font", refused: /^(font-src|default-src)/, code: "new FontFace('x', `url(${at})`).load().catch(() => {})" },
  { way: "style", refused: /^style-src/, code: "const l = document.createElement('link'); l.rel = 'stylesheet'; l.href = at; document.head.append(l)" },
  { way: "prefetch", refused: /^(prefetch-src|default-src)/, code: "const l = document.createElement('link'); l.rel = 'prefetch'; l.href = at; document.head.append(l)" },
  { way: "manifest", refused: /^(manifest-src|default-src)/, code: "const l = document.createElement('link'); l.rel = 'manifest'; l.href = at; document.head.append(l)" },
  { way: "frame", refused: /^(frame-src|child-src|default-src)/, code: "const f = document.createElement('iframe'); f.src = at; document.body.append(f)" },
  { way: "object", refused: /^(object-src|default-src)/, code: "const o = document.createElement('object'); o.data = at; document.body.append(o)" },
  { way: "form", refused: /^form-action/, code: "const f = document.createElement('form'); f.action = at; f.method = 'post'; f.target = 'hidden-' + Math.random(); document.body.append(f); f.submit()" },
  { way: "ping", refused: /^connect-src/, code: "const a = document.createElement('a'); a.href = '#h-engine'; a.ping = at; document.body.append(a); a.click()" },
];

/** Ways that need an address a browser checks before it asks anybody. @type {typeof WAYS} */
const SCRIPT_WAYS = [
  { way: "script", refused: /^script-src/, code: "const s = document.createElement('script'); s.src = window.trustedTypes ? (window.loose ??= trustedTypes.createPolicy('loose', { createScriptURL: (a) => a })).createScriptURL(at) : at; document.head.append(s)" },
  { way: "import", refused: /^script-src/, code: "import(at).catch(() => {})" },
];

/** Tries each way; what the page's policy said no to. @param {Page} page @param {typeof WAYS} ways */
async function tryAll(page, ways) {
  await page.evaluate(() => {
    /** @type {any} */ (window).refusals = [];
    addEventListener("securitypolicyviolation", (event) => {
      /** @type {any} */ (window).refusals.push([event.effectiveDirective, event.blockedURI]);
    });
  });
  for (const { way, code } of ways) {
    const at = `http://127.0.0.1:${spy.ports.web}/${way}`;
    await page.evaluate(`(() => { const at = "${at}"; try { ${code} } catch (error) { void error; } })()`);
  }
}

/** @param {Page} page @returns {Promise<[string, string][]>} */
const refusals = (page) => page.evaluate(() => /** @type {any} */ (window).refusals);

/** @param {Page} page @param {(typeof WAYS)[number]} way */
async function wasRefused(page, { way, refused }) {
  const address = `http://127.0.0.1:${spy.ports.web}`;
  const list = await refusals(page);
  // A form's refusal names the page of the form, an address in a WebSocket its own scheme.
  return list.some(([directive, uri]) => refused.test(directive)
    && (uri === `${address}/${way}` || uri.replace("ws:", "http:").startsWith(address) || refused.test("form-action")));
}

test("each way out reaches the spy where there is no policy: the spy sees what it should", async () => {
  const { page, close } = await site.open("/nothing-here");
  spy.seen.clear();
  // a manifest is fetched only for pages that could be installed, a script element in a policy-free page is plain
  const ways = [...WAYS, ...SCRIPT_WAYS].filter(({ way }) => way !== "manifest");
  await tryAll(page, ways);
  await page.evaluate((port) => {
    const peer = new RTCPeerConnection({ iceServers: [{ urls: `stun:127.0.0.1:${port}` }] });
    peer.createDataChannel("x");
    return peer.createOffer().then((offer) => peer.setLocalDescription(offer));
  }, spy.ports.datagrams);
  const missing = () => [...ways.map(({ way }) => way), "webrtc"].filter((way) => !spy.seen.has(way));
  await until(() => missing().length === 0, () => `not seen: ${missing().join(", ")}`);
  await close();
});

/** Opens the card as served, or as the one file. @param {"site" | "single file"} kind */
async function openCard(kind) {
  if (kind === "site") {
    const visit = await site.open();
    return { page: visit.page, close: visit.close };
  }
  const browser = await launch();
  const page = await browser.newPage();
  await page.goto(pathToFileURL(SINGLE).href);
  return { page, close: () => browser.close() };
}

/** Once it runs, whatever could have been fetched has been. @param {Page} page */
async function started(page) {
  await page.locator("#f-bore_mm").fill("94");
  await page.locator("#f-bore_mm").press("Tab");
  await until(async () => (await page.locator("#engine .tables tbody tr").count()) > 0);
}

for (const kind of /** @type {const} */ (["site", "single file"])) {
  test(`${kind}: every way out of the page is refused by name, and nobody elsewhere hears a thing`, async () => {
    const { page, close } = await openCard(kind);
    await started(page);
    spy.seen.clear();
    const ways = [...WAYS, ...SCRIPT_WAYS.filter(({ way }) => way !== "script")];
    await tryAll(page, ways);
    const open = async () => {
      const left = [];
      for (const way of ways) if (!(await wasRefused(page, way))) left.push(way.way);
      return left;
    };
    let left = await open();
    await until(async () => { left = await open(); return left.length === 0; }, () => `not refused: ${left.join(", ")}`);
    assert.deepEqual([...spy.seen], []);
    await close();
  });

  test(`${kind}: the worker can't reach anybody either`, async () => {
    const { page, close } = await openCard(kind);
    await started(page);
    spy.seen.clear();
    const [worker] = page.workers();
    assert(worker, "the card has a worker");
    const outcome = await worker.evaluate(async (at) => {
      const tried = /** @type {Record<string, string>} */ ({});
      const fails = (/** @type {any} */ error) => `refused: ${error?.name ?? error}`;
      tried.fetch = await fetch(`${at}worker-fetch`, { mode: "no-cors" }).then(() => "went out", fails);
      tried.socket = await new Promise((done) => {
        try {
          const socket = new WebSocket(`${at.replace("http", "ws")}worker-socket`);
          socket.onerror = () => done("refused");
          socket.onopen = () => done("went out");
        } catch (error) { done(fails(error)); }
      });
      try { /** @type {any} */ (self).importScripts(`${at}worker-script`); tried.script = "went out"; } catch (error) { tried.script = fails(error); }
      return tried;
    }, `http://127.0.0.1:${spy.ports.web}/`);
    for (const [way, told] of Object.entries(outcome)) assert.match(told, /^refused/, way);
    assert.deepEqual([...spy.seen], []);
    await close();
  });

  test(`${kind}: workers from elsewhere, markup from text and code from text are refused`, async () => {
    const { page, close } = await openCard(kind);
    spy.seen.clear();
    // in a task of the page's own: what the test's tool runs directly may make code from text
    const outcome = await page.evaluate((at) => new Promise((done) => { setTimeout(() => {
      /** @type {Record<string, () => unknown>} */
      const attempts = {
        worker: () => new Worker(at),
        markup: () => { document.body.innerHTML = "<b>x</b>"; },
        frame: () => { document.createElement("iframe").srcdoc = "<b>x</b>"; },
        code: () => globalThis.eval("1"),
        maker: () => new Function("return 1"),
        policy: () => /** @type {any} */ (globalThis).trustedTypes.createPolicy("another", { createHTML: (/** @type {string} */ x) => x }),
        again: () => /** @type {any} */ (globalThis).trustedTypes.createPolicy("ringdown", { createHTML: (/** @type {string} */ x) => x }),
      };
      done(Object.entries(attempts).map(([name, act]) => {
        try { act(); return `${name} passed`; } catch (error) { return `${name}: ${/** @type {Error} */ (error).name}`; }
      }));
    }); }), `http://127.0.0.1:${spy.ports.web}/worker`);
    for (const told of /** @type {string[]} */ (outcome)) assert.match(told, /: (TypeError|EvalError|SecurityError)$/, told);
    assert.deepEqual([...spy.seen], []);
    await close();
  });
}

/** Ways out that no policy refuses, and those that would be refused: no file may hold the word. */
const NEVER = [
  /RTCPeerConnection|RTCDataChannel/, /sendBeacon|WebSocket|WebTransport|EventSource|XMLHttpRequest/,
  /\blocation(\.href)?\s*=[^=]/, /\blocation\.(assign|replace)\b/, /\bwindow\.open\b|\bopen\(["'`]/, /document\.cookie|cookieStore/,
  /SharedWorker|BackgroundFetch|PushManager|showNotification|requestStorageAccess/,
];

/** @param {string} folder @returns {string[]} */
const filesUnder = (folder) => readdirSync(folder, { withFileTypes: true, recursive: true })
  .filter((entry) => entry.isFile()).map((entry) => join(entry.parentPath, entry.name));

test("no built file holds the word for a way out that a policy can't refuse, nor an address of anybody", () => {
  const files = [...filesUnder(join(DIST, "site")), SINGLE].filter((file) => /\.(js|html|css)$/.test(file));
  assert(files.length > 20, `${files.length} files`);
  for (const file of files) {
    // what stands in base 64 is the module: it reaches the world only through the glue, which is searched
    const text = readFileSync(file, "utf8").replace(/<script type="text\/plain" id="ringdown-wasm">[^<]*<\/script>/, "");
    for (const word of NEVER) assert.doesNotMatch(text, word, file);
    const code = text.replace(/^\s*\/\/.*$/gm, ""); // the glue's own comments name their source
    const addresses = [...code.matchAll(/\b(?:https?|wss?|ftp):\/\/[^\s"'`)<]*/g)].map(([address]) => address);
    // names of kinds of markup and licences, which nothing asks for
    assert.deepEqual(addresses.filter((address) => !address.startsWith("http://www.w3.org/")), [], file);
  }
});

if (process.platform === "linux" && process.getuid?.() === 0) {
  test("the one file does its work in a network namespace without any interface", async () => {
    const folder = mkdtempSync(join(tmpdir(), "ringdown-alone-"));
    const alone = join(folder, "alone.sh");
    writeFileSync(alone, `#!/bin/sh\nexec unshare --net -- "${process.env.CHROMIUM || "/usr/bin/chromium"}" "$@"\n`);
    chmodSync(alone, 0o755);
    const interfaces = execFileSync("unshare", ["--net", "--", "cat", "/proc/net/dev"], { encoding: "utf8" });
    assert.deepEqual(interfaces.split("\n").slice(2).map((line) => line.split(":")[0].trim()).filter(Boolean), ["lo"]);
    const browser = await chromium.launch({ executablePath: alone, args: ["--no-sandbox", "--disable-gpu"] });
    try {
      const page = await browser.newPage();
      const complaints = recordComplaints(page);
      await page.goto(pathToFileURL(SINGLE).href);
      const deaf = await page.evaluate(() => navigator.onLine);
      assert.equal(deaf, false, "the browser itself says that there is no network");
      await dropFiles(page, ["alder-valley.sheet.json", "evening-two-excerpt.wav", "evening-two.csv"].map((name) => join(DEMO, name)));
      await until(async () => (await page.locator("#limits .tables tbody tr").count()) > 4);
      await until(async () => (await page.locator("#progress-text").textContent()) === "Done.");
      assert.equal(await page.locator("#faults li").count(), 0);
      assert.deepEqual(complaints, []);
    } finally {
      await browser.close();
      rmSync(folder, { recursive: true, force: true });
    }
  });
}
