/** Every chart: one pointer across all, limits held, each saved as PNG at twice its size and as SVG; fifty steps back and forth. */
import assert from "node:assert/strict";
import { test } from "node:test";
import { settled, until, withSite } from "./support.mjs";

/** @typedef {import("playwright-core").Page} Page */

const site = withSite();
/** Runs before the page: what a link would download is kept instead, for a browser without a window loses some of many
 * downloads in a row. */
function catchSaved() {
  /** @type {Map<string, Blob>} */
  const made = new Map();
  const make = URL.createObjectURL;
  URL.createObjectURL = (held) => {
    const address = make(held);
    if (held instanceof Blob) made.set(address, held);
    return address;
  };
  const { click } = HTMLAnchorElement.prototype;
  HTMLAnchorElement.prototype.click = function () {
    if (!this.download) return click.call(this);
    Object.assign(globalThis, { saved: { name: this.download, blob: made.get(this.href) } });
  };
}

/** @type {ReturnType<typeof site.open> | undefined} */
let opened;
/** One sample for all: what is checked here leaves it as it is. */
function sampled() {
  opened ??= (async () => {
    const visit = await site.open("/", { script: catchSaved });
    await visit.page.locator("button[data-evening=two]").first().click();
    await until(async () => (await visit.page.locator("#handover .tables tbody tr").count()) > 8);
    await settled(visit.page);
    return visit;
  })();
  return opened;
}

/** The charts that are shown, by their captions. @param {Page} page */
const captions = (page) => page.locator("figure.chart:visible figcaption").allTextContents();

test("the pointer in one chart shows in every other of the same quantity: time, speed, frequency", async () => {
  const { page } = await sampled();
  /** Lines of the pointer in other charts. @param {string} canvas */
  const followed = async (canvas) => {
    await page.locator(canvas).first().scrollIntoViewIfNeeded();
    const box = await page.locator(canvas).first().boundingBox();
    assert(box);
    /** @type {string[]} */
    let lines = [];
    await until(async () => {
      await page.mouse.move(box.x + box.width * 0.4, box.y + box.height * 0.5);
      await page.mouse.move(box.x + box.width * 0.4 + 3, box.y + box.height * 0.5);
      lines = await page.evaluate((own) => [...document.querySelectorAll("figure.chart:not([hidden]) .plot > i:not([hidden])")]
        .filter((line) => line.matches(".cross-x, .cross-y") && line.closest("figure") !== document.querySelector(own)?.closest("figure"))
        .map((line) => line.closest("section")?.id ?? ""), canvas);
      return lines.length > 0;
    }, () => `nobody follows ${canvas}`);
    return new Set(lines);
  };
  for (const figure of await page.locator("figure.chart:visible").all()) { // a chart that was never in sight has no place yet
    await figure.scrollIntoViewIfNeeded();
    await until(() => figure.locator("canvas").evaluate((canvas) => canvas instanceof HTMLCanvasElement && canvas.width > 0));
  }
  const time = await followed("#envelope canvas");
  assert(time.has("speed") && time.has("band"), `time: ${[...time]}`);
  const speed = await followed("#floor canvas");
  assert(speed.has("limits") && speed.has("speed"), `speed: ${[...speed]}`);
  const frequency = await followed("#engine canvas");
  assert(frequency.has("sensors") && frequency.has("band"), `frequency: ${[...frequency]}`);
});

test("angle is one quantity wherever it stands; levels and shares are not", async () => {
  const heard = await (await sampled()).page.evaluate(`import("/charts/pointer.js").then(({ LinkedPointer }) => {
    const pointer = new LinkedPointer();
    const heard = [];
    pointer.follow((quantity, value) => heard.push([quantity, value]));
    for (const quantity of ["time", "angle", "frequency", "speed", "level", "share", "other"]) pointer.move(quantity, 3, {});
    return heard;
  })`);
  assert.deepEqual(heard, [["time", 3], ["angle", 3], ["frequency", 3], ["speed", 3]]);
});

test("each chart is saved as a PNG of twice the size of its SVG, and both hold something", async () => {
  const { page, complaints } = await sampled();
  const figures = await page.locator("figure.chart:visible").all();
  assert(figures.length >= 9, `${await captions(page)}`);
  for (const figure of figures) {
    const save = async (/** @type {string} */ kind) => {
      await page.evaluate(() => { Object.assign(globalThis, { saved: null }); });
      await figure.locator(".tools button", { hasText: kind }).click();
      await until(() => page.evaluate(() => Boolean(/** @type {any} */ (globalThis).saved)), () => `${kind} is saved`);
      const { name, base64 } = await page.evaluate(async () => {
        const { name, blob } = /** @type {any} */ (globalThis).saved;
        const reader = new FileReader();
        const read = new Promise((resolve) => { reader.onload = resolve; });
        reader.readAsDataURL(blob);
        await read;
        return { name, base64: String(reader.result).split(",")[1] };
      });
      assert.match(name, new RegExp(`^ringdown-.*\\.${kind.toLowerCase()}$`));
      return Buffer.from(base64, "base64");
    };
    const caption = await figure.locator("figcaption").textContent();
    const svg = (await save("SVG")).toString("utf8");
    const [, width, height] = /<svg[^>]*width="([\d.]+)"[^>]*height="([\d.]+)"/.exec(svg) ?? assert.fail(`${caption}: ${svg.slice(0, 200)}`);
    assert((svg.match(/<text/g) ?? []).length >= 4, `${caption}: axes with words`);
    assert(!/<script|href="http/.test(svg), `${caption}: nothing but the picture`);
    const png = await save("PNG");
    // Signature, then the IHDR chunk with width and height (ISO/IEC 15948, 5.2 and 11.2.2).
    assert.equal(png.subarray(1, 4).toString("latin1"), "PNG");
    assert.deepEqual([png.readUInt32BE(16), png.readUInt32BE(20)], [2 * Number(width), 2 * Number(height)], caption ?? "");
    assert(png.length > 2000, `${caption}: ${png.length} bytes`);
  }
  assert.deepEqual(complaints, []);
});

test("limits are typed and held, given to charts alike, and let go again", async () => {
  const { page, complaints } = await sampled();
  const chart = page.locator("#floor figure.chart").first();
  const [from, to] = [chart.getByLabel("across from"), chart.getByLabel("across, upper end")];
  await chart.locator(".tools button", { hasText: "limits" }).click();
  const own = [await from.inputValue(), await to.inputValue()];
  await from.fill("6000");
  await to.fill("2000");
  await chart.getByRole("button", { name: "hold these" }).click();
  assert.match((await chart.locator(".limits-form .fault").textContent()) ?? "", /smaller one first/);
  await from.fill("1000");
  await to.fill("9000");
  await chart.getByRole("button", { name: "hold these" }).click();
  await until(async () => (await chart.getByRole("button", { name: "hold these" }).getAttribute("aria-pressed")) === "true");
  await chart.locator("summary").click();
  await page.locator("#false-alarm").selectOption("0.01");
  await settled(page);
  assert.deepEqual([await from.inputValue(), await to.inputValue()], ["1000", "9000"], "new numbers leave held limits alone");
  await page.locator("#undo").click();
  await settled(page);
  await chart.getByRole("button", { name: "free again" }).click();
  assert.deepEqual([await from.inputValue(), await to.inputValue()], own);
  const map = page.locator("#band figure.chart:visible").first();
  await map.locator(".tools button", { hasText: "limits" }).click();
  await map.getByLabel("colour from").fill("-80");
  await map.getByLabel("colour, upper end").fill("-40");
  await map.getByRole("button", { name: "the same in all charts alike" }).click();
  assert.equal(await map.getByRole("button", { name: "hold these" }).getAttribute("aria-pressed"), "true");
  await map.getByRole("button", { name: "free again" }).click();
  assert.deepEqual(complaints, []);
});

test("fifty changes of every kind are undone and redone to the letter", async () => {
  const { page, close } = await site.open();
  const inputs = () => page.evaluate(() => JSON.stringify(JSON.parse(localStorage.getItem("ringdown-card") ?? "{}").inputs));
  const type = async (/** @type {string} */ selector, /** @type {string} */ text) => {
    await page.locator(selector).fill(text);
    await page.locator(selector).press("Tab");
  };
  await type("#f-name", "start");
  const first = await inputs();
  for (let round = 0; round < 7; round += 1) {
    await type("#f-bore_mm", String(80 + round));
    await type("#f-name", `round ${round}`);
    await page.locator("#false-alarm").selectOption(round % 2 ? "0.001" : "0.01");
    await page.locator("#confidence").selectOption(round % 2 ? "0.95" : "0.9");
    await page.locator("#shape").selectOption(round % 2 ? "as-learnt" : "rising");
    await page.locator("input[data-reason=cold]").setChecked(round % 2 === 1);
    await type("#breakpoints", `${1000 + round} 2000 3000`);
    await page.locator("#sensors-changed").setChecked(round % 2 === 0);
  }
  const last = await inputs();
  assert.notEqual(last, first);
  const press = (/** @type {string} */ button) => page.evaluate((selector) => {
    for (let step = 0; step < 56; step += 1) /** @type {HTMLElement} */ (document.querySelector(selector)).click();
  }, button);
  await press("#undo");
  assert.equal(await inputs(), first);
  await press("#redo");
  assert.equal(await inputs(), last);
  assert(await page.locator("#redo").isDisabled());
  await close();
});
