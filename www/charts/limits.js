/** Axis and colour limits held by the user: they stay whatever is shown next, and can be given to every chart alike. */

import { el, setText } from "../parts/dom.js";
import { freshId, numberText, typedNumber } from "../parts/field.js";

/** @typedef {import("../protocol.js").Figure} Figure */
/** @typedef {[number, number]} Range */
/** @typedef {{ x: Range, y: Range, heat: Range | null }} Limits */
/** @typedef {{ figure: Figure | null, limits: () => Limits, hold: (limits: Limits | null) => void, held: boolean }} Holder */

/** Charts on the page, to hand limits on to those that measure the same. @type {Set<Holder>} */
const holders = new Set();

/** @param {Figure} figure */
const measures = ({ x, y }) => `${x.label}\n${x.scale}\n${y.label}\n${y.scale}`;

/** Digits enough to tell a thousandth of the range. @param {Range} range */
function shown([low, high]) {
  const digits = Math.max(0, Math.min(9, 3 - Math.floor(Math.log10(Math.max(high - low, 1e-9)))));
  return [low, high].map((value) => numberText(Number(value.toFixed(digits))) || "0");
}

/** @param {string} says @param {string} which */
function pairOf(says, which) {
  const [low, high] = [el("input", { size: 7, inputmode: "decimal", autocomplete: "off" }), el("input", { size: 7, inputmode: "decimal", autocomplete: "off", "aria-label": `${which}, upper end` })];
  low.id = freshId("limit");
  return { low, high, node: el("span", { class: "pair" }, el("label", { for: low.id }, says), low, el("span", {}, "to"), high) };
}

/** A form under the chart; closed until its tool is pressed. @param {Holder} chart */
export function limitsForm(chart) {
  const [across, up, colour] = [pairOf("across from", "across"), pairOf("up from", "up"), pairOf("colour from", "colour")];
  const keep = el("button", { type: "button", class: "small", "aria-pressed": "false" }, "hold these");
  const everywhere = el("button", { type: "button", class: "small" }, "the same in all charts alike");
  const free = el("button", { type: "button", class: "small" }, "free again");
  const fault = el("small", { class: "fault" });
  const node = el("div", { class: "choice limits-form", hidden: true }, across.node, up.node, colour.node, keep, everywhere, free, fault);

  /** @returns {Limits | null} */
  const typed = () => {
    /** @param {ReturnType<typeof pairOf>} pair @returns {Range | null} */
    const range = ({ low, high }) => {
      const [a, b] = [typedNumber(low.value), typedNumber(high.value)];
      return a !== null && b !== null && a < b ? [a, b] : null;
    };
    const [x, y, heat] = [range(across), range(up), colour.node.hidden ? null : range(colour)];
    const wrong = !x || !y || (!colour.node.hidden && !heat);
    setText(fault, wrong ? "type two numbers, the smaller one first" : "");
    return wrong || !x || !y ? null : { x, y, heat };
  };
  const fill = () => {
    const { x, y, heat } = chart.limits();
    for (const [pair, range] of /** @type {const} */ ([[across, x], [up, y], [colour, heat]])) {
      if (pair === colour) colour.node.hidden = !heat;
      if (range) [pair.low.value, pair.high.value] = shown(range);
    }
    keep.setAttribute("aria-pressed", String(chart.held));
    free.disabled = !chart.held;
    setText(fault, "");
  };
  keep.addEventListener("click", () => {
    const limits = typed();
    if (limits) { chart.hold(limits); fill(); }
  });
  everywhere.addEventListener("click", () => {
    const limits = typed();
    const { figure } = chart;
    if (!limits || !figure) return;
    for (const other of holders) if (other.figure && measures(other.figure) === measures(figure)) other.hold(limits);
    fill();
  });
  free.addEventListener("click", () => { chart.hold(null); fill(); });
  return { node, toggle: () => { node.hidden = !node.hidden; if (!node.hidden) { fill(); across.low.focus(); } } };
}

/** @param {Holder} chart @returns {() => void} what takes it off the list */
export function takesLimits(chart) {
  holders.add(chart);
  return () => holders.delete(chart);
}
