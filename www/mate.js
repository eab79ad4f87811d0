/**
 * Errands between two workers, both sides of them. One owns the bench and gives out parts of its work; the other, started by
 * the page as long as there are any, opens the recording itself, does them and hands back bytes. A classic script, which the
 * page puts in front of worker.js.
 *
 * @typedef {{ file: File, told: import("./protocol.js").Told | undefined }} Long   a recording worth another worker
 * @typedef {{ number: number, id: number, order: Uint8Array } & Long} Order   `id`: of the file
 */

/** How often a mate at work gives a sign. */
const SIGN_MS = 1000;
/** How often the other looks for one while it waits, and how many looks without one it has patience for. */
const LOOK_MS = 10_000;
const LOOKS = 6;

/** The side that gives errands. */
class Errands {
  /** @param {(to: MessagePort) => void} call has a worker started that listens there
   * @param {(number: number, brought: Uint8Array | undefined) => void} bring hands the bench what came; nothing: it could not be done
   * @param {(number: number) => void} recall tells the bench that nobody does it any more */
  constructor(call, bring, recall) {
    this.call = call;
    this.bring = bring;
    this.recall = recall;
    /** Recordings by number. @type {Map<number, Long>} */
    this.long = new Map();
    /** @type {MessagePort | null} */
    this.mate = null;
    /** What it has been given. @type {{ number: number, is_short: boolean }[]} */
    this.out = [];
    /** Nobody can help, or who did broke down. */
    this.alone = navigator.hardwareConcurrency < 2;
    /** The bench can't go on before something comes. */
    this.waiting = false;
    this.silentLooks = 0;
    setInterval(() => this.look(), LOOK_MS);
  }

  /** Gives out one errand, and one more behind a short one so that the mate never stands idle.
   * @param {import("./protocol.js").Bench} bench */
  give(bench) {
    while (!this.alone && this.long.size && (this.out.length === 0 || (this.out.length === 1 && this.out[0].is_short))) {
      /** @type {import("./protocol.js").Errand | undefined} */
      const errand = bench.errand(Uint32Array.from(this.long.keys()));
      if (!errand) return;
      const { number, file: id, is_short } = errand;
      const order = errand.into_order();
      this.out.push({ number, is_short });
      this.mate ??= this.callMate();
      this.mate.postMessage({ number, id, order, ...this.long.get(id) }, [order.buffer]);
    }
  }

  callMate() {
    const { port1: own, port2: to } = new MessageChannel();
    own.onmessage = ({ data }) => { if (own === this.mate) this.hear(data); };
    this.call(to);
    return own;
  }

  /** @param {import("./protocol.js").MateAnswer} answer */
  hear({ number, brought, lost }) {
    this.silentLooks = 0;
    if (lost) return this.lose();
    if (number === undefined) return;
    this.out = this.out.filter((one) => one.number !== number);
    this.waiting = false;
    this.bring(number, brought);
  }

  /** Sends the mate home; what it has not handed back is done here. */
  dismiss() {
    this.mate?.postMessage({ end: true });
    this.mate = null;
    this.waiting = false;
    const left = this.out;
    this.out = [];
    for (const { number } of left) this.recall(number);
  }

  /** The mate broke down, or can't be had: from now on this worker is alone. */
  lose() {
    this.alone = true;
    this.dismiss();
  }

  /** Lets the mate drop what nobody waits for any more. @param {import("./protocol.js").Bench} bench */
  dropStale(bench) {
    this.waiting = false;
    for (const { number } of this.out) if (!bench.awaits(number)) this.mate?.postMessage({ drop: number });
  }

  look() {
    if (!this.waiting) return;
    this.silentLooks += 1;
    if (this.silentLooks > LOOKS) this.lose();
  }
}

/** The side that does them, until it is sent home.
 * @param {MessagePort} to @param {Promise<unknown>} started the module @param {() => Promise<unknown>} breathe lets messages in */
async function doErrands(to, started, breathe) {
  const STEP_MS = 40;
  /** @type {Order[]} */
  const orders = [];
  const dropped = new Set();
  /** @type {import("./protocol.js").Runner | null} */
  let runner = null;
  /** @type {number | null} */
  let about = null;
  let working = false;
  let signedAt = 0;

  const sign = () => {
    const now = performance.now();
    if (now - signedAt < SIGN_MS) return;
    signedAt = now;
    to.postMessage({});
  };

  /** @param {Order} order @returns {Promise<Uint8Array<ArrayBuffer> | undefined>} */
  const done = async ({ number, id, file, told, order }) => {
    if (about !== id) {
      runner?.free();
      runner = new wasm_bindgen.Runner(file, told);
      about = id;
    }
    runner?.begin(order);
    while (!dropped.has(number)) {
      const brought = runner?.step(STEP_MS);
      if (brought) return brought;
      sign();
      await breathe();
    }
    return undefined;
  };

  const work = async () => {
    working = true;
    for (let order = orders.shift(); order; order = orders.shift()) {
      /** @type {Uint8Array<ArrayBuffer> | undefined} */
      let brought;
      try {
        brought = await done(order);
      } catch (thrown) {
        if (thrown instanceof WebAssembly.RuntimeError || thrown instanceof RangeError) throw thrown;
      } // the other meets the same fault, and says it
      to.postMessage({ number: order.number, brought }, brought ? [brought.buffer] : []);
    }
    working = false;
  };

  const lose = () => { to.postMessage({ lost: true }); close(); };
  try {
    await started;
  } catch { return lose(); }
  to.onmessage = ({ data }) => {
    if (data.end) return close();
    if (data.drop !== undefined) return void dropped.add(data.drop);
    orders.push(data);
    if (!working) work().catch(lose);
  };
}
