/** Section 8. How many false alarms are accepted, with what confidence, at which speeds; by which rule, in what shape. */

import { find, setText } from "../parts/dom.js";
import { typedList, typedNumber } from "../parts/field.js";
import { setChoice, showOption } from "./choice.js";
import { plainSection } from "./section.js";

/** @param {number} share */
const oneIn = (share) => `1 in ${Math.round(1 / share)} cycles`;
/** @param {number} share */
const percent = (share) => `${Number((share * 100).toFixed(2))} %`;

/** What a rule starts with where nothing was typed: dB, standard deviations. @type {Record<string, number>} */
const RULE_STARTS = { "over-floor": 10, "mean-plus": 4 };

/** The rule's kind and its number, kept as one text. @param {HTMLElement} root @param {import("../state.js").State} state */
function bindRule(root, state) {
  const kind = find(root, "#rule", HTMLSelectElement);
  const value = find(root, "#rule-value", HTMLInputElement);
  const fault = find(root, "#rule-fault", HTMLElement);
  const read = () => {
    if (!kind.value) { setChoice(state, { rule: null }, "rule of the limits"); return; }
    const typed = value.value.trim() ? typedNumber(value.value) : RULE_STARTS[kind.value];
    const most = kind.value === "over-floor" ? 40 : 12;
    const wrong = typed === null || !(typed >= 1 && typed <= most) ? `type a number from 1 to ${most}` : "";
    setText(fault, wrong);
    if (!wrong) setChoice(state, { rule: `${kind.value}:${typed}` }, "rule of the limits");
  };
  kind.addEventListener("change", () => { value.value = ""; read(); });
  value.addEventListener("change", read);
  return state.watch(["choices"], () => {
    const [now = "", amount = ""] = (state.inputs.choices.rule ?? "").split(":");
    kind.value = now in RULE_STARTS ? now : "";
    value.hidden = !kind.value;
    if (document.activeElement !== value) value.value = kind.value ? amount : "";
  });
}

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
  const shape = find(root, "#shape", HTMLSelectElement);
  shape.addEventListener("change", () => setChoice(state, { shape: shape.value }, "shape of the table"));
  const unwatchRule = bindRule(root, state);
  const unwatch = state.watch(["choices"], () => {
    const { choices } = state.inputs;
    shape.value = choices.shape;
    showOption(falseAlarm, choices.false_alarm, oneIn);
    showOption(confidence, choices.confidence, percent);
    if (document.activeElement !== breakpoints) breakpoints.value = (choices.breakpoints ?? []).join(" ");
  });
  const end = plainSection(root, world);
  return () => { unwatchRule(); unwatch(); end(); };
}
