/** Section 8. How many false alarms are accepted, with what confidence, at which speeds. */

import { find, setText } from "../parts/dom.js";
import { typedList } from "../parts/field.js";
import { setChoice, showOption } from "./choice.js";
import { plainSection } from "./section.js";

/** @param {number} share */
const oneIn = (share) => `1 in ${Math.round(1 / share)} cycles`;
/** @param {number} share */
const percent = (share) => `${Number((share * 100).toFixed(2))} %`;

/** @param {HTMLElement} root @param {import("./section.js").World} world @returns {() => void} */
export function limitsSection(root, world) {
  const { state } = world;
  const falseAlarm = find(root, "#false-alarm", HTMLSelectElement);
  const confidence = find(root, "#confidence", HTMLSelectElement);
  const breakpoints = find(root, "#breakpoints", HTMLInputElement);
  const fault = find(root, "#breakpoints-fault", HTMLElement);
  falseAlarm.addEventListener("change", () => setChoice(state, { false_alarm: Number(falseAlarm.value) }, "false-alarm rate"));
  confidence.addEventListener("change", () => setChoice(state, { confidence: Number(confidence.value) }, "confidence"));
  breakpoints.addEventListener("change", () => {
    const typed = breakpoints.value.trim() ? typedList(breakpoints.value) : null;
    const wrong = breakpoints.value.trim() && !typed ? "type speeds, e.g. 1500 2000 2500" : "";
    setText(fault, wrong);
    breakpoints.setAttribute("aria-invalid", String(Boolean(wrong)));
    if (!wrong) setChoice(state, { breakpoints: typed && [...typed].sort((a, b) => a - b) }, "breakpoints");
  });
  const unwatch = state.watch(["choices"], () => {
    const { choices } = state.inputs;
    showOption(falseAlarm, choices.false_alarm, oneIn);
    showOption(confidence, choices.confidence, percent);
    if (document.activeElement !== breakpoints) breakpoints.value = (choices.breakpoints ?? []).join(" ");
  });
  const end = plainSection(root, world);
  return () => { unwatch(); end(); };
}
