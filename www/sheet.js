/** The engine sheet as the form edits it: reading and setting by path, and what is still missing to be of use. */

/** @typedef {import("./protocol.js").Sheet} Sheet */

/** What each kind of crank signal can do nothing without.
 * @type {Record<string, string[]>} */
const CRANK_NEEDS = {
  "missing-tooth": ["channel", "teeth", "missing"], "even-teeth": ["channel", "teeth"],
  "edge-list": ["channel", "edges_deg"], "pulse-per-turn": ["channel"], "pulse-per-cycle": ["channel"], none: [],
};

/** @param {Sheet} sheet @param {string[]} path @returns {any} */
export function fieldAt(sheet, path) {
  return path.reduce((/** @type {any} */ node, key) => node?.[key], sheet);
}

/** The sheet with one field changed, the rest shared. @param {any} node @param {string[]} path @param {unknown} value @returns {any} */
export function withField(node, [key, ...rest], value) {
  const held = node && typeof node === "object" ? node : {};
  return { ...held, [key]: rest.length ? withField(held[key], rest, value) : value };
}

/** Fields the crank signal still lacks. @param {Sheet} sheet @returns {string[]} */
export function crankLacks(sheet) {
  const { crank } = sheet;
  if (!crank?.kind) return [];
  return (CRANK_NEEDS[crank.kind] ?? []).filter((name) => crank[name] === null || crank[name] === undefined);
}

/** Fields an ignition trigger that was begun still lacks. @param {Sheet} sheet @returns {string[]} */
export function ignitionLacks({ ignition }) {
  const needs = ["channel", "cylinder", "deg_btdc"];
  const lacks = needs.filter((name) => typeof ignition?.[name] !== "number");
  return lacks.length < needs.length ? lacks : [];
}

/** The sheet as the core takes it: half-typed signals and sensors wait until they are whole. @param {Sheet} sheet @returns {Sheet} */
export function wholeSheet(sheet) {
  const whole = { ...sheet };
  if (whole.crank && (!whole.crank.kind || crankLacks(sheet).length)) whole.crank = null;
  if (whole.cam && (!whole.cam.kind || (whole.cam.kind !== "none" && !whole.cam.channel))) whole.cam = null;
  if (whole.ignition && (ignitionLacks(sheet).length || typeof whole.ignition.channel !== "number")) whole.ignition = null;
  const pair = whole.gas_temperature_k;
  if (pair && pair.some((/** @type {unknown} */ one) => typeof one !== "number")) whole.gas_temperature_k = null;
  if (Array.isArray(whole.sensors)) {
    const usable = whole.sensors.filter((/** @type {any} */ one) => Number.isInteger(one?.channel));
    whole.sensors = usable.length ? usable : null;
  }
  return whole;
}
