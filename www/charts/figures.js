/** A figure's numbers as a table, for whoever can't see the picture. */

/** @typedef {import("../protocol.js").Figure} Figure */
/** @typedef {import("../protocol.js").Layer} Layer */

const MOST_ROWS = 120;

/** The floats of a layer: they cross the boundary as little-endian bytes. @param {unknown} held @returns {Float32Array} */
function floats(held) {
  if (held instanceof Float32Array) return held;
  if (!(held instanceof Uint8Array)) return new Float32Array(0);
  const whole = held.byteLength - (held.byteLength % 4);
  return new Float32Array(held.buffer.slice(held.byteOffset, held.byteOffset + whole));
}

/** @param {number} value */
const shown = (value) => (Number.isFinite(value) ? String(Number(value.toPrecision(5))) : "no data");

/** Evenly chosen indices, first and last among them. @param {number} length */
function picked(length) {
  const count = Math.min(length, MOST_ROWS);
  return Array.from({ length: count }, (_, at) => Math.round((at * (length - 1)) / Math.max(1, count - 1)));
}

/** @param {Layer} layer @param {string} name @param {[number, number]} range what is shown along x @returns {string[][]} */
function seriesRows(layer, name, [from, to]) {
  const x = floats(layer.x);
  const inside = [...x.keys()].filter((at) => x[at] >= from && x[at] <= to);
  const some = picked(inside.length).map((at) => inside[at]);
  if (layer.layer === "between") {
    const [low, high] = [floats(layer.low), floats(layer.high)];
    return some.map((at) => [name, shown(x[at]), `${shown(low[at])} to ${shown(high[at])}`]);
  }
  const y = floats(layer.y);
  return some.map((at) => [name, shown(x[at]), shown(y[at])]);
}

/** Each column of a heat map by its largest cell. @param {Layer} layer @returns {string[][]} */
function heatRows(layer) {
  const values = floats(layer.values);
  const { columns, rows, x0, x1, y0, y1 } = layer;
  return picked(columns).map((column) => {
    let best = -1;
    for (let row = 0; row < rows; row += 1) {
      const value = values[column * rows + row];
      if (value === value && (best < 0 || value > values[column * rows + best])) best = row;
    }
    const x = x0 + ((column + 0.5) / columns) * (x1 - x0);
    const y = y0 + ((best + 0.5) / rows) * (y1 - y0);
    const text = best < 0 ? "no data" : `largest ${shown(values[column * rows + best])} at ${shown(y)}`;
    return [String(layer.label), shown(x), text];
  });
}

/** Names of the layers without one of their own: where lines or bands lie in lanes, one a tick, each has its tick's.
 * @param {Figure} figure @returns {Map<Layer, string>} */
function laneNames({ layers, y }) {
  const lanes = layers.filter(({ layer, label }) => (layer === "line" || layer === "between") && !label);
  return new Map(lanes.length === y.ticks.length ? lanes.map((layer, at) => [layer, y.ticks[at][1]]) : []);
}

/** @param {Layer} layer @param {string} lane @param {[number, number]} range @returns {string[][]} name, x, y */
function layerRows(layer, lane, range) {
  const name = String(layer.label ?? layer.text ?? lane);
  switch (layer.layer) {
    case "line": case "points": case "between": return seriesRows(layer, name, range);
    case "heat": return heatRows(layer);
    case "span": return [[name, ...byAxis(layer.along, `${shown(layer.from)} to ${shown(layer.to)}`)]];
    case "rule": return [[name, ...byAxis(layer.along, shown(layer.at))]];
    case "box": return [[name, `${shown(layer.x0)} to ${shown(layer.x1)}`, `${shown(layer.y0)} to ${shown(layer.y1)}`]];
    case "text": return [[name, shown(layer.x), shown(layer.y)]];
    default: return [];
  }
}

/** @param {string} axis @param {string} text */
const byAxis = (axis, text) => (axis === "x" ? [text, ""] : ["", text]);

/** @param {Figure} figure @param {string} caption @param {[number, number]} range what is shown along x
 * @returns {import("../protocol.js").Table} */
export function figureTable(figure, caption, range) {
  const lanes = laneNames(figure);
  const all = figure.layers.flatMap((layer) => layerRows(layer, lanes.get(layer) ?? "", range)).slice(0, 10 * MOST_ROWS);
  const columns = ["what", figure.x.label || "across", figure.y.label || "up"];
  const first = all.some(([name]) => name) ? 0 : 1; // nothing has a name: no column for it
  return {
    id: `figures-${figure.id}`, caption: `${caption}: the figures, thinned where many`,
    columns: columns.slice(first),
    rows: all.map((cells) => ({ cells: cells.slice(first).map((text) => ({ text, need: false })), chosen: false })),
  };
}

/** Whether a figure holds a heat map, which wants more height. @param {Figure} figure */
export function hasHeat(figure) { return figure.layers.some((layer) => layer.layer === "heat"); }
