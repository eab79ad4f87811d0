/** Section 7, rows of a log that count: any of its columns within a range. */

import { el, find, setText } from "../parts/dom.js";
import { numberText, typedNumber } from "../parts/field.js";
import { setChoice, setOptions } from "./choice.js";

/** @typedef {import("./section.js").World} World */

/** Names of the columns of all logs on the card, each once. @param {import("../protocol.js").FileRow[]} files */
const columnsOf = (files) => [...new Set(files.filter((file) => file.kind === "log").flatMap((file) => file.channels.map((one) => one.name)))];

/** @param {HTMLElement} root @param {World} world @returns {() => void} */
export function rowFilters(root, { state }) {
  const host = find(root, "#filters", HTMLElement);
  const column = find(host, "#filter-column", HTMLSelectElement);
  const [low, high] = [find(host, "#filter-low", HTMLInputElement), find(host, "#filter-high", HTMLInputElement)];
  const fault = find(host, "#filter-fault", HTMLElement);
  const list = find(host, "#filter-list", HTMLElement);
  const held = () => state.inputs.choices.filters ?? [];
  find(host, "#filter-add", HTMLButtonElement).addEventListener("click", () => {
    const [from, to] = [typedNumber(low.value), typedNumber(high.value)];
    const wrong = from === null || to === null || !(from <= to) ? "type two numbers, the smaller one first" : "";
    setText(fault, wrong);
    if (wrong || from === null || to === null) return;
    const others = held().filter((one) => one.column !== column.value);
    setChoice(state, { filters: [...others, { column: column.value, low: from, high: to }] }, "rows used");
  });
  return state.watch(["choices", "files"], () => {
    const names = columnsOf(state.results.files);
    host.hidden = names.length + held().length === 0;
    setOptions(column, names.map((name) => [name, name]));
    list.hidden = held().length === 0;
    list.replaceChildren(...held().map((one) => {
      const button = el("button", { type: "button", class: "small", "aria-label": `use all rows again, whatever ${one.column}` }, "remove");
      button.addEventListener("click", () => setChoice(state, { filters: held().filter((other) => other !== one) }, "rows used"));
      return el("li", {}, el("span", { class: "own-words" }, `${one.column} ${numberText(one.low)} \u2026 ${numberText(one.high)}`), button);
    }));
  });
}
