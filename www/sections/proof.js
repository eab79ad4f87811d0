/** Section 9. Events to listen to and to judge by ear. */

import { el, find } from "../parts/dom.js";
import { bindListening } from "./listening.js";
import { plainSection } from "./section.js";

/** @typedef {import("./section.js").World} World */
/** @typedef {import("../protocol.js").Play} Play */

/** Where in the file an event is judged: the middle of the stretch that is played. @param {Play} play */
const placeOf = (play) => Number(((play.from_s + play.to_s) / 2).toFixed(4));

/** A judgement this near to an event speaks of it, as in the core. @param {Play} play @param {{ t_s: number }} label */
const isOf = (play, label) => Math.abs(label.t_s - placeOf(play)) < 0.0008;

/** @param {World} world @param {Play} play */
function shaOf({ state }, play) { return state.results.files.find((file) => file.id === play.file)?.sha256; }

/** @param {World} world @param {Play} play @returns {boolean | null} */
function judged(world, play) {
  const labels = world.state.inputs.labels[shaOf(world, play) ?? ""] ?? [];
  return labels.find((label) => isOf(play, label))?.knock ?? null;
}

/** @param {World} world @param {Play} play @param {boolean | null} knock */
function judge(world, play, knock) {
  const { state } = world;
  const key = shaOf(world, play);
  if (!key) return;
  const others = (state.inputs.labels[key] ?? []).filter((label) => !isOf(play, label));
  const mine = knock === null ? others : [...others, { t_s: placeOf(play), knock }];
  state.change({ labels: { ...state.inputs.labels, [key]: mine } }, knock === null ? "judgement taken back" : "judgement by ear");
}

/** @param {World} world @param {import("../protocol.js").Row} row */
function playButton(world, row) {
  const { play } = row;
  if (!play) return null;
  const button = el("button", { type: "button", class: "small", "aria-pressed": "false", "aria-label": `play ${row.cells[0]?.text ?? ""}` }, "play");
  button.addEventListener("click", () => world.player.toggle(play, button)
    .catch((error) => world.state.fault(`Can't play this: ${error.message}`)));
  return button;
}

/** @param {World} world @param {import("../protocol.js").Row} row */
function judgeButtons(world, row) {
  const { play } = row;
  if (!play) return null;
  /** @param {string} words @param {boolean} knock */
  const make = (words, knock) => {
    const button = el("button", { type: "button", class: "small", "aria-pressed": "false",
      "aria-label": `${row.cells[0]?.text ?? ""}: ${words}` }, words);
    button.addEventListener("click", () => judge(world, play, judged(world, play) === knock ? null : knock));
    const show = () => {
      if (shownOnce && !button.isConnected) return unwatch(); // its table was replaced
      shownOnce = button.isConnected;
      button.setAttribute("aria-pressed", String(judged(world, play) === knock));
    };
    let shownOnce = false;
    let unwatch = () => {};
    unwatch = world.state.watch(["labels"], show);
    return button;
  };
  return el("span", { class: "acts" }, make("knock", true), make("not", false));
}

/** @param {HTMLElement} root @param {World} world @returns {() => void} */
export function proofSection(root, world) {
  const unbind = bindListening(world, find(root, "#play-speed", HTMLSelectElement), find(root, "#play-band", HTMLInputElement));
  const end = plainSection(root, world, {
    extras: (table) => (table.rows.some((row) => row.play)
      ? [{ head: "listen", cell: (row) => playButton(world, row) }, { head: "by ear", cell: (row) => judgeButtons(world, row) }]
      : []),
  });
  return () => { unbind(); end(); };
}
