/** Fields of a choice: typed by the user or settled by the core, both shown in the same place. */

import { el, find, setText } from "../parts/dom.js";
import { numberText, typedNumber } from "../parts/field.js";

/** @typedef {import("../state.js").State} State */
/** @typedef {"band" | "window"} PairName */

/** Two fields for a pair of numbers, and a button that gives the choice back to the card.
 * @param {HTMLElement} root @param {State} state
 * @param {{ name: PairName, low: string, high: string, auto: string, fault: string, what: string }} of */
export function pairChoice(root, state, of) {
  const low = find(root, of.low, HTMLInputElement);
  const high = find(root, of.high, HTMLInputElement);
  const auto = find(root, of.auto, HTMLButtonElement);
  const fault = find(root, of.fault, HTMLElement);
  const read = () => {
    const [a, b] = [typedNumber(low.value), typedNumber(high.value)];
    if (a === null || b === null) return;
    const wrong = Number.isNaN(a) || Number.isNaN(b) ? "type two numbers" : a >= b ? "the first must be the smaller one" : "";
    setText(fault, wrong);
    for (const field of [low, high]) field.setAttribute("aria-invalid", String(Boolean(wrong)));
    if (!wrong) setChoice(state, { [of.name]: [a, b] }, of.what);
  };
  low.addEventListener("change", read);
  high.addEventListener("change", read);
  auto.addEventListener("click", () => setChoice(state, { [of.name]: null }, `${of.what} given back`));
  return state.watch(["choices", "settled"], () => {
    const typed = state.inputs.choices[of.name];
    const pair = typed ?? state.results.settled?.[of.name];
    auto.disabled = typed === null;
    setText(fault, "");
    const shown = (/** @type {number | undefined} */ value) => numberText(typed || value === undefined ? value : Math.round(value));
    if (document.activeElement !== low) low.value = shown(pair?.[0]);
    if (document.activeElement !== high) high.value = shown(pair?.[1]);
  });
}

/** @param {State} state @param {Partial<import("../protocol.js").Choices>} patch @param {string} what */
export function setChoice(state, patch, what) {
  state.change({ choices: { ...state.inputs.choices, ...patch } }, what);
}

/** A list to choose from that shows `value`, adding it when it is none of the usual ones.
 * @param {HTMLSelectElement} select @param {number} value @param {(value: number) => string} words */
export function showOption(select, value, words) {
  let option = [...select.options].find((one) => Math.abs(Number(one.value) - value) < 1e-9);
  if (!option) {
    option = el("option", { value: String(value) }, words(value));
    select.append(option);
  }
  select.value = option.value;
}

/** Replaces the options of a list and keeps what was chosen if it is still there.
 * @param {HTMLSelectElement} select @param {[string, string][]} options value, words */
export function setOptions(select, options) {
  const chosen = select.value;
  const now = JSON.stringify(options);
  if (select.dataset.options === now) return;
  select.dataset.options = now;
  select.replaceChildren(...options.map(([value, words]) => el("option", { value }, words)));
  if (options.some(([value]) => value === chosen)) select.value = chosen;
}
