/** Section 1. The engine sheet as a form: what is typed counts at once, what is refused says why beside its field. */

import { el, find, setText } from "../parts/dom.js";
import { freshId, lengthText, numberText, toMm, typedList, typedNumber, typedOrder } from "../parts/field.js";
import { fileName, saveText } from "../parts/save.js";
import { crankLacks, fieldAt, ignitionLacks, withField } from "../sheet.js";
import { setOptions } from "./choice.js";
import { plainSection } from "./section.js";

/** @typedef {import("./section.js").World} World */
/** @typedef {"text" | "number" | "length" | "list" | "order" | "missing" | "word" | "filter"} Kind */
/** @typedef {{ name: string, path: string[], kind: Kind, what: string }} Field */

/** @param {string} name @param {string} path @param {Kind} kind @param {string} what @returns {Field} */
const field = (name, path, kind, what) => ({ name, path: path.split("."), kind, what });

const FIELDS = [
  field("name", "name", "text", "name"), field("bore_mm", "bore_mm", "length", "bore"),
  field("stroke_mm", "stroke_mm", "length", "stroke"), field("cylinders", "cylinders", "number", "cylinders"),
  field("strokes", "strokes", "number", "strokes"), field("firing_order", "firing_order", "order", "firing order"),
  field("firing_angles_deg", "firing_angles_deg", "list", "firing angles"),
  field("gas_low", "gas_temperature_k.0", "number", "gas temperature"),
  field("gas_high", "gas_temperature_k.1", "number", "gas temperature"),
  field("crank_kind", "crank.kind", "word", "crank signal"), field("crank_channel", "crank.channel", "number", "crank channel"),
  field("teeth", "crank.teeth", "number", "teeth"), field("missing", "crank.missing", "missing", "missing teeth"),
  field("gap_deg_btdc", "crank.gap_deg_btdc", "number", "gap angle"), field("edges_deg", "crank.edges_deg", "list", "edges"),
  field("crank_deg_btdc", "crank.deg_btdc", "number", "pulse angle"), field("crank_edge", "crank.edge", "word", "crank edge"),
  field("cam_kind", "cam.kind", "word", "cam signal"), field("cam_channel", "cam.channel", "number", "cam channel"),
  field("cam_deg_btdc", "cam.deg_btdc", "number", "cam angle"), field("cam_edge", "cam.edge", "word", "cam edge"),
  field("ignition_channel", "ignition.channel", "number", "ignition channel"), field("ignition_cylinder", "ignition.cylinder", "number", "ignition cylinder"),
  field("ignition_deg_btdc", "ignition.deg_btdc", "number", "ignition angle"), field("ignition_edge", "ignition.edge", "word", "ignition edge"),
  field("injection", "events_deg_atdc.injection", "number", "injection"),
  field("intake_close", "events_deg_atdc.intake_close", "number", "intake closing"),
  field("exhaust_close", "events_deg_atdc.exhaust_close", "number", "exhaust closing"),
  field("control_centre_hz", "control.centre_hz", "list", "centre frequencies"), field("control_q", "control.q", "list", "Q"),
  field("control_filter_order", "control.filter", "filter", "filter order"), field("control_gain_db", "control.gain_db", "list", "gains"),
  field("control_window_step_deg", "control.window_step_deg", "number", "window step"),
  field("control_limit", "control.limit", "word", "kind of limit"), field("control_per", "control.per", "word", "limits per"),
  field("control_rpm", "control.rpm", "list", "speed breakpoints"),
  field("control_load", "control.load", "list", "load breakpoints"),
  field("control_resolution", "control.resolution", "number", "limit step"),
  field("control_retard_deg", "control.retard_deg", "number", "retard"),
  field("control_recovery_deg_per_s", "control.recovery_deg_per_s", "number", "recovery"),
];

/** Common practice, no source: starting points to be confirmed. @type {Record<number, [string, string][]>} */
const LAYOUTS = {
  1: [["1", "single"]], 2: [["1-2", "twin"]], 3: [["1-3-2", "in line"], ["1-2-3", "in line"]],
  4: [["1-3-4-2", "in line"], ["1-2-4-3", "in line"], ["1-3-2-4", "flat"], ["1-4-3-2", "flat or V"]],
  5: [["1-2-4-5-3", "in line"]],
  6: [["1-5-3-6-2-4", "in line"], ["1-2-3-4-5-6", "V"], ["1-4-2-5-3-6", "V"], ["1-4-3-6-2-5", "V"], ["1-6-5-4-3-2", "V"],
    ["1-6-2-4-3-5", "flat"]],
  8: [["1-8-4-3-6-5-7-2", "V"], ["1-8-7-2-6-5-4-3", "V"], ["1-5-4-8-6-3-7-2", "V"], ["1-3-7-2-6-5-4-8", "V"],
    ["1-5-4-2-6-3-7-8", "V"], ["1-6-2-5-8-3-7-4", "in line"]],
  10: [["1-6-5-10-2-7-3-8-4-9", "V"]], 12: [["1-7-5-11-3-9-6-12-2-8-4-10", "V"], ["1-12-5-8-3-10-6-7-2-11-4-9", "V"]],
};

/** Which crank fields a kind of signal has. @type {Record<string, string[]>} */
const CRANK_FIELDS = {
  "missing-tooth": ["crank_channel", "teeth", "missing", "gap_deg_btdc", "crank_edge"],
  "even-teeth": ["crank_channel", "teeth", "crank_edge"], "edge-list": ["crank_channel", "edges_deg", "crank_edge"],
  "pulse-per-turn": ["crank_channel", "crank_deg_btdc", "crank_edge"],
  "pulse-per-cycle": ["crank_channel", "crank_deg_btdc", "crank_edge"],
};

/** What was typed as the sheet holds it; NaN stands for "no number". @param {Field} of @param {string} text @param {"mm" | "in"} unit */
function typedValue({ kind }, text, unit) {
  switch (kind) {
    case "number": return typedNumber(text);
    case "length": { const value = typedNumber(text); return value === null ? null : Number(toMm(value, unit).toFixed(4)); }
    case "list": return typedList(text);
    case "order": return typedOrder(text);
    case "missing": { const gaps = typedOrder(text); return gaps && (gaps.length === 1 ? gaps[0] : gaps); }
    case "filter": { const order = typedNumber(text); return order && { kind: "band-pass", order }; }
    default: return text.trim() || null;
  }
}

/** @param {Field} of @param {any} value @param {"mm" | "in"} unit @returns {string} */
function fieldText({ kind }, value, unit) {
  if (value === null || value === undefined) return "";
  if (kind === "filter") return numberText(value.order);
  if (kind === "length") return typeof value === "number" ? lengthText(value, unit) : "";
  if (kind === "order") return Array.isArray(value) ? value.join("-") : "";
  if (Array.isArray(value)) return value.map(numberText).join(", ");
  return typeof value === "number" ? numberText(value) : String(value);
}

/** The form of the sheet. */
class SheetForm {
  /** @param {HTMLElement} root @param {World} world */
  constructor(root, world) {
    this.root = root;
    this.state = world.state;
    this.form = find(root, "#sheet", HTMLFormElement);
    this.rows = find(root, "#sensor-rows tbody", HTMLElement);
    this.layout = find(root, "#f-layout", HTMLSelectElement);
    this.length = find(root, "#f-length", HTMLSelectElement);
    for (const of of FIELDS) this.input(of).addEventListener("change", () => this.read(of));
    this.form.addEventListener("submit", (event) => event.preventDefault());
    this.length.addEventListener("change", () => this.state.put({ unit: this.length.value === "in" ? "in" : "mm" }));
    this.layout.addEventListener("change", () => this.startFrom(this.layout.value));
    find(root, "#add-sensor", HTMLButtonElement).addEventListener("click", () => this.addSensor());
    find(root, "#save-sheet", HTMLButtonElement).addEventListener("click", () => this.save());
    find(root, "#forget", HTMLButtonElement).addEventListener("click", () => this.state.forget());
  }

  /** @param {Field} of @returns {HTMLInputElement | HTMLSelectElement} */
  input({ name }) {
    const node = this.form.elements.namedItem(name);
    if (node instanceof HTMLInputElement || node instanceof HTMLSelectElement) return node;
    throw new Error(`index.html lacks field ${name}`);
  }

  /** @param {Field} of */
  read(of) {
    const input = this.input(of);
    const value = typedValue(of, input.value, this.state.results.unit);
    if (Number.isNaN(value)) return this.showFault(input, "this is no number; leave it empty if you don't know");
    this.showFault(input, "");
    let sheet = this.state.inputs.sheet;
    if (of.name.startsWith("gas_")) {
      const pair = [...(Array.isArray(sheet.gas_temperature_k) ? sheet.gas_temperature_k : [null, null])];
      pair[Number(of.path[1])] = value;
      sheet = { ...sheet, gas_temperature_k: pair.every((one) => one === null) ? null : pair };
    } else if (of.name === "crank_kind" && !value) sheet = { ...sheet, crank: null };
    else if (of.name === "cam_kind" && !value) sheet = { ...sheet, cam: null };
    else sheet = withField(sheet, of.path, value);
    this.state.change({ sheet }, of.what);
  }

  /** @param {HTMLInputElement | HTMLSelectElement} input @param {string} text */
  showFault(input, text) {
    input.setAttribute("aria-invalid", String(Boolean(text)));
    const place = document.getElementById(`${input.id}-fault`);
    if (place) setText(place, text);
  }

  /** @param {string} order */
  startFrom(order) {
    if (!order) return;
    this.state.change({ sheet: { ...this.state.inputs.sheet, firing_order: typedOrder(order) } }, "firing order");
    setText(find(this.root, "#f-firing_order-hint", HTMLElement), "a starting point: confirm it before you rely on it");
  }

  addSensor() {
    const { sheet } = this.state.inputs;
    const sensors = [...(sheet.sensors ?? []), { channel: null, cylinders: null }];
    this.state.change({ sheet: { ...sheet, sensors } }, "sensor added");
    const added = this.rows.lastElementChild?.querySelector("input");
    if (added instanceof HTMLElement) added.focus();
  }

  /** @param {number} at @param {object | null} patch null: removed */
  setSensor(at, patch) {
    const { sheet } = this.state.inputs;
    const sensors = [...(sheet.sensors ?? [])];
    if (patch) sensors[at] = { ...sensors[at], ...patch };
    else sensors.splice(at, 1);
    this.state.change({ sheet: { ...sheet, sensors: sensors.length ? sensors : null } }, patch ? "sensor" : "sensor removed");
  }

  showSensors() {
    const { sensors } = this.state.inputs.sheet;
    const now = JSON.stringify(sensors ?? []);
    if (this.rows.dataset.shown === now) return;
    this.rows.dataset.shown = now;
    this.rows.replaceChildren(...(sensors ?? []).map((/** @type {any} */ sensor, /** @type {number} */ at) => this.sensorRow(sensor, at)));
  }

  /** @param {{ channel: number | null, cylinders?: number[] | null, volts_full_scale?: number | null, mv_per_g?: number | null }} sensor @param {number} at */
  sensorRow(sensor, at) {
    const channel = el("input", { inputmode: "numeric", size: 4, id: freshId("sensor-channel"), "aria-label": `sensor ${at + 1}: channel, counted from 1`, autocomplete: "off" });
    const cylinders = el("input", { size: 10, "aria-label": `sensor ${at + 1}: cylinders it hears, e.g. 1, 2`, placeholder: "e.g. 1, 2", autocomplete: "off" });
    const remove = el("button", { type: "button", class: "small", "aria-label": `remove sensor ${at + 1}` }, "remove");
    const scale = (/** @type {"volts_full_scale" | "mv_per_g"} */ name, /** @type {string} */ says) => {
      const input = el("input", { inputmode: "decimal", size: 6, "aria-label": `sensor ${at + 1}: ${says}`, autocomplete: "off" });
      input.value = numberText(sensor[name]);
      input.addEventListener("change", () => {
        const value = typedNumber(input.value);
        input.setAttribute("aria-invalid", String(Number.isNaN(value)));
        if (!Number.isNaN(value)) this.setSensor(at, { [name]: value });
      });
      return el("td", {}, input);
    };
    channel.value = numberText(sensor.channel);
    cylinders.value = (sensor.cylinders ?? []).join(", ");
    channel.addEventListener("change", () => {
      const value = typedNumber(channel.value);
      channel.setAttribute("aria-invalid", String(Number.isNaN(value)));
      if (!Number.isNaN(value)) this.setSensor(at, { channel: value });
    });
    cylinders.addEventListener("change", () => this.setSensor(at, { cylinders: typedOrder(cylinders.value) }));
    remove.addEventListener("click", () => this.setSensor(at, null));
    return el("tr", {}, el("td", {}, channel), el("td", {}, cylinders), scale("volts_full_scale", "volts at full scale of the recording"),
      scale("mv_per_g", "millivolts per g, from its data sheet"), el("td", {}, remove));
  }

  save() {
    const { sheet } = this.state.inputs;
    saveText(`${JSON.stringify({ ...sheet, sheet: 1 }, null, 1)}\n`, fileName(sheet.name ?? "engine", "sheet.json"), "application/json");
  }

  /** Shows the sheet in the fields; the one being typed in is left alone. */
  fill() {
    const { sheet } = this.state.inputs;
    const { unit } = this.state.results;
    this.length.value = unit;
    for (const node of this.form.querySelectorAll("[data-length]")) setText(node, unit);
    for (const of of FIELDS) {
      const input = this.input(of);
      if (document.activeElement === input && input instanceof HTMLInputElement && input.getAttribute("aria-invalid") === "true") continue;
      input.value = fieldText(of, fieldAt(sheet, of.path), unit);
    }
    this.showLayouts();
    this.showSignals();
    this.showSensors();
  }

  showLayouts() {
    const { cylinders, firing_order } = this.state.inputs.sheet;
    const known = LAYOUTS[cylinders] ?? [];
    const first = cylinders ? (known.length ? "choose" : "none listed: type it") : "give the cylinders first";
    setOptions(this.layout, [["", first], .../** @type {[string, string][]} */ (known.map(([order, layout]) => [order, `${order} (${layout})`]))]);
    const now = Array.isArray(firing_order) ? firing_order.join("-") : "";
    this.layout.value = known.some(([order]) => order === now) ? now : "";
  }

  /** Only the fields the chosen signal has. */
  showSignals() {
    const { sheet } = this.state.inputs;
    const crank = CRANK_FIELDS[sheet.crank?.kind] ?? [];
    for (const of of FIELDS) {
      const box = this.input(of).closest(".field");
      if (box?.classList.contains("crank")) box.toggleAttribute("hidden", !crank.includes(of.name));
      if (box?.classList.contains("cam")) box.toggleAttribute("hidden", sheet.cam?.kind !== "pulse-per-cycle");
    }
  }

  /** A recording that holds what looks like a wheel or pulses asks for the crank part: open it and name the channel.
   * @param {import("../protocol.js").FileRow[]} files */
  offerCrank(files) {
    const seen = files.flatMap((file) => (file.kind === "recording"
      ? file.channels.filter((one) => ["wheel", "pulse", "cam"].includes(one.role)).map((one) => ({ file, one })) : []));
    const { crank } = this.state.inputs.sheet;
    const part = this.form.querySelector("#crank-part");
    if (seen.length && !crank && part instanceof HTMLDetailsElement && !part.dataset.offered) {
      part.open = true;
      part.dataset.offered = "yes";
    }
    setText(find(this.form, "#crank-seen", HTMLElement), crank ? "" : seen.slice(0, 2)
      .map(({ file, one }) => `Channel ${one.channel} of ${file.name} looks like a ${one.role === "wheel" ? "wheel" : "train of pulses"}.`).join(" "));
  }

  /** Why the core refused a field, and what a signal still lacks. */
  showFaults() {
    const { fieldFaults } = this.state.results;
    for (const of of FIELDS) {
      const path = of.path.join(".");
      const top = of.path[0];
      const reason = fieldFaults[path] ?? (of.path.length === 1 || of.path[1] === "kind" || of.name === "gas_low" ? fieldFaults[top] : undefined);
      this.showFault(this.input(of), reason ?? this.lack(of));
    }
    setText(find(this.root, "#f-sensors-fault", HTMLElement), fieldFaults.sensors ?? "");
  }

  /** @param {Field} of @returns {string} */
  lack({ path }) {
    const { sheet } = this.state.inputs;
    if (path[0] === "crank" && crankLacks(sheet).includes(path[1])) return "needed before crank angle can be found";
    if (path[0] === "cam" && path[1] === "channel" && sheet.cam?.kind === "pulse-per-cycle" && !sheet.cam.channel) return "needed to use the cam signal";
    if (path[0] === "ignition" && ignitionLacks(sheet).includes(path[1])) return "needed to use the ignition trigger";
    return "";
  }
}

/** @param {HTMLElement} root @param {World} world @returns {() => void} */
export function engineSection(root, world) {
  const form = new SheetForm(root, world);
  const unwatchSheet = world.state.watch(["sheet", "unit"], () => form.fill());
  const unwatchFiles = world.state.watch(["files", "sheet"], () => form.offerCrank(world.state.results.files));
  const unwatchFaults = world.state.watch(["fieldFaults", "sheet"], () => form.showFaults());
  const end = plainSection(root, world);
  return () => { unwatchSheet(); unwatchFiles(); unwatchFaults(); end(); };
}
