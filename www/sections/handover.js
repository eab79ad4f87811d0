/** Section 11. What leaves: text for a message, limits for a spreadsheet, the card, the print with its evidence. */

import { el, find, flash } from "../parts/dom.js";
import { copyText, fileName, saveText } from "../parts/save.js";
import { plainSection } from "./section.js";

/** @typedef {import("./section.js").World} World */

/** @param {HTMLElement} root @param {World} world */
function bindLimits(root, world) {
  const delimiter = find(root, "#csv-delimiter", HTMLSelectElement);
  const decimal = find(root, "#csv-decimal", HTMLSelectElement);
  const speed = find(root, "#csv-speed", HTMLSelectElement);
  const apart = () => { // a comma can't be both
    if (decimal.value === "," && delimiter.value === ",") delimiter.value = ";";
  };
  decimal.addEventListener("change", apart);
  delimiter.addEventListener("change", apart);
  const csv = () => world.analyst.call("limits_csv", {
    delimiter: delimiter.value === "tab" ? "\t" : delimiter.value, decimal: decimal.value, speed_in: speed.value,
  });
  press(root, world, "#copy-limits", async (button) => copyText(await csv(), button));
  press(root, world, "#save-limits", async () => saveText(await csv(), fileName(world.state.results.title, "limits.csv"), "text/csv"));
}

/** A button that asks the bench; what goes wrong stands in the list of faults.
 * @param {HTMLElement} root @param {World} world @param {string} selector @param {(button: HTMLButtonElement) => Promise<void>} act */
function press(root, world, selector, act) {
  const button = find(root, selector, HTMLButtonElement);
  button.addEventListener("click", async () => {
    try { await act(button); } catch (error) {
      flash(button, "not done");
      world.state.fault(`Hand-over: ${error instanceof Error ? error.message : String(error)}`);
    }
  });
}

/** What was settled, as the evidence prints it. @param {World} world @returns {[string, string][]} */
function settings({ state }) {
  const { choices } = state.inputs;
  const { settled } = state.results;
  const band = choices.band ?? settled?.band;
  const angles = choices.window ?? settled?.window;
  const by = (/** @type {unknown} */ typed) => (typed ? "chosen by hand" : "chosen by the search");
  return [
    ["Band", band ? `${Math.round(band[0])} to ${Math.round(band[1])} Hz, ${by(choices.band)}` : "not known yet"],
    ["Window", angles ? `${angles[0]} to ${angles[1]} degrees after firing TDC, ${by(choices.window)}` : "not known yet"],
    ["False alarms", `1 in ${Math.round(1 / choices.false_alarm)} cycles, confidence ${Number((choices.confidence * 100).toFixed(2))} %`],
    ["Breakpoints", choices.breakpoints?.length ? `${choices.breakpoints.join(", ")} 1/min` : "chosen from the data"],
    ["Version", document.querySelector('meta[name="ringdown-version"]')?.getAttribute("content") ?? ""],
  ];
}

/** @param {HTMLElement} root @param {World} world */
function showEvidence(root, world) {
  find(root, "#settings", HTMLElement).replaceChildren(
    ...settings(world).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)]));
  const { files } = world.state.results;
  const host = find(root, "#evidence-files", HTMLElement);
  if (!files.length) return host.replaceChildren();
  host.replaceChildren(el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Files of this card" },
    el("table", { class: "files" }, el("caption", {}, "Files of this card"),
      el("thead", {}, el("tr", {}, ...["file", "role", "bytes", "SHA-256"].map((head) => el("th", { scope: "col" }, head)))),
      el("tbody", {}, ...files.map((file) => el("tr", {}, el("th", { scope: "row" }, file.name), el("td", {}, file.role ?? file.kind),
        el("td", {}, String(file.bytes)), el("td", { class: "hash" }, file.sha256)))))));
}

/** @param {HTMLElement} root @param {World} world @returns {() => void} */
export function handoverSection(root, world) {
  const { state, analyst } = world;
  press(root, world, "#copy-findings", async (button) => copyText(await analyst.call("summary_text"), button));
  press(root, world, "#save-result", async () => saveText(await analyst.call("result_json"), fileName(state.results.title, "result.json"), "application/json"));
  press(root, world, "#save-card", async () => saveText(await analyst.call("card_json"), fileName(state.results.title, "card.json"), "application/json"));
  find(root, "#print", HTMLButtonElement).addEventListener("click", () => print());
  bindLimits(root, world);
  const [who, when] = [find(root, "#who", HTMLInputElement), find(root, "#when", HTMLInputElement)];
  for (const field of [who, when]) field.addEventListener("change", () => state.put({ signed: { who: who.value, when: when.value } }));
  who.value = state.results.signed.who;
  when.value = state.results.signed.when;
  const unwatch = state.watch(["files", "choices", "settled"], () => showEvidence(root, world));
  const end = plainSection(root, world);
  return () => { unwatch(); end(); };
}
