/** Section 10. What was changed besides the engine, and whether temperature has to match. */

import { find } from "../parts/dom.js";
import { setChoice } from "./choice.js";
import { plainSection } from "./section.js";

/** @param {HTMLElement} root @param {import("./section.js").World} world @returns {() => void} */
export function compareSection(root, world) {
  const { state } = world;
  const changed = find(root, "#sensors-changed", HTMLInputElement);
  const warm = find(root, "#match-temperature", HTMLInputElement);
  changed.addEventListener("change", () => setChoice(state, { sensors_changed: changed.checked }, "how to compare"));
  warm.addEventListener("change", () => setChoice(state, { match_temperature: warm.checked }, "how to compare"));
  const unwatch = state.watch(["choices"], () => {
    changed.checked = state.inputs.choices.sensors_changed === true;
    warm.checked = state.inputs.choices.match_temperature === true;
  });
  const end = plainSection(root, world);
  return () => { unwatch(); end(); };
}
