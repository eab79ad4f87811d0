/**
 * What the user chose, what the bench answered, and who wants to know. Choices can be undone; answers can't.
 *
 * @typedef {import("./protocol.js").Choices} Choices
 * @typedef {{ t_s: number, knock: boolean | null }} EarLabel
 * @typedef {{ sheet: import("./protocol.js").Sheet, choices: Choices, roles: Record<string, string>,
 *   columns: Record<string, Record<string, string>>, labels: Record<string, EarLabel[]>,
 *   marks: Record<string, Mark[]> }} Inputs
 *   `roles`, `columns`, `labels` and `marks` hold only what the user set, by the file's SHA-256
 * @typedef {import("./protocol.js").Mark} Mark
 * @typedef {{ name: string, sha256: string }} KeptFile   a file this card was made from, to be dropped again
 * @typedef {{ title: string, verdict: import("./protocol.js").VerdictLine[], files: import("./protocol.js").FileRow[],
 *   views: Map<number, import("./protocol.js").SectionView>, progress: import("./protocol.js").Progress | null,
 *   faults: { key: number, text: string, raw?: (form: import("./protocol.js").RawForm) => void }[], fieldFaults: Record<string, string>, settled: Choices["settled"] | null,
 *   scheme: "paper" | "sun", letters: boolean, unit: "mm" | "in", signed: { who: string, when: string },
 *   notes: Record<number, string[]>, language: string, comma: boolean, listening: { slow: number, throughBand: boolean },
 *   refused: import("./protocol.js").RefusedFile[], kept: KeptFile[], told: Record<string, import("./protocol.js").Told> }} Results   `notes`: what was said of a file when it was
 *   taken, by its id; `kept`: files of the card kept in this browser; a fault's
 *   `raw` reads its file as samples without a header; `told`: what was said of files, by name and size
 * @typedef {(state: State, signal: AbortSignal) => void} Watcher
 */

const HISTORY = 100;
const MOST_KEPT = 200;
const STORE_KEY = "ringdown-card";
/** Settings kept besides the inputs. */
const KEPT = ["scheme", "letters", "unit", "signed", "language", "comma", "kept", "told"];
const NOT_KEPT = "This browser refuses to keep your entries (its store is full or switched off): they last only while this page "
  + "is open. To do: save the card as a file in section 11 before you close or reload it.";
const SECOND_TAB = "This card is open in another tab as well, and what was changed there last is what a new tab will show. Each "
  + "tab keeps its own entries while it is open. To do: close one tab, or save this card as a file in section 11 first.";


/** @returns {Inputs} */
export function freshInputs() {
  return {
    sheet: { sheet: 1, strokes: 4 },
    choices: { band: null, window: null, false_alarm: 0.001, confidence: 0.95, breakpoints: null, feature: "energy",
      rule: null, shape: "as-learnt", use_anyway: [] },
    roles: {}, columns: {}, labels: {}, marks: {},
  };
}

/** What was kept: by this tab if it was here before, else by this browser; nothing when it can't be read, for a page from a
 * stick may have no store.
 * @returns {{ inputs?: Inputs, scheme?: "paper" | "sun", letters?: boolean, unit?: "mm" | "in",
 *   signed?: { who: string, when: string }, language?: string, comma?: boolean, kept?: KeptFile[], told?: Results["told"] }} */
function recall() {
  for (const store of /** @type {const} */ (["sessionStorage", "localStorage"])) {
    try {
      const kept = JSON.parse(globalThis[store].getItem(STORE_KEY) ?? "null");
      if (isRecord(kept)) return kept;
    } catch { /* no store, or not ours: the next one, or start fresh */ }
  }
  return {};
}

/** @param {unknown} value @returns {value is Record<string, any>} */
const isRecord = (value) => typeof value === "object" && value !== null && !Array.isArray(value);

/** @param {unknown} one @returns {one is KeptFile} */
const isKept = (one) => isRecord(one) && typeof one.name === "string" && typeof one.sha256 === "string";

/** @param {unknown} one */
const isTold = (one) => isRecord(one) && (one.raw === null || isRecord(one.raw)) && (one.log_rate_hz === null || typeof one.log_rate_hz === "number");

/** @param {unknown} kept @param {(value: any, key: string) => boolean} fits @returns {Record<string, any>} */
const entriesOf = (kept, fits) => (isRecord(kept) ? Object.fromEntries(Object.entries(kept).filter(([key, value]) => fits(value, key))) : {});

/** Whether a field of a sheet has the form that the page relies on; its value is for the core to judge.
 * @param {unknown} value @param {string} key */
function fitsSheet(value, key) {
  const isList = (/** @type {unknown} */ list) => list === null || list === undefined || Array.isArray(list);
  if (key === "sensors") return isList(value) && (/** @type {any[]} */ (value ?? [])).every((one) => isRecord(one) && isList(one.cylinders));
  if (["crank", "cam", "ignition", "control", "events_deg_atdc"].includes(key)) return value === null || isRecord(value);
  return key === "gas_temperature_k" ? isList(value) : true;
}

/** What was kept, as far as it has the shape of inputs: a store is as little to be trusted as a file.
 * @param {unknown} kept @returns {Inputs} */
function completed(kept) {
  const fresh = freshInputs();
  if (!isRecord(kept)) return fresh;
  const isText = (/** @type {unknown} */ value) => typeof value === "string";
  const isLabels = (/** @type {unknown} */ value) => Array.isArray(value) && value.every(isRecord);
  return {
    sheet: { ...fresh.sheet, ...entriesOf(kept.sheet, fitsSheet), sheet: 1 },
    choices: /** @type {Choices} */ ({ ...fresh.choices, ...entriesOf(kept.choices, (value) => value !== undefined) }),
    roles: entriesOf(kept.roles, isText), columns: entriesOf(kept.columns, isRecord), labels: entriesOf(kept.labels, isLabels),
    marks: entriesOf(kept.marks, isLabels),
  };
}

export class State {
  constructor() {
    const kept = recall();
    /** @type {Inputs} */
    this.inputs = completed(kept.inputs);
    /** Counts the changes of `inputs`: the generation every message carries. */
    this.gen = 1;
    /** @type {Results} */
    this.results = {
      title: "", verdict: [], files: [], views: new Map(), progress: null, faults: [], fieldFaults: {}, settled: null, notes: {},
      scheme: kept.scheme === "sun" ? "sun" : "paper", letters: kept.letters !== false,
      unit: kept.unit === "in" ? "in" : "mm",
      signed: { who: String(kept.signed?.who ?? ""), when: String(kept.signed?.when ?? "") },
      language: typeof kept.language === "string" ? kept.language : "en", comma: kept.comma === true,
      listening: { slow: 1, throughBand: false }, refused: [], kept: Array.isArray(kept.kept) ? kept.kept.filter(isKept).slice(0, MOST_KEPT) : [],
      told: /** @type {Results["told"]} */ (entriesOf(kept.told, isTold)),
    };
    /** @type {{ inputs: Inputs, what: string }[]} */
    this.past = [];
    /** @type {{ inputs: Inputs, what: string }[]} */
    this.future = [];
    /** @type {Set<{ keys: string[], watcher: Watcher, last: AbortController | null }>} */
    this.watchers = new Set();
    this.faultKey = 0;
    addEventListener("storage", (event) => { if (event.key === STORE_KEY && event.newValue !== null) this.fault(SECOND_TAB); });
  }

  /** Calls `watcher` now and whenever one of `keys` changes; its signal aborts at the next call.
   * Keys: the fields of `Inputs` and `Results`, `view:3`, and `history`.
   * @param {string[]} keys @param {Watcher} watcher @returns {() => void} what ends it */
  watch(keys, watcher) {
    const entry = { keys, watcher, last: /** @type {AbortController | null} */ (null) };
    this.watchers.add(entry);
    this.call(entry);
    return () => { entry.last?.abort(); this.watchers.delete(entry); };
  }

  /** @param {{ watcher: Watcher, last: AbortController | null }} entry */
  call(entry) {
    entry.last?.abort();
    entry.last = new AbortController();
    entry.watcher(this, entry.last.signal);
  }

  /** @param {...string} keys */
  notify(...keys) {
    for (const entry of [...this.watchers]) if (entry.keys.some((key) => keys.includes(key))) this.call(entry);
  }

  /** An answer or a setting that is not undone. @param {Partial<Results>} patch */
  put(patch) {
    Object.assign(this.results, patch);
    this.notify(...Object.keys(patch));
    if (KEPT.some((key) => key in patch)) this.keep();
  }

  /** @param {import("./protocol.js").SectionView} view */
  putView(view) {
    this.results.views.set(view.section, view);
    this.notify(`view:${view.section}`);
  }

  /** A choice: can be undone. @param {Partial<Inputs>} patch @param {string} what in a few words, for the undo button */
  change(patch, what) {
    this.past.push({ inputs: this.inputs, what });
    if (this.past.length > HISTORY) this.past.shift();
    this.future = [];
    this.take({ ...this.inputs, ...patch });
  }

  /** Takes over what a dropped sheet or card set in the bench: can be undone, but is no new generation,
   * for the bench has it already. @param {Partial<Inputs>} patch @param {string} what */
  adopt(patch, what) {
    this.gen -= 1;
    this.change(patch, what);
  }

  /** @param {Inputs} inputs */
  take(inputs) {
    const before = this.inputs;
    const changed = /** @type {(keyof Inputs)[]} */ (Object.keys(inputs)).filter((key) => inputs[key] !== before[key]);
    this.inputs = inputs;
    this.gen += 1;
    this.keep();
    this.notify(...changed, "inputs", "history");
  }

  undo() {
    const step = this.past.pop();
    if (!step) return;
    this.future.push({ inputs: this.inputs, what: step.what });
    this.take(step.inputs);
  }

  redo() {
    const step = this.future.pop();
    if (!step) return;
    this.past.push({ inputs: this.inputs, what: step.what });
    this.take(step.inputs);
  }

  /** A fault for the list on the sheet. @param {string} text @param {(form: import("./protocol.js").RawForm) => void} [raw] */
  fault(text, raw) {
    const others = raw ? this.results.faults.filter((fault) => fault.text !== text) : this.results.faults;
    if (others.some((fault) => fault.text === text)) return;
    this.faultKey += 1;
    this.put({ faults: [...others, { key: this.faultKey, text, raw }] });
  }

  /** @param {number} key */
  dismiss(key) { this.put({ faults: this.results.faults.filter((fault) => fault.key !== key) }); }

  keep() {
    const { results } = this;
    const settings = Object.fromEntries(KEPT.map((key) => [key, results[/** @type {keyof Results} */ (key)]]));
    const kept = JSON.stringify({ inputs: this.inputs, ...settings });
    try {
      localStorage.setItem(STORE_KEY, kept);
      sessionStorage.setItem(STORE_KEY, kept);
    } catch { this.fault(NOT_KEPT); }
  }

  /** Files now on the card join those to be asked for after a reload. @param {import("./protocol.js").FileRow[]} files */
  remember(files) {
    const here = files.filter((file) => file.sha256 && (file.kind === "recording" || file.kind === "log"));
    const known = new Set(this.results.kept.map((one) => one.sha256));
    const fresh = here.filter((file) => !known.has(file.sha256)).map(({ name, sha256 }) => ({ name, sha256 }));
    if (fresh.length) this.put({ kept: [...this.results.kept, ...fresh].slice(-MOST_KEPT) });
  }

  /** @param {string} sha256 a file that is not wanted any more */
  leaveOut(sha256) { this.put({ kept: this.results.kept.filter((one) => one.sha256 !== sha256) }); }

  forget() {
    this.put({ kept: [], told: {}, signed: { who: "", when: "" } });
    this.take(freshInputs());
    this.past = [];
    this.future = [];
    try {
      localStorage.removeItem(STORE_KEY);
      sessionStorage.removeItem(STORE_KEY);
    } catch { /* nothing was kept then */ }
    this.notify("history");
  }
}
