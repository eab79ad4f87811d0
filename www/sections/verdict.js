/** The strip with the four answers, the title, and what is being worked on. */

import { el, find, setText, sign } from "../parts/dom.js";
import { rawForm } from "./told.js";

/** @typedef {import("./section.js").World} World */

const MUCH = 160; // longer answers are set smaller: all four have to stand in the first screenful
const SAY_AT_MOST_EVERY_MS = 1500;

/** @param {number} seconds */
function timeLeft(seconds) {
  if (seconds < 1.5) return "a second left";
  return seconds < 90 ? `${Math.round(seconds)} s left` : `${Math.round(seconds / 60)} min left`;
}

/** Says findings to screen readers, not more than one at a time. @param {HTMLElement} live */
function speaker(live) {
  let last = 0;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let timer;
  return (/** @type {string} */ text) => {
    clearTimeout(timer);
    const wait = Math.max(0, last + SAY_AT_MOST_EVERY_MS - performance.now());
    timer = setTimeout(() => { last = performance.now(); setText(live, text); }, wait);
  };
}

/** @param {import("../protocol.js").Progress} progress */
function progressText({ share, left_s, working, done, stopped, doing }) {
  if (stopped) return "Stopped. What was computed so far stays.";
  if (done) return "Done.";
  const name = working ? document.querySelector(`section[data-section="${working}"] h2`)?.textContent : "";
  const what = doing || (name ? `working on ${working} ${name}` : "working");
  return `${what}: ${Math.round(share * 100)} %${left_s === null ? "" : `, about ${timeLeft(left_s)}`}`;
}

/** @param {HTMLElement} root the sheet @param {World} world @returns {() => void} */
export function verdictStrip(root, world) {
  const { state, analyst } = world;
  const title = find(root, "#title", HTMLElement);
  const cells = [...root.querySelectorAll("#verdict > div")];
  const say = speaker(find(root, "#live", HTMLElement));
  const bar = find(root, "#progress .meter", HTMLElement);
  const fill = find(bar, "i", HTMLElement);
  const text = find(root, "#progress-text", HTMLElement);
  const stop = find(root, "#stop", HTMLButtonElement);
  stop.addEventListener("click", () => (state.results.progress?.stopped ? analyst.goOn() : analyst.stop()));

  const unwatchVerdict = state.watch(["verdict", "title", "sheet"], () => {
    const name = state.results.title || state.inputs.sheet.name || "A new job";
    setText(title, name);
    document.title = `${name}: Ringdown job card`;
    state.results.verdict.forEach((line, at) => {
      const cell = cells[at];
      if (!cell) return;
      cell.querySelector(".sign")?.replaceWith(sign(line.state));
      setText(find(cell, "dt span", HTMLElement), line.question);
      const answer = find(cell, "dd", HTMLElement);
      setText(answer, line.sentence);
      answer.classList.toggle("much", line.sentence.length > MUCH);
    });
    if (state.results.verdict.length) say(state.results.verdict.map((line) => line.sentence).join(" "));
  });
  const unwatchProgress = state.watch(["progress"], () => {
    const { progress } = state.results;
    if (!progress) return;
    const share = progress.done ? 100 : Math.round(progress.share * 100);
    fill.style.width = `${share}%`;
    bar.setAttribute("aria-valuenow", String(share));
    setText(text, progressText(progress));
    stop.hidden = progress.done && !progress.stopped;
    setText(stop, progress.stopped ? "Go on" : "Stop");
    if (progress.done) say(progressText(progress));
  });
  return () => { unwatchVerdict(); unwatchProgress(); };
}

/** One fault, with the form of raw samples where its file may be that. @param {World} world
 * @param {import("../state.js").Results["faults"][number]} fault */
function faultItem({ state }, { key, text, raw }) {
  const button = el("button", { type: "button", class: "small", "aria-label": `seen: ${text}` }, "seen");
  button.addEventListener("click", () => state.dismiss(key));
  const line = el("div", { class: "line" }, el("span", {}, text), button);
  if (!raw) return el("li", {}, line);
  const before = Object.values(state.results.told).filter((one) => one.raw).at(-1)?.raw;
  return el("li", {}, line, rawForm(before, (form) => { state.dismiss(key); raw(form); }));
}

/** The list of faults: each one sentence, each can be put away. @param {HTMLElement} list @param {World} world */
export function faultList(list, world) {
  /** @type {Map<number, HTMLElement>} what is being typed stays when others come and go */
  const items = new Map();
  return world.state.watch(["faults"], () => {
    const { faults } = world.state.results;
    list.hidden = faults.length === 0;
    for (const [key, item] of items) {
      if (faults.some((fault) => fault.key === key)) continue;
      item.remove();
      items.delete(key);
    }
    for (const fault of faults) {
      if (items.has(fault.key)) continue;
      items.set(fault.key, faultItem(world, fault));
      list.append(/** @type {HTMLElement} */ (items.get(fault.key)));
    }
  });
}
