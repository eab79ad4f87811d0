/**
 * Where the module comes from: files beside the page on the site, two data blocks in the single file
 * (`<script type="text/plain" id="ringdown-worker">`: the glue followed by mate.js and worker.js;
 * `<script type="text/plain" id="ringdown-wasm">`: the module in base64).
 *
 * @typedef {{ from: WebAssembly.Module, worker: () => Worker }} Origin
 */

// (module (func (drop (v128.const 0)))): the smallest module that needs the vector instructions
const VECTOR_PROBE = [0, 97, 115, 109, 1, 0, 0, 0, 1, 4, 1, 96, 0, 0, 3, 2, 1, 0, 10, 23, 1, 21, 0, 253, 12,
  0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 26, 11];

/** Why this browser can't run the analysis, as one sentence; null when it can. @returns {string | null} */
export function missingFromBrowser() {
  if (typeof WebAssembly !== "object") {
    return "This browser has no WebAssembly, which the analysis needs: open the card in a current Chromium, Firefox or Safari.";
  }
  if (!WebAssembly.validate(new Uint8Array(VECTOR_PROBE))) {
    return "This browser's WebAssembly lacks vector instructions (SIMD), which the analysis needs: use a browser from 2022 or later.";
  }
  return null;
}

const types = /** @type {any} */ (globalThis).trustedTypes;
const policy = types?.createPolicy("ringdown", { createScriptURL: (/** @type {string} */ address) => address });

/** An address of a script of ours: the page's policy lets only this one name make them; browsers without Trusted Types
 * take the text. @param {string} address @returns {string} */
export function trusted(address) { return policy ? policy.createScriptURL(address) : address; }

/** @param {string} base64 @returns {Uint8Array<ArrayBuffer>} */
function bytesOf(base64) {
  const text = atob(base64.trim());
  const bytes = new Uint8Array(text.length);
  for (let at = 0; at < text.length; at += 1) bytes[at] = text.charCodeAt(at);
  return bytes;
}

/** A file of this site. @param {string} name */
async function own(name) {
  const answer = await fetch(name);
  if (!answer.ok) throw new Error(`${name}: ${answer.status} ${answer.statusText}`);
  return answer;
}

/** A file of this site as text. @param {string} name */
const ownText = async (name) => (await own(name)).text();

/** The module of this site, whatever kind its host says it is. @param {string} name */
async function ownModule(name) {
  const answer = await own(name);
  const isNamed = answer.headers.get("content-type")?.startsWith("application/wasm");
  return isNamed ? WebAssembly.compileStreaming(answer) : WebAssembly.compile(await answer.arrayBuffer());
}

/** Finds the module and starts it on the page, where it draws; it is compiled once, and its workers share what the browser makes
 * faster of it. A worker always starts from text in memory: only then does
 * the page's policy hold in it too, for one from an address obeys that address' answer alone. @returns {Promise<Origin>} */
export async function loadWasm() {
  const inlineWasm = document.getElementById("ringdown-wasm");
  const inlineWorker = document.getElementById("ringdown-worker");
  /** @type {Origin} */
  let origin;
  if (inlineWasm && inlineWorker) {
    const module = await WebAssembly.compile(bytesOf(inlineWasm.textContent ?? ""));
    const address = URL.createObjectURL(new Blob([inlineWorker.textContent ?? ""], { type: "text/javascript" }));
    origin = { from: module, worker: () => new Worker(trusted(address)) };
  } else {
    const texts = ["ringdown.js", "mate.js", "worker.js"].map(ownText);
    const [module, ...scripts] = await Promise.all([ownModule("ringdown_bg.wasm"), ...texts]);
    const address = URL.createObjectURL(new Blob(scripts, { type: "text/javascript" }));
    origin = { from: module, worker: () => new Worker(trusted(address)) };
  }
  await wasm_bindgen({ module_or_path: origin.from });
  return origin;
}
