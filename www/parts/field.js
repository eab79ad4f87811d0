/** Reading what was typed: numbers with either decimal mark, lists, lengths in the unit shown. */

const MM_PER_IN = 25.4; // exact by definition of the inch

/** A number with point or comma; null when empty, NaN when it is no number. @param {string} text */
export function typedNumber(text) {
  const plain = text.trim().replace(/[\u2009\u00a0 ]/g, "").replace(",", ".");
  if (!plain) return null;
  return /^[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?$/i.test(plain) ? Number(plain) : NaN;
}

/** Numbers apart by anything but digits, point, sign; commas separate. @param {string} text @returns {number[] | null} */
export function typedList(text) {
  const found = text.match(/-?\d+(\.\d+)?/g);
  return found ? found.map(Number) : null;
}

/** A firing order: whole numbers apart by dashes, commas or spaces. @param {string} text @returns {number[] | null} */
export function typedOrder(text) {
  const found = text.match(/\d+/g);
  return found ? found.map(Number) : null;
}

/** @param {number} value @param {"mm" | "in"} unit what is shown @returns {number} in mm */
export function toMm(value, unit) { return unit === "in" ? value * MM_PER_IN : value; }

/** @param {number} mm @param {"mm" | "in"} unit @returns {string} */
export function lengthText(mm, unit) {
  return unit === "in" ? String(Number((mm / MM_PER_IN).toFixed(4))) : String(Number(mm.toFixed(3)));
}

/** A number as typed, without digits it does not have. @param {number | null | undefined} value */
export function numberText(value) {
  return typeof value === "number" && Number.isFinite(value) ? String(Number(value.toFixed(4))) : "";
}

let fieldCount = 0;

/** An id nothing else has, to tie a label to its field. @param {string} stem */
export function freshId(stem) {
  fieldCount += 1;
  return `${stem}-${fieldCount}`;
}
