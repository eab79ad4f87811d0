/** Handing text and pictures to the user: as a file, or on the clipboard. */

import { el, flash } from "./dom.js";

/** @param {Blob} blob @param {string} name */
export function saveBlob(blob, name) {
  const address = URL.createObjectURL(blob);
  const link = el("a", { href: address, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 60_000); // the browser may still be asking where to put it
}

/** @param {string} text @param {string} name @param {string} type */
export function saveText(text, name, type) {
  saveBlob(new Blob([text], { type: `${type};charset=utf-8` }), name);
}

/** Copies text and says so on the button; without a clipboard the text is selected for Ctrl+C.
 * @param {string} text @param {HTMLElement} button */
export async function copyText(text, button) {
  try {
    await navigator.clipboard.writeText(text);
    flash(button, "copied");
  } catch {
    const area = el("textarea", { class: "copy", rows: 6, readonly: true, "aria-label": "text to copy" });
    area.value = text;
    button.after(area);
    area.select();
    area.addEventListener("blur", () => area.remove());
    flash(button, "press Ctrl+C");
  }
}

/** A file name from the card's title. @param {string} title @param {string} ending */
export function fileName(title, ending) {
  const plain = title.toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-|-$/g, "").slice(0, 40);
  return `${plain || "ringdown"}-${ending}`;
}
