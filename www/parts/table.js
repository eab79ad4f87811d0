/** Tables from data, set as text; wide ones scroll inside their own box with the first column fixed. */

import { el } from "./dom.js";

/** @typedef {import("../protocol.js").Table} Table */
/** @typedef {import("../protocol.js").Row} Row */
/** @typedef {{ head: string, cell: (row: Row) => Node | null }} Extra   a column with controls */

const WIDE_COLUMNS = 6;
/** Longer tables scroll in their own box on the screen; shorter ones are not broken over pages in print. */
const LONG_ROWS = 16;
/** Longer cells may break over lines; figures with their units stay in one piece. */
const SHORT_TEXT = 24;

/** From so long a text on a column wants room. */
const WORDY_TEXT = 24;

/** A column of words stands to the left, figures to the right. @param {Table} table @param {number} at */
const isWords = (table, at) => at > 0 && table.rows.some((row) => /^\p{L}/u.test(row.cells[at]?.text ?? ""));

/** Whether a column of long words needs the width of the page. @param {Table} table */
export const isWordy = (table) => table.columns.some((_, at) => isWords(table, at) && table.rows.some((row) => (row.cells[at]?.text.length ?? 0) > WORDY_TEXT));

/** @param {string} text @param {boolean} need @param {boolean} [words] */
const looks = (text, need, words = false) => ({ class: [need ? "need" : "", text.length > SHORT_TEXT ? "" : "short", words ? "words" : ""].filter(Boolean).join(" ") });

/** @param {Row} row @param {Extra[]} extras @param {boolean[]} words */
function bodyRow(row, extras, words) {
  const [head, ...cells] = row.cells;
  const line = el("tr", row.chosen ? { class: "on" } : {},
    head?.text ? el("th", { scope: "row", ...looks(head.text, false) }, head.text) : el("td", {}),
    ...cells.map((cell, at) => el("td", looks(cell.text, cell.need, words[at + 1]), cell.text)));
  for (const extra of extras) line.append(el("td", { class: "act" }, extra.cell(row)));
  if (row.chosen) line.firstElementChild?.append(el("span", { class: "unseen" }, " (chosen)"));
  return line;
}

/** @param {Table} table @param {Extra[]} [extras] @returns {HTMLElement} the box with the table */
export function tableBox(table, extras = []) {
  const heads = [...table.columns, ...extras.map((extra) => extra.head)];
  const words = table.columns.map((_, at) => isWords(table, at));
  /** @param {number} at */
  const headLooks = (at) => [at < words.length ? "" : "act", words[at] ? "words" : ""].join("").trim();
  const grid = el("table", { id: `table-${table.id}` },
    el("caption", {}, table.caption),
    el("thead", {}, el("tr", {}, ...heads.map((text, at) => el("th", { scope: "col", class: headLooks(at) }, text)))),
    el("tbody", {}, ...table.rows.map((row) => bodyRow(row, extras, words))));
  const kinds = ["scroll", heads.length > WIDE_COLUMNS ? "wide" : "", table.rows.length > LONG_ROWS ? "long" : "short-table"];
  return el("div", { class: kinds.filter(Boolean).join(" "), tabindex: 0, role: "group", "aria-label": table.caption }, grid);
}

/** A table as text for a spreadsheet: tabs between cells. @param {Table} table */
export function tableText(table) {
  const lines = [table.columns, ...table.rows.map((row) => row.cells.map((cell) => cell.text))];
  return lines.map((cells) => cells.join("\t")).join("\n");
}
