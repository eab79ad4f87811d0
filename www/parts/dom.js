/** Building nodes without markup in text: everything shown is set as text. */

const SVG = "http://www.w3.org/2000/svg";

/** @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag @param {Record<string, string | boolean | number>} [attributes] @param {...(Node | string | null)} children
 * @returns {HTMLElementTagNameMap[K]} */
export function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === true) node.setAttribute(name, "");
    else if (value !== false) node.setAttribute(name, String(value));
  }
  node.append(...children.filter((child) => child !== null));
  return node;
}

/** The sign of a state, drawn from the symbols in index.html; the word stands beside it. @param {string} state */
export function sign(state) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("class", "sign");
  svg.setAttribute("viewBox", "0 0 16 16");
  svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS(SVG, "use");
  use.setAttribute("href", `#s-${state}`);
  svg.append(use);
  return svg;
}

/** @type {Record<string, string>} */
export const STATE_WORDS = {
  waiting: "waiting", working: "working", holds: "holds", look: "look", "not-enough": "not enough",
};

/** Sets text only when it differs, so that screen readers and selections are left in peace.
 * @param {Element} node @param {string} text */
export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** Paragraphs or list items for lines of text. @param {Element} host @param {"p" | "li"} tag @param {string[]} lines */
export function setLines(host, tag, lines) {
  host.replaceChildren(...lines.map((line) => el(tag, {}, line)));
}

/** @template {Element} T @param {ParentNode} root @param {string} selector @param {new () => T} kind @returns {T} */
export function find(root, selector, kind) {
  const node = root.querySelector(selector);
  if (!(node instanceof kind)) throw new Error(`index.html lacks ${selector}`);
  return node;
}

/** @param {HTMLElement} button @param {string} said shown for two seconds in its place */
export function flash(button, said) {
  const before = button.dataset.label ?? button.textContent ?? "";
  button.dataset.label = before;
  button.textContent = said;
  setTimeout(() => { button.textContent = before; }, 2000);
}
