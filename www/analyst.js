/**
 * The page's end of the worker: calls and their answers, choices sent when they change, a fresh worker after a trap.
 *
 * @typedef {import("./state.js").State} State
 * @typedef {import("./state.js").Inputs} Inputs
 * @typedef {import("./protocol.js").Fault} Fault
 * @typedef {import("./protocol.js").Told} Told
 * @typedef {import("./protocol.js").Join} Join
 * @typedef {{ file: File, parts: File[], how: Join | null, role: string | null, sample: boolean, id: number | null,
 *   guessed: string | null, sentTo: Worker | null }} Source   `sentTo`: the worker that was given it, so that none gets it
 *   twice; `parts` and `how`: files joined to one, of which `file` is the first
 * @typedef {{ resolve: (value: any) => void, reject: (reason: unknown) => void, name: string }} Open
 */

import { wholeSheet } from "./sheet.js";

/** A fault as one sentence: file, place, what was found, what to do. @param {Fault} fault */
export function faultSentence(fault) {
  const where = [fault.file, fault.place].filter(Boolean).join(", ");
  return `${where ? `${where}: ` : ""}${fault.found}${fault.todo ? `. To do: ${fault.todo}` : ""}`.replace(/\.\.+/g, ".");
}

/** Thrown for answers nobody needs any more. */
export class Stale extends Error {}
/** Thrown when the worker broke down under a call. */
export class Broken extends Error {}
/** Thrown for a fault of a file or a choice. */
export class Refused extends Error {
  /** @param {Fault} fault */
  constructor(fault) { super(faultSentence(fault)); this.fault = fault; }
}

/** A worker that says nothing for so many beats in a row is gone: no step of the analysis takes nearly as long. Beats are
 * counted and not time, so that a sleeping computer or a turned clock kills nobody. */
const BEAT_MS = 10_000;
const BEATS = 12;

/** By which a file is known before it is read. @param {File} file */
const toldKey = (file) => `${file.name} ${file.size}`;

/** The same value, whatever the order it was built in. @param {unknown} a @param {unknown} b */
const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);

export class Analyst {
  /** @param {State} state */
  constructor(state) {
    this.state = state;
    /** @type {import("./wasm.js").Origin | null} */
    this.origin = null;
    /** @type {Worker | null} */
    this.worker = null;
    /** Those that help the first, by what they do. @type {Map<string, Worker>} */
    this.helpers = new Map();
    /** @type {Map<number, Open>} */
    this.open = new Map();
    /** @type {Source[]} */
    this.sources = [];
    this.nextId = 1;
    this.breakdowns = 0;
    this.silentBeats = 0;
    /** @type {Source | null} */
    this.adding = null;
    /** Roles last sent, by file and column: a bench that keeps its own mind is not asked for ever. @type {Map<string, string>} */
    this.sentRoles = new Map();
    /** What the running worker was last told. @type {Inputs | null} */
    this.told = null;
    /** Marks and judgements that wait for their file. @type {Map<string, { marks: import("./protocol.js").Mark[],
     *   labels: import("./state.js").EarLabel[], onlyNew: boolean }> | null} */
    this.brought = null;
    /** Calls wait for this. @type {Promise<void>} */
    this.ready = new Promise((resolve) => { this.becomeReady = resolve; });
    state.watch(["inputs"], () => { this.sync(); });
    state.watch(["language", "comma"], () => { this.speak(); });
  }

  /** @param {import("./wasm.js").Origin} origin */
  begin(origin) {
    this.origin = origin;
    this.startWorker();
    setInterval(() => this.beat(), BEAT_MS);
  }

  beat() {
    if (!this.worker) return;
    this.silentBeats += 1;
    if (this.silentBeats > BEATS) this.breakDown("analysis", "it no longer answered");
    else this.worker.postMessage({ id: 0, gen: null, call: "beat", args: [] });
  }

  startWorker() {
    if (!this.origin) return;
    const worker = this.origin.worker();
    let started = false;
    worker.onmessage = ({ data }) => {
      started = true;
      if (worker === this.worker) this.hear(data);
    };
    worker.onerror = () => {
      if (worker === this.worker) this.breakDown(started ? "analysis" : "start", "the worker stopped");
    };
    this.silentBeats = 0;
    worker.postMessage({ start: this.origin.from });
    this.worker = worker;
  }

  /** Another worker, for the second half of a long log or for errands; it ends by itself. One that can't start leaves the
   * first alone. @param {import("./protocol.js").AskSecond | import("./protocol.js").AskMate} asked */
  startSecond({ tell, to, ...rest }) {
    if (!this.origin) return;
    const first = this.worker;
    const second = this.origin.worker();
    this.helpers.set(tell, second);
    second.onerror = () => {
      second.terminate();
      first?.postMessage({ id: 0, gen: null, call: "alone", args: [tell] });
    };
    second.postMessage({ start: this.origin.from, ...rest, to }, [to]);
  }

  /** Asks the bench. Answers that belong to older choices are thrown as [`Stale`].
   * @param {string} name @param {...unknown} args @returns {Promise<any>} */
  async call(name, ...args) {
    await this.ready;
    return this.post(name, null, args);
  }

  /** As `call`, but worthless once a choice changes. @param {string} name @param {...unknown} args */
  async ask(name, ...args) {
    await this.ready;
    return this.post(name, this.state.gen, args);
  }

  /** @param {string} name @param {number | null} gen @param {unknown[]} args @returns {Promise<any>} */
  post(name, gen, args) {
    const id = this.nextId;
    this.nextId += 1;
    return new Promise((resolve, reject) => {
      this.open.set(id, { resolve, reject, name });
      this.worker?.postMessage({ id, gen, call: name, args });
    });
  }

  /** @param {import("./protocol.js").Answer} answer */
  hear(answer) {
    this.silentBeats = 0;
    switch (answer.tell) {
      case "ready": return void this.furnish();
      case "done": return this.settle(answer.id, (open) => open.resolve(answer.value));
      case "failed": return this.fail(answer.id, answer.error);
      case "trapped": return this.breakDown(answer.doing, answer.message);
      case "progress": return this.state.put({ progress: answer });
      case "files": return this.takeFiles(answer.files);
      case "view": return this.takeView(answer);
      case "verdict": return this.takeVerdict(answer);
      case "second": case "mate": return this.startSecond(answer);
    }
  }

  /** A view of older choices is dropped, and asked for anew in case the newer ones left that section alone.
   * @param {import("./protocol.js").Shown} answer */
  takeView({ gen, view }) {
    if (gen === this.state.gen) return this.state.putView(view);
    this.ask("section", view.section).then((fresh) => this.state.putView(fresh), () => { /* stale or broken: newer follows */ });
  }

  /** @param {import("./protocol.js").Verdict} answer */
  takeVerdict({ gen, lines, title }) {
    if (gen === this.state.gen) return this.state.put({ verdict: lines, title });
    Promise.all([this.ask("verdict"), this.ask("title")]).then(
      ([fresh, name]) => this.state.put({ verdict: fresh, title: name }), () => { /* stale or broken: newer follows */ });
  }

  /** @param {number} id @param {(open: Open) => void} how */
  settle(id, how) {
    const open = this.open.get(id);
    this.open.delete(id);
    if (open) how(open);
  }

  /** @param {number | null} id @param {Fault | "stale"} error */
  fail(id, error) {
    if (id === null) return void (error !== "stale" && this.state.fault(faultSentence(error)));
    this.settle(id, (open) => open.reject(error === "stale" ? new Stale() : new Refused(error)));
  }

  /** @param {import("./protocol.js").FileRow[]} files */
  takeFiles(files) {
    for (const file of files) {
      const source = this.sources.find((one) => one.id === file.id);
      if (source && source.guessed === null) source.guessed = file.role;
    }
    this.state.put({ files });
    this.state.remember(files);
    if (this.sources.some((one) => one.id !== null && !files.some((file) => file.id === one.id))) this.followRefused();
    this.adoptBrought(files);
    this.sync();
  }

  /** A file that left the card by itself was not the one a saved card means. */
  async followRefused() {
    try {
      /** @type {import("./protocol.js").Brought} */
      const { refused } = await this.call("brought");
      this.state.put({ refused });
    } catch (error) { this.complain(error); }
  }

  /** Takes the refused file after all. @param {import("./protocol.js").RefusedFile} refused */
  async useAnyway({ id, name }) {
    await this.quietly("accept_other", name);
    this.state.put({ refused: this.state.results.refused.filter((one) => one.name !== name) });
    const source = this.sources.find((one) => one.id === id);
    if (!source) return this.state.fault(`${name} is not at hand any more. To do: drop it again.`);
    source.id = null;
    source.sentTo = null;
    await this.addSource(source);
  }

  /** Marks and judgements of a saved card know files by name; once such a file is here they become the user's own.
   * @param {import("./protocol.js").FileRow[]} files */
  adoptBrought(files) {
    const { brought } = this;
    if (!brought) return;
    const { marks, labels } = this.state.inputs;
    const [allMarks, allLabels] = [{ ...marks }, { ...labels }];
    let found = false;
    for (const { name, sha256 } of files) {
      if (!sha256 || !brought.has(name)) continue;
      const own = brought.get(name);
      brought.delete(name);
      if (!own || (own.onlyNew && (marks[sha256] || labels[sha256]))) continue;
      found = true;
      allMarks[sha256] = own.marks;
      allLabels[sha256] = own.labels;
    }
    if (!found) return;
    const inputs = { ...this.state.inputs, marks: allMarks, labels: allLabels };
    this.told = this.told && { ...this.told, marks: allMarks, labels: allLabels };
    this.state.adopt({ marks: inputs.marks, labels: inputs.labels }, "what the dropped card says");
  }

  /** What the card or the recordings just dropped brought along, by file name.
   * @param {boolean} [onlyNew] a recorder's own marks: what the user set for that recording counts over them */
  async takeBrought(onlyNew = false) {
    /** @type {import("./protocol.js").Brought} */
    const { marks, labels } = await this.call("brought");
    const names = new Set([...marks, ...labels].map((one) => one.file));
    this.brought = new Map([...names].map((name) => [name, {
      marks: marks.filter((one) => one.file === name),
      labels: labels.filter((one) => one.file === name).map(({ t_s, knock }) => ({ t_s, knock })),
      onlyNew,
    }]));
    this.adoptBrought(this.state.results.files);
  }

  /** Gives a fresh worker what the last one knew. */
  async furnish() {
    const { worker } = this;
    this.told = null;
    this.sentRoles.clear();
    for (const source of this.sources) source.id = null;
    const { language, comma } = this.state.results;
    if (language !== "en" || comma) await this.quietly("speak", language, comma);
    await this.tellChanges(); // before any file: a sheet dropped meanwhile counts over what was remembered
    this.becomeReady?.();
    for (const source of [...this.sources]) {
      if (this.worker !== worker) return; // it broke down again: the next one starts over
      await this.addSource(source);
    }
    await this.adoptChoices();
  }

  /** The worker is spent: start another and add the files again, but not for ever.
   * @param {string} doing @param {string} message */
  breakDown(doing, message) {
    this.worker?.terminate();
    for (const helper of this.helpers.values()) helper.terminate();
    this.helpers.clear();
    this.worker = null;
    this.breakdowns += 1;
    const open = [...this.open.values()];
    this.open.clear();
    for (const call of open) call.reject(new Broken(message));
    if (doing === "start") {
      this.state.fault(`The analysis could not be started (${message}). To do: reload the page; if it repeats, use another browser.`);
      return;
    }
    const left = doing === "add" ? this.adding : this.breakdowns > 2 ? this.sources.at(-1) : null;
    this.sources = this.sources.filter((source) => source !== left);
    this.state.put({ progress: null });
    this.state.fault(`The analysis broke down (${doing}: ${message}) and was started again with your files`
      + `${left ? `, without ${left.file.name}` : ""}. Your entries and choices are kept; `
      + "if it repeats, remove the file added last.");
    this.ready = new Promise((resolve) => { this.becomeReady = resolve; });
    this.startWorker();
  }

  /** The bench speaks the page's language. */
  async speak() {
    if (!this.worker) return;
    await this.ready;
    const { language, comma } = this.state.results;
    await this.quietly("speak", language, comma);
  }

  /** Sends what changed since the worker was last told. Roles set by hand go by the file's hash. */
  async sync() {
    if (!this.worker || !this.becomeReady) return;
    await this.ready;
    await this.tellChanges();
  }

  async tellChanges() {
    if (!this.worker) return;
    const inputs = this.state.inputs;
    const told = this.told;
    this.told = inputs;
    this.worker.postMessage({ id: 0, gen: this.state.gen, call: "generation", args: [] });
    if (!told || !same(told.sheet, inputs.sheet)) await this.sendSheet(inputs.sheet);
    if (!told || !same(told.choices, inputs.choices)) await this.quietly("choose", inputs.choices);
    for (const file of this.state.results.files) await this.syncFile(file, told, inputs);
  }

  /** @param {import("./protocol.js").FileRow} file @param {Inputs | null} told @param {Inputs} inputs */
  async syncFile(file, told, inputs) {
    const key = file.sha256;
    const source = this.sources.find((one) => one.id === file.id);
    const role = inputs.roles[key] ?? (told?.roles[key] ? source?.guessed : null);
    if (role && role !== file.role && this.isNews(`${file.id}`, role)) await this.quietly("set_role", file.id, role);
    for (const channel of file.channels) {
      const wanted = inputs.columns[key]?.[channel.channel];
      if (!wanted || wanted === channel.role || !this.isNews(`${file.id}:${channel.channel}`, wanted)) continue;
      await this.quietly("set_column_role", file.id, channel.channel, wanted);
    }
    const labels = inputs.labels[key] ?? [];
    const known = told?.labels[key] ?? [];
    for (const label of labels) {
      if (!known.some((one) => same(one, label))) await this.quietly("label", file.id, label.t_s, label.knock);
    }
    const marks = inputs.marks[key] ?? [];
    if (key && !same(marks, told?.marks[key] ?? [])) await this.quietly("set_marks", file.id, marks);
    for (const label of known) {
      if (!labels.some((one) => one.t_s === label.t_s)) await this.quietly("label", file.id, label.t_s, null);
    }
  }

  /** What a question came to nothing by: a fault goes to the list; stale or broken needs no word, the newer asks again.
   * @param {unknown} error */
  complain(error) { if (error instanceof Refused) this.state.fault(error.message); }

  /** @param {string} place @param {string} role */
  isNews(place, role) {
    const known = this.sentRoles.get(place) === role;
    this.sentRoles.set(place, role);
    return !known;
  }

  /** A call whose refusal goes to the list of faults. @param {string} name @param {...unknown} args */
  async quietly(name, ...args) {
    try {
      return await this.post(name, this.state.gen, args);
    } catch (error) {
      this.complain(error);
      return null; // stale or broken: the newer choice, or the restart, says it again
    }
  }

  /** Sends the sheet; fields the bench refuses are left out and told beside the field, the rest counts.
   * @param {import("./protocol.js").Sheet} sheet */
  async sendSheet(sheet) {
    /** @type {Record<string, string>} */
    const fieldFaults = {};
    let rest = wholeSheet(sheet);
    for (let attempt = 0; attempt < 12; attempt += 1) {
      try {
        await this.post("set_sheet", this.state.gen, [rest]);
        break;
      } catch (error) {
        if (!(error instanceof Refused)) return;
        const field = /^field ([\w.]+)/.exec(error.fault.place)?.[1];
        const top = field?.split(".")[0];
        if (!field || !top || !(top in rest)) { this.state.fault(error.message); break; }
        fieldFaults[field] = error.fault.found; // what to do is to type another
        const { [top]: _refused, ...without } = rest;
        rest = without;
      }
    }
    this.state.put({ fieldFaults });
  }

  /** @param {Source} source @returns {Promise<string | null>} what kind of file it is; null: not added here */
  async addSource(source) {
    await this.ready;
    if (source.sentTo === this.worker) return null;
    source.sentTo = this.worker;
    this.adding = source;
    try {
      const added = await this.post(...this.askFor(source));
      source.id = added.id;
      source.guessed = this.state.results.files.find((one) => one.id === added.id)?.role ?? null;
      /** @type {import("./protocol.js").Added[]} */
      const all = [added, ...added.more ?? []];
      this.state.put({ notes: { ...this.state.results.notes, ...Object.fromEntries(all.map((one) => [one.id, one.notes])) } });
      return all.find((one) => one.kind === "card" || one.kind === "sheet")?.kind ?? added.kind;
    } catch (error) {
      if (!(error instanceof Refused)) return null; // the worker broke down: its successor is given the rest
      this.sources = this.sources.filter((one) => one !== source);
      const asksRaw = error.fault.asks === "raw" && !source.how;
      this.state.fault(error.message, asksRaw ? (raw) => { this.readAs(source, { raw, log_rate_hz: null }); } : undefined);
      return null;
    }
  }

  /** The call that adds a source, with what was told about it. @param {Source} source @returns {[string, null, unknown[]]} */
  askFor(source) {
    const role = source.role ?? undefined;
    const told = this.state.results.told[toldKey(source.file)];
    if (source.how) return ["add_joined", null, [source.parts, source.how, role]];
    return told ? ["add_told", null, [source.file, role, told]] : ["add", null, [source.file, role]];
  }

  /** The file handed over as `id`, where it is at hand and not one of several in an archive. @param {number} id */
  sourceOf(id) { return this.sources.find((one) => one.id === id); }

  /** @param {File} file @returns {Told | undefined} */
  toldOf(file) { return this.state.results.told[toldKey(file)]; }

  /** Reads a file anew, as the user says it is; remembered for the next time it is dropped. @param {Source} source @param {Told | null} told */
  async readAs(source, told) {
    const { [toldKey(source.file)]: _before, ...others } = this.state.results.told;
    this.state.put({ told: told ? { ...others, [toldKey(source.file)]: told } : others });
    if (source.id !== null) await this.remove(source.id);
    const fresh = { ...source, id: null, guessed: null, sentTo: null };
    this.sources.push(fresh);
    await this.addSource(fresh);
  }

  /** Several files of one run as one recording; they stay on the card by themselves when that fails.
   * @param {number[]} ids @param {Join} how @returns {Promise<boolean>} */
  async join(ids, how) {
    const own = ids.flatMap((id) => this.sourceOf(id) ?? []);
    const parts = own.map((one) => one.file);
    const { role, sample } = own[0];
    /** @type {Source} */
    const joined = { file: parts[0], parts, how, role, sample, id: null, guessed: null, sentTo: null };
    this.sources.push(joined);
    if ((await this.addSource(joined)) === null) return false;
    for (const id of ids) await this.remove(id);
    return true;
  }

  /** The files of a joined run by themselves again. @param {number} id */
  async takeApart(id) {
    const joined = this.sourceOf(id);
    if (!joined) return;
    await this.remove(id);
    await this.add(joined.parts.map((file) => ({ file, role: joined.role })), joined.sample);
  }

  /** Adds files one after the other; one that can't be read leaves the others alone.
   * @param {{ file: File, role: string | null }[]} files @param {boolean} [sample] */
  async add(files, sample = false) {
    /** @type {Source[]} */
    const sources = files.map(({ file, role }) => ({ file, parts: [file], how: null, role, sample, id: null, guessed: null, sentTo: null }));
    this.sources.push(...sources);
    const kinds = new Set();
    for (const source of sources) kinds.add(await this.addSource(source));
    if (kinds.has("sheet") || kinds.has("card")) await this.adoptChoices("what the dropped card says");
    else if (kinds.has("recording")) await this.takeBrought(true);
  }

  /** Takes over what a sheet or card set in the bench. @param {string} [what] */
  async adoptChoices(what) {
    try {
      const [sheet, choices] = await Promise.all([this.call("sheet"), this.call("choices")]);
      const { settled, ...rest } = choices;
      this.state.put({ settled: settled ?? null });
      if (!what) return;
      await this.takeBrought();
      const inputs = { ...this.state.inputs, sheet, choices: rest };
      this.told = inputs;
      this.state.adopt({ sheet, choices: rest }, what);
    } catch (error) {
      this.complain(error);
    }
  }

  /** @param {number} id */
  async remove(id) {
    this.sources = this.sources.filter((one) => one.id !== id);
    const row = this.state.results.files.find((one) => one.id === id);
    await this.quietly("remove", id);
    if (row?.sha256) this.state.leaveOut(row.sha256); // nobody asks for what was put away
  }

  async removeSamples() {
    for (const source of this.sources.filter((one) => one.sample)) if (source.id !== null) await this.remove(source.id);
  }

  /** Makes and adds the files of a demo evening; the third brings the first two along.
   * @param {"one" | "two" | "three" | "stranger"} evening */
  async demo(evening) {
    /** @type {[string, string | null][]} evening, role of its recordings and logs */
    const evenings = evening === "three" ? [["one", "before"], ["two", "safe"], ["three", "knock"]] : [[evening, null]];
    try {
      await this.removeSamples();
      /** @type {{ file: File, role: string | null }[]} */
      let later = [];
      for (const [at, [name, role]] of evenings.entries()) {
        /** @type {import("./protocol.js").DemoFile[]} */
        const made = await this.call("demo", name);
        const wanted = made.filter((one) => name === evening || !one.name.endsWith(".json"));
        const own = made.find((one) => one.role)?.role ?? null; // of the evening's recording: its log shares it
        later.push(...wanted.map((one) => ({
          file: new File([one.bytes], one.name), role: one.name.endsWith(".json") ? null : own ?? role,
        })));
        // The first evening shows at once; the others come together, so that limits are learnt once.
        if (at > 0 && at < evenings.length - 1) continue;
        await this.add(later, true);
        later = [];
      }
    } catch (error) {
      this.complain(error);
    }
  }

  stop() { this.worker?.postMessage({ id: 0, gen: null, call: "stop", args: [] }); }

  goOn() { this.worker?.postMessage({ id: 0, gen: null, call: "go_on", args: [] }); }
}
