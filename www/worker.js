/**
 * The worker: owns one bench and serves one message at a time. A classic script, because only those start from a
 * local file; the page puts the module's glue in front of this text.
 *
 * Long work runs in steps with a real task between them, so that a zoom or a Stop is served between two steps.
 *
 * A long log is read by two: the page starts another of these, which reads the second half, hands it over and ends. Beside
 * a long recording another does errands for this one, see mate.js.
 */
(() => {
  /** @typedef {import("./protocol.js").Request} Request */
  /** @typedef {import("./protocol.js").Answer} Answer */

  const STEP_MS = 40;
  const TELL_EVERY_MS = 120;
  const FAULTS_IN_A_ROW = 3;
  /** From here on a file is worth another worker, which takes some 50 ms to come up. */
  const LONG_BYTES = 16 * 1024 * 1024;
  const CHANGES = ["add", "add_told", "add_joined", "add_bytes", "remove", "set_sheet", "choose", "set_role", "set_column_role", "label", "set_marks", "speak",
    "accept_other"];
  /** Changes that leave the list of files as it is. */
  const QUIET = ["choose", "set_sheet", "label", "set_marks"];
  const QUESTIONS = ["sheet", "choices", "files", "brought", "verdict", "title", "section", "figure", "spectrogram", "envelope",
    "clip", "limits_csv", "summary_text", "result_json", "card_json"];

  /** @type {import("./protocol.js").Bench | null} */
  let bench = null;
  /** @type {Request[]} */
  const queue = [];
  let newest = 0;
  let busy = false;
  let spent = false;
  let pending = false;
  let stopped = false;
  let startedAt = 0;
  let toldAt = -Infinity;
  let faults = 0;
  /** Ends the wait for the other's half. @type {(() => void) | null} */
  let alone = null;

  const { port1, port2 } = new MessageChannel();
  // a resolved promise lets no message in and a timer waits four milliseconds; a message to oneself does neither
  const breathe = () => new Promise((resume) => { port1.onmessage = resume; port2.postMessage(null); });

  /** @param {Answer} answer @param {Transferable[]} [transfer] */
  const tell = (answer, transfer = []) => postMessage(answer, { transfer });

  /** A fault as the core throws it, or whatever else was thrown put into that shape.
   * @param {any} thrown @returns {import("./protocol.js").Fault} */
  function asFault(thrown) {
    if (thrown && typeof thrown === "object" && typeof thrown.found === "string") {
      const { file, place, found, todo, asks } = thrown;
      return { file: String(file ?? ""), place: String(place ?? ""), found, todo: String(todo ?? ""), asks: asks ?? null };
    }
    return { file: "", place: "", found: String(thrown?.message ?? thrown), todo: "try again; reload the page if it repeats" };
  }

  /** After a trap the instance can't be trusted: say so and do nothing more.
   * @param {unknown} thrown @param {number | null} id @param {string} doing @returns {boolean} whether it was a trap */
  function trapped(thrown, id, doing) {
    if (!(thrown instanceof WebAssembly.RuntimeError || thrown instanceof RangeError)) return false;
    spent = true;
    tell({ tell: "trapped", id, doing, message: thrown.message });
    return true;
  }

  /** @param {boolean} done @param {number} share @param {number | null} working @param {string} doing */
  function tellProgress(done, share, working, doing) {
    const now = performance.now();
    if (!done && now - toldAt < TELL_EVERY_MS) return;
    toldAt = now;
    const left_s = share > 0.02 && !done ? ((now - startedAt) / 1000) * (1 - share) / share : null;
    tell({ tell: "progress", gen: newest, share, left_s, working, done, stopped, doing });
  }

  /** @param {import("./protocol.js").Bench} ours */
  function tellFiles(ours) {
    tell({ tell: "files", gen: newest, files: ours.files() });
  }

  /** @param {import("./protocol.js").Bench} ours @param {number[]} sections */
  function tellViews(ours, sections) {
    for (const n of sections) tell({ tell: "view", gen: newest, view: ours.section(n) });
    if (sections.length) tell({ tell: "verdict", gen: newest, lines: ours.verdict(), title: ours.title() });
  }

  /** One step of the pending analysis. @param {import("./protocol.js").Bench} ours */
  function work(ours) {
    try {
      errands.give(ours);
      const step = ours.step(STEP_MS);
      pending = !step.done;
      errands.waiting = step.waiting && errands.out.length > 0;
      if (step.done) errands.dismiss();
      tellViews(ours, step.changed);
      if (step.done || step.changed.includes(2)) tellFiles(ours);
      tellProgress(step.done, step.share, step.working, "");
      faults = 0;
    } catch (thrown) {
      if (trapped(thrown, null, "analysis")) return;
      faults += 1;
      tell({ tell: "failed", id: null, error: asFault(thrown) });
      if (faults < FAULTS_IN_A_ROW) return;
      pending = false;
      errands.dismiss();
      tellProgress(true, 1, null, "");
    }
  }

  /** What an errand came to, for the bench, which goes on with it. @param {(ours: import("./protocol.js").Bench) => void} how */
  function settle(how) {
    try {
      if (bench && !spent) how(bench);
    } catch (thrown) {
      if (!trapped(thrown, null, "analysis")) throw thrown;
    }
    if (!busy && bench && !spent) pump();
  }
  const errands = new Errands((to) => tell({ tell: "mate", to }, [to]),
    (number, brought) => settle((ours) => ours.take_back(number, brought)), (number) => settle((ours) => ours.recall(number)));

  /** Makes the files of one demo evening. @param {Request} request */
  async function makeDemo(request) {
    const evening = String(request.args[0]);
    const maker = new wasm_bindgen.Demo(evening);
    startedAt = performance.now();
    for (let step = maker.step(); !step.done; step = maker.step()) {
      tellProgress(false, step.share, null, `making the sample, evening ${evening}`);
      await breathe();
      if (stopped) { maker.free(); return []; }
    }
    return maker.finish(); // uses the maker up
  }

  /** Adds a file; where it is a long log, the second half comes from another worker, which reads meanwhile.
   * @param {import("./protocol.js").Bench} ours @param {Request} request */
  async function add(ours, { call, args }) {
    const [file, , told] = /** @type {[File, string | undefined, import("./protocol.js").Told | undefined]} */ (args);
    if (file.size < LONG_BYTES) return ours[call](...args);
    const added = await read(ours, call, args);
    // what an archive held goes by another name
    if (added.kind === "recording" && added.name === file.name) errands.long.set(added.id, { file, told });
    return added;
  }

  /** @param {import("./protocol.js").Bench} ours @param {string} call @param {unknown[]} args
   * @returns {Promise<import("./protocol.js").Added>} */
  async function read(ours, call, args) {
    const [file, role, told] = /** @type {[File, string | undefined, import("./protocol.js").Told | undefined]} */ (args);
    toldAt = -Infinity;
    tellProgress(false, 0, null, `reading ${file.name}`);
    const halved = navigator.hardwareConcurrency > 1 ? wasm_bindgen.Halved.of(file, told) : undefined;
    if (!halved) return ours[call](...args);
    const channel = new MessageChannel();
    const second = new Promise((resolve) => {
      alone = () => resolve([]);
      channel.port1.onmessage = ({ data }) => resolve(data);
    });
    tell({ tell: "second", file, told, to: channel.port2 }, [channel.port2]);
    try {
      halved.read_first();
    } catch (thrown) {
      halved.free();
      throw thrown;
    }
    return ours.add_halves(halved, role, await second);
  }

  /** Reads the second half of a log for another worker, whatever comes of it, and ends.
   * @param {import("./protocol.js").Second & { file: File }} second */
  async function readSecond({ start: from, file, told, to }) {
    /** @type {Uint8Array<ArrayBuffer>[]} */
    let pieces = [];
    try {
      await wasm_bindgen({ module_or_path: from });
      pieces = wasm_bindgen.Halved.of(file, told)?.read_second() ?? [];
    } catch { /* the other reads it itself, and says what is wrong */ }
    to.postMessage(pieces, pieces.map((piece) => piece.buffer));
    close();
  }

  /** @param {Request} request @returns {Promise<unknown>} */
  async function answer(request) {
    const { call, args } = request;
    if (!bench) throw new Error("the analysis has not started");
    if (call === "stop") { stopped = true; errands.dismiss(); tellProgress(true, 1, null, ""); return null; }
    if (call === "go_on") { stopped = false; startedAt = performance.now(); return null; }
    if (call === "demo") { stopped = false; return makeDemo(request); }
    if (!CHANGES.includes(call) && !QUESTIONS.includes(call)) throw new Error(`no such call: ${call}`);
    const value = call === "add" || call === "add_told" ? await add(bench, request) : bench[call](...args);
    if (CHANGES.includes(call)) {
      pending = true;
      stopped = false;
      startedAt = performance.now();
      if (call === "remove") errands.long.delete(Number(request.args[0]));
      errands.dropStale(bench);
      if (!QUIET.includes(call)) tellFiles(bench);
    }
    return value;
  }

  /** Buffers that may move instead of being copied. @param {any} value @returns {Transferable[]} */
  function buffersOf(value) {
    if (Array.isArray(value)) return value.flatMap(buffersOf);
    const held = value?.bytes ?? value?.samples;
    return ArrayBuffer.isView(held) ? [held.buffer] : [];
  }

  /** @param {Request} request */
  async function serve(request) {
    const { id, gen, call } = request;
    if (gen !== null && gen < newest && QUESTIONS.includes(call)) return tell({ tell: "failed", id, error: "stale" });
    try {
      const value = await answer(request);
      tell({ tell: "done", id, value }, buffersOf(value));
    } catch (thrown) {
      if (trapped(thrown, id, call)) return;
      tell({ tell: "failed", id, error: asFault(thrown) });
      if (CHANGES.includes(call) && !pending) tellProgress(true, 1, null, ""); // it may have said that it reads
    }
  }

  async function pump() {
    busy = true;
    while (!spent) {
      const request = queue.shift();
      if (request) await serve(request);
      else if (bench && pending && !stopped && !errands.waiting) work(bench);
      else break;
      await breathe();
    }
    busy = false;
  }

  /** @param {WebAssembly.Module} from */
  async function start(from) {
    try {
      await wasm_bindgen({ module_or_path: from });
      bench = new wasm_bindgen.Bench();
      tell({ tell: "ready" });
      pump();
    } catch (thrown) {
      if (!trapped(thrown, null, "start")) tell({ tell: "trapped", id: null, doing: "start", message: String(thrown) });
    }
  }

  onmessage = (/** @type {MessageEvent<Request & import("./protocol.js").Start & Partial<import("./protocol.js").Second>>} */ { data }) => {
    if (data.to) {
      const { file, ...second } = /** @type {import("./protocol.js").Second} */ (/** @type {unknown} */ (data));
      return void (file ? readSecond({ ...second, file }) : doErrands(second.to, wasm_bindgen({ module_or_path: second.start }), breathe));
    }
    if (data.start !== undefined) return void start(data.start);
    if (data.call === "alone") return data.args[0] === "mate" ? errands.lose() : alone?.();
    if (data.call === "stop") stopped = true; // also between the steps of a demo being made
    newest = Math.max(newest, data.gen ?? 0);
    if (data.call === "beat") return tell({ tell: "alive" });
    if (data.call === "generation") return;
    queue.push(data);
    if (!busy && bench) pump();
  };
})();
