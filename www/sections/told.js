/** What the user says of a file that it does not say itself: samples without a header, rows a second of a log without time,
 * files that are one run. Each is offered where the file asks for it. */

import { el, find, setText } from "../parts/dom.js";
import { freshId, numberText, typedNumber } from "../parts/field.js";

/** @typedef {import("./section.js").World} World */
/** @typedef {import("../protocol.js").FileRow} FileRow */
/** @typedef {import("../protocol.js").RawForm} RawForm */

/** @type {[string, string][]} */
const WORDS = [["s16le", "16 bits"], ["s24le", "24 bits"], ["s32le", "32 bits"], ["f32le", "32 bits, floating point"],
  ["f64le", "64 bits, floating point"], ["u8", "8 bits, from 0"], ["s8", "8 bits, with a sign"]];
/** @type {RawForm} */
const USUAL = { sample_rate_hz: 48_000, channels: 1, word: "s16le", skip: 0 };
const LOWEST_BYTES = 256; // less is no recording

/** @param {string} label @param {HTMLElement} input @param {string} unit */
function labelled(label, input, unit = "") {
  input.id = freshId("told");
  return el("span", { class: "pair" }, el("label", { for: input.id }, label), input, unit ? el("span", {}, unit) : null);
}

/** @param {number} value @param {number} size */
function numberField(value, size) {
  const input = el("input", { inputmode: "decimal", size, autocomplete: "off" });
  input.value = numberText(value);
  return input;
}

/** A form for samples without a header: rate, width, channels, byte order, what comes before them.
 * @param {RawForm | null | undefined} before what was said last @param {(form: RawForm) => void} read */
export function rawForm(before, read) {
  const start = before ?? USUAL;
  const [rate, channels, skip] = [numberField(start.sample_rate_hz, 7), numberField(start.channels, 3), numberField(start.skip, 5)];
  const word = el("select", {}, ...WORDS.map(([value, words]) => el("option", { value }, words)));
  const order = el("select", {}, el("option", { value: "le" }, "lowest byte first"), el("option", { value: "be" }, "highest byte first"));
  order.value = start.word.endsWith("be") ? "be" : "le";
  word.value = start.word.replace(/be$/, "le");
  const oneByte = () => { order.disabled = word.value.endsWith("8"); };
  word.addEventListener("change", oneByte);
  oneByte();
  const fault = el("small", { class: "fault" });
  const button = el("button", { type: "button" }, "read it as this");
  button.addEventListener("click", () => {
    const [sample_rate_hz, count, bytes] = [rate, channels, skip].map((one) => typedNumber(one.value) ?? 0);
    const wrong = !(sample_rate_hz >= 1) || !(count >= 1) || !(bytes >= 0);
    setText(fault, wrong ? "type a rate, a number of channels, and the bytes to skip" : "");
    if (!wrong) read({ sample_rate_hz, channels: Math.round(count), word: word.value.replace(/le$/, order.value), skip: Math.round(bytes) });
  });
  return el("details", { class: "raw", open: true }, el("summary", {}, "Is it plain samples without a header? Say how they are stored"),
    el("div", { class: "choice" }, labelled("Sampling rate", rate, "Hz"), labelled("channels", channels), labelled("each sample", word),
      labelled("stored", order), labelled("skip at the start", skip, "bytes"), button, fault));
}

/** Rows a second, for a log that has no time column. @param {World} world @param {FileRow} file @returns {HTMLElement | null} */
export function rateField({ analyst }, file) {
  const source = analyst.sourceOf(file.id);
  if (file.kind !== "log" || !source || file.channels.some((one) => one.role === "time")) return null;
  const told = analyst.toldOf(source.file);
  const input = el("input", { inputmode: "decimal", size: 5, autocomplete: "off" });
  input.value = numberText(told?.log_rate_hz);
  input.addEventListener("change", () => {
    const rate = typedNumber(input.value);
    const wrong = Number.isNaN(rate) || (rate !== null && rate <= 0);
    input.setAttribute("aria-invalid", String(wrong));
    if (!wrong) analyst.readAs(source, rate === null ? null : { raw: null, log_rate_hz: rate });
  });
  return el("span", { class: "note rate" }, labelled("no time column: rows a second", input));
}

/** A name with its numbers left out: parts of one run differ in these alone. @param {string} name */
const stem = (name) => name.replace(/\d+/g, "#");

/** Recordings that could be one run. @param {World} world */
function joinable({ state, analyst }) {
  return state.results.files.filter((file) => file.kind === "recording" && file.bytes > LOWEST_BYTES && analyst.sourceOf(file.id)?.how === null);
}

/** The recordings on the card to be ticked, and how they belong together; open at once where names differ in a number only.
 * @param {HTMLElement} root @param {World} world @returns {() => void} */
export function oneRun(root, world) {
  const { state, analyst } = world;
  const host = find(root, "#one-run", HTMLDetailsElement);
  const list = find(host, "#run-files", HTMLElement);
  const fault = find(host, "#join-fault", HTMLElement);
  let shown = "";
  const join = async (/** @type {import("../protocol.js").Join} */ how) => {
    const ids = [...list.querySelectorAll("input")].filter((one) => one.checked).map((one) => Number(one.value));
    setText(fault, ids.length < 2 ? "tick two files or more" : "");
    if (ids.length >= 2 && await analyst.join(ids, how)) host.open = false;
  };
  find(host, "#join-after", HTMLButtonElement).addEventListener("click", () => join("after"));
  find(host, "#join-beside", HTMLButtonElement).addEventListener("click", () => join("beside"));
  return state.watch(["files"], () => {
    const files = joinable(world);
    host.hidden = files.length < 2;
    const now = files.map((file) => `${file.id} ${file.name}`).join("\n");
    if (now === shown) return;
    shown = now;
    const stems = files.map((file) => stem(file.name));
    const alike = stems.map((one) => stems.filter((other) => other === one).length > 1 && one.includes("#"));
    if (alike.some(Boolean)) host.open = true;
    list.replaceChildren(...files.map((file, at) => {
      const box = el("input", { type: "checkbox", value: file.id });
      box.checked = alike[at];
      return el("label", { class: "check" }, box, el("span", { class: "own-words" }, file.name));
    }));
  });
}
