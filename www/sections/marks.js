/** Stretches of a file marked safe, knock or left out: by drag, by keys with the chart in focus, or typed. */

import { el, find, setText } from "../parts/dom.js";
import { numberText, typedNumber } from "../parts/field.js";

/** @typedef {import("./section.js").World} World */
/** @typedef {import("../protocol.js").Mark} Mark */
/** @typedef {import("../protocol.js").MarkLabel} MarkLabel */
/** @typedef {import("../protocol.js").FileRow} FileRow */

/** @type {[MarkLabel, string, string][]} what it is, in words, its key */
const LABELS = [["safe", "safe running", "s"], ["knock", "knock", "k"], ["exclude", "left out", "x"]];
/** @type {["ignition_deg_btdc" | "load" | "coolant_c", string][]} */
const NUMBERS = [["ignition_deg_btdc", "ignition, degrees before TDC"], ["load", "load, in the unit of your log"], ["coolant_c", "coolant, °C"]];
const HEADS = ["marked as", "from, s", "to, s", "ignition, ° before TDC", "load", "coolant, °C", "fuel"];

/** @param {MarkLabel} label */
const wordsOf = (label) => LABELS.find(([one]) => one === label)?.[1] ?? label;
/** @param {number} seconds */
const tidy = (seconds) => Number(Math.max(0, seconds).toFixed(3));

export class Marks {
  /** @param {HTMLElement} root @param {World} world @param {() => FileRow | undefined} file the file looked into
   * @param {(from_s: number, to_s: number) => void} listen */
  constructor(root, world, file, listen) {
    this.state = world.state;
    this.file = file;
    this.listen = listen;
    this.does = find(root, "#drag-does", HTMLSelectElement);
    this.host = find(root, "#marks", HTMLElement);
    /** A mark begun by a key. @type {{ label: MarkLabel, from_s: number } | null} */
    this.begun = null;
  }

  /** @returns {Mark[]} */
  all() { return this.state.inputs.marks[this.file()?.sha256 ?? ""] ?? []; }

  /** @param {Mark[]} marks @param {string} what */
  set(marks, what) {
    const file = this.file();
    if (!file?.sha256) return this.state.fault("A mark is kept by the file's hash, which is still being computed. To do: mark again when the analysis is done.");
    const sorted = [...marks].sort((a, b) => a.from_s - b.from_s);
    this.state.change({ marks: { ...this.state.inputs.marks, [file.sha256]: sorted } }, what);
  }

  /** @param {MarkLabel} label @param {number} a @param {number} b */
  add(label, a, b) {
    const end = this.file()?.duration_s ?? Infinity;
    const [from_s, to_s] = [tidy(Math.min(a, b)), tidy(Math.min(end, Math.max(a, b)))];
    if (!(from_s < to_s)) return;
    /** @type {Mark} */
    const mark = { file: this.file()?.name ?? "", from_s, to_s, label, ignition_deg_btdc: null, load: null, fuel: null, coolant_c: null };
    this.set([...this.all(), mark], `${wordsOf(label)} marked`);
  }

  /** @param {number} at @param {Partial<Mark>} patch */
  change(at, patch) { this.set(this.all().map((mark, index) => (index === at ? { ...mark, ...patch } : mark)), "mark changed"); }

  /** What the chart does with its hands. @returns {import("../charts/chart.js").Marking} */
  hands() {
    return {
      all: () => this.all().map(({ from_s, to_s }) => [from_s, to_s]),
      move: (at, [from, to]) => this.change(at, { from_s: tidy(from), to_s: tidy(to) }),
      on: () => this.does.value !== "zoom",
      add: (from, to) => this.add(/** @type {MarkLabel} */ (this.does.value), from, to),
      letter: (key, at, chart) => this.letter(key, at, chart),
    };
  }

  /** The first press begins, the second ends. @param {string} key @param {number} at
   * @param {import("../charts/chart.js").Chart} chart */
  letter(key, at, chart) {
    const label = LABELS.find(([, , letter]) => letter === key)?.[0];
    if (!label) return false;
    if (this.begun?.label === label) {
      this.add(label, this.begun.from_s, at);
      this.begun = null;
      setText(chart.readOut, "\u00a0");
    } else {
      this.begun = { label, from_s: at };
      setText(chart.readOut, `${wordsOf(label)} from ${tidy(at)} s: move the pointer (Shift with arrow keys), then press ${key} again`);
    }
    return true;
  }

  show() {
    const marks = this.all();
    const now = JSON.stringify([this.file()?.sha256, marks]);
    if (this.host.dataset.shown === now) return;
    this.host.dataset.shown = now;
    if (!marks.length) return this.host.replaceChildren();
    const table = el("table", { class: "marks" }, el("caption", {}, "Marked stretches"),
      el("thead", {}, el("tr", {}, ...HEADS.map((head) => el("th", { scope: "col" }, head)), el("td", { class: "act" }))),
      el("tbody", {}, ...marks.map((mark, at) => this.row(mark, at))));
    this.host.replaceChildren(el("div", { class: "scroll", tabindex: 0, role: "group", "aria-label": "Marked stretches" }, table));
  }

  /** @param {Mark} mark @param {number} at */
  row(mark, at) {
    const nth = `mark ${at + 1}`;
    const label = el("select", { "aria-label": `${nth}: marked as` }, ...LABELS.map(([value, words]) => el("option", { value }, words)));
    label.value = mark.label;
    label.addEventListener("change", () => this.change(at, { label: /** @type {MarkLabel} */ (label.value) }));
    const fuel = el("input", { size: 8, autocomplete: "off", "aria-label": `${nth}: fuel` });
    fuel.value = mark.fuel ?? "";
    fuel.addEventListener("change", () => this.change(at, { fuel: fuel.value.trim() || null }));
    const play = el("button", { type: "button", class: "small", "aria-label": `play ${nth}` }, "play");
    play.addEventListener("click", () => this.listen(mark.from_s, mark.to_s));
    const remove = el("button", { type: "button", class: "small", "aria-label": `remove ${nth}` }, "remove");
    remove.addEventListener("click", () => this.set(this.all().filter((_, index) => index !== at), "mark removed"));
    const cells = [label, this.edge(mark, at, "from_s", `${nth}: from, s`), this.edge(mark, at, "to_s", `${nth}: to, s`),
      ...NUMBERS.map(([key, words]) => this.number(mark[key], `${nth}: ${words}`, (value) => this.change(at, { [key]: value }))), fuel];
    return el("tr", {}, ...cells.map((cell) => el("td", {}, cell)), el("td", { class: "act" }, el("span", { class: "acts" }, play, remove)));
  }

  /** @param {Mark} mark @param {number} at @param {"from_s" | "to_s"} which @param {string} says */
  edge(mark, at, which, says) {
    return this.number(mark[which], says, (value) => {
      const next = { ...mark, [which]: value ?? mark[which] };
      if (next.from_s < next.to_s) this.change(at, { [which]: next[which] });
      else this.state.fault(`A mark can't end before it begins (${next.from_s} s to ${next.to_s} s). To do: type its other end first.`);
    });
  }

  /** @param {number | null} value @param {string} says @param {(value: number | null) => void} take */
  number(value, says, take) {
    const input = el("input", { size: 7, inputmode: "decimal", autocomplete: "off", "aria-label": says });
    input.value = numberText(value);
    input.addEventListener("change", () => {
      const typed = typedNumber(input.value);
      input.setAttribute("aria-invalid", String(Number.isNaN(typed)));
      if (!Number.isNaN(typed)) take(typed);
    });
    return input;
  }
}
