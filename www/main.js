/** Wires the parts; the only file that acts when loaded. */

import { Analyst } from "./analyst.js";
import { LinkedPointer } from "./charts/pointer.js";
import { find, setText } from "./parts/dom.js";
import { takeChosen, takeDrops } from "./parts/drop.js";
import { offlineMark } from "./parts/offline.js";
import { PageLanguage } from "./parts/language.js";
import { takePaste } from "./parts/paste.js";
import { Player } from "./parts/play.js";
import { bandSection } from "./sections/band.js";
import { compareSection } from "./sections/compare.js";
import { engineSection } from "./sections/engine.js";
import { floorSection } from "./sections/floor.js";
import { handoverSection } from "./sections/handover.js";
import { limitsSection } from "./sections/limits.js";
import { proofSection } from "./sections/proof.js";
import { recordingsSection } from "./sections/recordings.js";
import { sensorsSection } from "./sections/sensors.js";
import { speedSection } from "./sections/speed.js";
import { faultList, verdictStrip } from "./sections/verdict.js";
import { windowSection } from "./sections/window.js";
import { State } from "./state.js";
import { loadWasm, missingFromBrowser } from "./wasm.js";

/** @typedef {import("./sections/section.js").World} World */

/** @type {Record<string, (root: HTMLElement, world: World) => () => void>} */
const SECTIONS = {
  engine: engineSection, recordings: recordingsSection, sensors: sensorsSection, speed: speedSection, band: bandSection,
  window: windowSection, floor: floorSection, limits: limitsSection, proof: proofSection, compare: compareSection,
  handover: handoverSection,
};

/** The verdict keeps pace with what the core settled on. @param {State} state @param {Analyst} analyst */
function followSettled(state, analyst) {
  state.watch(["view:5", "view:6", "view:8"], () => {
    if (!state.results.views.size) return;
    analyst.ask("choices").then((choices) => state.put({ settled: choices.settled ?? null }), () => { /* newer choices follow */ });
  });
}

/** Undo and redo, by button and by key; inside a field the browser's own undo stays. @param {State} state */
function bindHistory(state) {
  const undo = find(document, "#undo", HTMLButtonElement);
  const redo = find(document, "#redo", HTMLButtonElement);
  undo.addEventListener("click", () => state.undo());
  redo.addEventListener("click", () => state.redo());
  state.watch(["history"], () => {
    undo.disabled = state.past.length === 0;
    redo.disabled = state.future.length === 0;
    undo.title = state.past.at(-1)?.what ?? "";
    redo.title = state.future.at(-1)?.what ?? "";
  });
  addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z") return;
    if (event.target instanceof HTMLInputElement && event.target.type !== "checkbox") return;
    if (event.target instanceof HTMLTextAreaElement) return;
    event.preventDefault();
    if (event.shiftKey) state.redo(); else state.undo();
  });
}

/** Paper or sun, and whether single keys act. @param {State} state */
function bindSettings(state) {
  const scheme = find(document, "#scheme", HTMLButtonElement);
  const letters = find(document, "#letters", HTMLInputElement);
  scheme.addEventListener("click", () => state.put({ scheme: state.results.scheme === "sun" ? "paper" : "sun" }));
  letters.addEventListener("change", () => state.put({ letters: letters.checked }));
  state.watch(["scheme", "letters"], () => {
    document.documentElement.dataset.scheme = state.results.scheme;
    scheme.setAttribute("aria-pressed", String(state.results.scheme === "sun"));
    letters.checked = state.results.letters;
  });
}

/** Language and decimal mark: page, worker and the page's own instance of the module. @param {State} state @param {World} world */
function bindLanguage(state, world) {
  const language = find(document, "#language", HTMLSelectElement);
  const comma = find(document, "#decimal", HTMLSelectElement);
  const page = new PageLanguage(document.body);
  language.addEventListener("change", () => state.put({ language: language.value, comma: language.value === "de" }));
  comma.addEventListener("change", () => state.put({ comma: comma.value === "," }));
  state.watch(["language", "comma"], () => {
    const { results } = state;
    language.value = results.language === "de" ? "de" : "en";
    comma.value = results.comma ? "," : ".";
    page.speak(results.language);
    world.pictures.then(() => wasm_bindgen.speak(results.language, results.comma));
  });
}

/** Fields nobody filled in are left out of the print, and groups that hold nothing else. */
function markEmpty() {
  for (const box of document.querySelectorAll(".field")) {
    const field = box.querySelector("input, select");
    const value = field instanceof HTMLInputElement || field instanceof HTMLSelectElement ? field.value.trim() : "";
    box.toggleAttribute("data-empty", !value || box.hasAttribute("hidden"));
  }
  for (const group of document.querySelectorAll("details.part")) {
    group.toggleAttribute("data-empty", !group.querySelector(".field:not([data-empty]), tbody tr"));
  }
}

/** Why and sheet print unfolded; charts' figures stay folded, their pictures print. */
function bindPrint() {
  /** @type {HTMLDetailsElement[]} */
  let opened = [];
  addEventListener("beforeprint", () => {
    markEmpty();
    opened = [...document.querySelectorAll("details")].filter((one) => !one.open && one.closest(".why, .part") !== null);
    for (const one of opened) one.open = true;
  });
  addEventListener("afterprint", () => { for (const one of opened) one.open = false; });
}

/** A field counts once it is left: leaving the page leaves it too. */
function bindLeaving() {
  addEventListener("pagehide", () => { if (document.activeElement instanceof HTMLElement) document.activeElement.blur(); });
}

/** @param {Analyst} analyst */
function bindFiles(analyst) {
  const take = (/** @type {File[]} */ files) => { analyst.add(files.map((file) => ({ file, role: null }))); };
  takeDrops(take);
  takePaste(take);
  takeChosen(find(document, "#choose", HTMLButtonElement), find(document, "#files", HTMLInputElement), take);
  for (const button of document.querySelectorAll("button[data-evening]")) {
    const evening = /** @type {"one" | "two" | "three" | "stranger"} */ (button.getAttribute("data-evening"));
    button.addEventListener("click", () => analyst.demo(evening));
  }
}

/** @param {string} sentence */
function unfit(sentence) {
  const place = find(document, "#unfit", HTMLElement);
  setText(place, sentence);
  place.hidden = false;
}

async function start() {
  const state = new State();
  const analyst = new Analyst(state);
  /** @type {(maker: typeof wasm_bindgen.Picture) => void} */
  let havePictures = () => {};
  /** @type {World} */
  const world = {
    state, analyst, pointer: new LinkedPointer(),
    pictures: new Promise((resolve) => { havePictures = resolve; }),
    player: new Player(({ file, channel, from_s, to_s }, throughBand, slow) => analyst.call("clip", file, channel, from_s, to_s, throughBand, slow)),
  };
  for (const [id, section] of Object.entries(SECTIONS)) section(find(document, `#${id}`, HTMLElement), world);
  verdictStrip(find(document, ".sheet", HTMLElement), world);
  faultList(find(document, "#faults", HTMLElement), world);
  bindHistory(state);
  bindSettings(state);
  bindLanguage(state, world);
  bindPrint();
  bindLeaving();
  bindFiles(analyst);
  followSettled(state, analyst);

  offlineMark(find(document, "#offline", HTMLElement));
  find(document, "#unfit", HTMLElement).hidden = true;
  const missing = missingFromBrowser();
  if (missing) return unfit(missing);
  try {
    const origin = await loadWasm();
    havePictures(wasm_bindgen.Picture);
    analyst.begin(origin);
  } catch (error) {
    unfit(`The analysis could not be loaded (${error instanceof Error ? error.message : String(error)}): reload the page, or use the single file.`);
  }
}

start();
