/** The nodes of a chart: caption, canvas with its overlays, read-out line, tools, table, and the picture for print. */

import { el } from "../parts/dom.js";
import { freshId } from "../parts/field.js";

const KEYS = [
  ["+ and -", "zoom"], ["arrow keys", "move the view"], ["Shift with arrow keys", "move the pointer, read the figures"],
  ["Home or double click", "whole chart"], ["Backspace", "the view before"], ["Enter", "choose the place under the pointer"],
  ["space", "listen, where there is something to hear"], ["[ and ]", "set the nearer edge of a window or mark to the pointer"],
  ["s, k, x", "on a recording: begin and end a mark (safe, knock, left out)"], ["drag", "zoom to a stretch"], ["Shift and drag", "move"],
  ["wheel", "zoom, with Ctrl or once the chart has focus"], ["?", "this list"],
];

/** @param {string} text @param {string} says @param {() => void} act */
function tool(text, says, act) {
  const button = el("button", { type: "button", class: "small", "aria-label": says }, text);
  button.addEventListener("click", act);
  return button;
}

/** @param {string} caption @param {{ home: () => void, limits: () => void, png: () => void, svg: () => void }} acts */
export function chartFrame(caption, acts) {
  const keysId = freshId("keys");
  const canvas = el("canvas", { tabindex: 0, role: "application", "aria-roledescription": "chart", "aria-describedby": keysId, "aria-label": caption });
  const acrossX = el("i", { class: "cross-x", hidden: true });
  const acrossY = el("i", { class: "cross-y", hidden: true });
  const band = el("i", { class: "strip", hidden: true });
  const keys = el("dl", { class: "keys", hidden: true }, ...KEYS.flatMap(([key, what]) => [el("dt", {}, key), el("dd", {}, what)]));
  const box = el("div", { class: "plot" }, canvas, acrossX, acrossY, band, keys);
  const readOut = el("output", { class: "read-out" }, "\u00a0");
  const captionText = el("span", {}, caption);
  const table = el("details", { class: "figures" }, el("summary", {}, "These figures as a table"));
  const printed = el("img", { class: "printed", alt: "" });
  const tools = el("span", { class: "tools" }, tool("whole", `show the whole chart: ${caption}`, acts.home),
    tool("limits", `hold the limits of the axes: ${caption}`, acts.limits), tool("PNG", `save as PNG: ${caption}`, acts.png), tool("SVG", `save as SVG: ${caption}`, acts.svg));
  const node = el("figure", { class: "chart" }, el("figcaption", {}, captionText), box,
    el("div", { class: "under" }, readOut, tools),
    el("p", { id: keysId, class: "unseen" }, "Plus and minus zoom, arrow keys move, Home shows all, question mark lists the keys."),
    table, printed);
  return { node, canvas, acrossX, acrossY, band, keys, box, readOut, captionText, table, printed };
}
