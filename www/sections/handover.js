/** Section 11. What leaves: text for a message, limits for a spreadsheet, the card, the print with its evidence. */

import { find, flash } from "../parts/dom.js";
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
  return plainSection(root, world);
}
