/** Whether the page would open without a network, and how a new version comes in: only when the user says so. */

import { trusted } from "../wasm.js";
import { el, setText } from "./dom.js";

const KEEPER = "service-worker.js";
const ANSWER_MS = 3000;

/** Asks the keeper in force which version it has whole. @param {ServiceWorker} keeper @returns {Promise<string | null>} */
function keptBy(keeper) {
  return new Promise((resolve) => {
    const { port1, port2 } = new MessageChannel();
    port1.onmessage = ({ data }) => resolve(String(data));
    setTimeout(() => resolve(null), ANSWER_MS); // one that is being retired says nothing
    keeper.postMessage("kept?", [port2]);
  });
}

/** @param {ServiceWorkerRegistration} registration @param {HTMLElement} mark */
async function showKept(registration, mark) {
  const keeper = registration.active;
  if (!keeper || registration.waiting) return;
  const version = await keptBy(keeper);
  setText(mark, version ? "ready for offline" : "");
  mark.dataset.version = version ?? "";
}

/** The new version is there, whole; what is typed and chosen is kept, files are to be dropped again.
 * @param {ServiceWorkerRegistration} registration @param {HTMLElement} mark */
function offerNewer(registration, mark) {
  const use = el("button", { type: "button", class: "small" }, "use it now");
  use.addEventListener("click", () => {
    navigator.serviceWorker.addEventListener("controllerchange", () => location.reload(), { once: true });
    registration.waiting?.postMessage("take over");
  });
  mark.replaceChildren("a new version is here (drop the files again after): ", use);
}

/** @param {ServiceWorkerRegistration} registration @param {HTMLElement} mark */
function follow(registration, mark) {
  const look = () => {
    if (registration.waiting && registration.active) offerNewer(registration, mark);
    else showKept(registration, mark);
  };
  const watchNew = () => registration.installing?.addEventListener("statechange", look);
  registration.addEventListener("updatefound", watchNew);
  watchNew();
  look();
}

/** @param {HTMLElement} mark where it is said */
export async function offlineMark(mark) {
  if (location.protocol === "file:") return setText(mark, "one file, works offline");
  if (!("serviceWorker" in navigator)) return;
  try {
    const address = /** @type {string} */ (trusted(KEEPER));
    follow(await navigator.serviceWorker.register(address, { updateViaCache: "none" }), mark);
  } catch { /* no keeper here: the page works, with a network */ }
}
