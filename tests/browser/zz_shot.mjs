import { startSite, launch } from "./support.mjs";
const [evening="three", w="1366", h="768", tag="a", scheme="paper"] = process.argv.slice(2);
const site = await startSite(); const browser = await launch();
const page = await browser.newPage({ viewport: { width: +w, height: +h } });
page.on("console", m => console.log("console:", m.text())); page.on("pageerror", e => console.log("pageerror", e.message));
await page.goto(site.origin); await page.waitForTimeout(800);
if (scheme === "sun") await page.click("#scheme");
const t0 = Date.now();
await page.click(`button[data-evening="${evening}"]`);
let first=null, all=null;
for (let i=0;i<600;i++) {
  await page.waitForTimeout(100);
  const s = await page.evaluate(() => ({ text: document.querySelector("#progress-text").textContent, states: [...document.querySelectorAll("section[data-section]")].map(s=>s.dataset.state).join(",") }));
  if (!first && /holds|look|not-enough/.test(s.states)) { first = Date.now()-t0; console.log("first", first, s.states, s.text); }
  if (i%20==0) console.log(Date.now()-t0, s.states, s.text);
  if (i>10 && !/working/.test(s.states) && /[Dd]one|finished|up to date|Nothing|worked out/.test(s.text)) { console.log("all", Date.now()-t0, s.text); break; }
}
await page.waitForTimeout(1500);
console.log(await page.evaluate(() => [...document.querySelectorAll("#verdict p, #verdict dd, .finding, #faults li")].map(e=>e.textContent).join("\n")));
await page.screenshot({ path: `/tmp/shots/${tag}-top.png` });
await page.screenshot({ path: `/tmp/shots/${tag}-full.png`, fullPage: true });
for (const s of await page.$$("section[data-section]")) { const n = await s.getAttribute("data-section"); await s.scrollIntoViewIfNeeded(); await page.waitForTimeout(250); await s.screenshot({ path: `/tmp/shots/${tag}-${n}.png` }); }
if (tag.startsWith("a")) await page.pdf({ path: `/tmp/shots/${tag}.pdf`, format: "A4", printBackground: true });
await browser.close(); await site.stop();
