/** The page as served: it starts, complains of nothing, asks nobody else for anything. */
import assert from "node:assert/strict";
import { test } from "node:test";
import { until, withSite } from "./support.mjs";

const site = withSite();
/** A page of the site's origin without any content or policy of its own. */
const EMPTY = "/nothing-here";

test("the page opens without a complaint and without a foreign request", async () => {
  const { page, requests, complaints, close } = await site.open();
  assert.match(await page.title(), /Ringdown/);
  const asked = (/** @type {string} */ name) => requests.all.filter((line) => line === `GET ${site.origin()}/${name}`).length;
  // The page hands its worker the module it compiled to draw with.
  await until(() => asked("worker.js") === 1 && asked("ringdown_bg.wasm") === 1, () => requests.all.join("\n"));
  await page.waitForLoadState("networkidle");
  assert.deepEqual(complaints, []);
  requests.assertOwn(site.origin());
  await close();
});

test("the module compiles and starts in this browser", async () => {
  const { page, close } = await site.open(EMPTY);
  await page.addScriptTag({ url: "/ringdown.js" });
  // As text, for the glue's global is declared with `let`: scripts see it, `window` doesn't hold it.
  const exports = await page.evaluate("wasm_bindgen({ module_or_path: '/ringdown_bg.wasm' }).then(Object.keys)");
  assert(Array.isArray(exports) && exports.includes("memory"), `exports: ${exports}`);
  await close();
});

/** What the page could do to tell somebody, as text that runs in page and worker. Each must be noticed. */
const TELLTALES = [
  ["an address elsewhere", "fetch(elsewhere, { mode: 'no-cors' })"],
  ["a body to the own server", "fetch(own, { method: 'POST', body: 'secret' })"],
];

for (const [what, code] of TELLTALES) {
  for (const where of ["page", "worker"]) {
    test(`${what} is noticed when a ${where} asks for it`, async () => {
      const { page, requests, close } = await site.open(EMPTY);
      const own = site.origin();
      requests.assertOwn(own);
      const text = `const own = "${own}/x", elsewhere = "${own.replace("127.0.0.1", "localhost")}/x"; ${code};`;
      await page.evaluate(
        ([where, text]) => {
          const address = URL.createObjectURL(new Blob([text], { type: "text/javascript" }));
          if (where === "worker") return void new Worker(address);
          const script = document.createElement("script");
          script.src = address;
          document.head.append(script);
        },
        [where, text],
      );
      await until(() => requests.foreign(own).length === 1, () => requests.all.join("\n"));
      assert.throws(() => requests.assertOwn(own));
      await close();
    });
  }
}
