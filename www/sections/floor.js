/** Section 7. Which cycles are left out of the floor, which rows of a log count. */

import { setChoice } from "./choice.js";
import { rowFilters } from "./filters.js";
import { plainSection } from "./section.js";

/** @param {HTMLElement} root @param {import("./section.js").World} world @returns {() => void} */
export function floorSection(root, world) {
  const { state } = world;
  /** @type {NodeListOf<HTMLInputElement>} */
  const boxes = root.querySelectorAll("input[data-reason]");
  for (const box of boxes) {
    box.addEventListener("change", () => {
      const used = [...boxes].filter((one) => !one.checked).map((one) => one.dataset.reason ?? "");
      setChoice(state, { use_anyway: used }, "cycles left out");
    });
  }
  const unwatch = state.watch(["choices"], () => {
    for (const box of boxes) box.checked = !state.inputs.choices.use_anyway.includes(box.dataset.reason ?? "");
  });
  const unfilter = rowFilters(root, world);
  const end = plainSection(root, world);
  return () => { unwatch(); unfilter(); end(); };
}
