/** Section 2. The files: what each is, its role in one click, a look into it at any zoom. */

import { el, find } from "../parts/dom.js";
import { lookInto } from "./look.js";
import { plainSection } from "./section.js";
import { oneRun, rateField } from "./told.js";

/** @typedef {import("../protocol.js").FileRow} FileRow */
/** @typedef {import("./section.js").World} World */

const HASH_SHOWN = 12;
/** @type {[string, string][]} */
const ROLES = [["safe", "safe running"], ["knock", "provoked knock"], ["before", "before the change"], ["after", "after the change"],
  ["engine-off", "engine off"], ["listen", "listening only"]];
const COLUMN_ROLES = ["time", "speed", "load", "throttle", "ignition", "correction", "level", "background", "logged-limit",
  "knock-flag", "cut", "fuel", "coolant", "air", "mixture", "gear", "other"];
const CHANNEL_ROLES = ["sensor", "wheel", "cam", "pulse", "other"];

/** @param {number | null} seconds */
function lengthOf(seconds) {
  if (seconds === null || seconds === undefined) return "";
  if (seconds < 90) return `${Number(seconds.toFixed(1))} s`;
  const whole = Math.round(seconds);
  return `${Math.floor(whole / 60)} min ${whole % 60} s`;
}

/** @param {number} bytes */
const sizeOf = (bytes) => (bytes < 1e6 ? `${Math.ceil(bytes / 1e3)} kB` : `${(bytes / 1e6).toFixed(1)} MB`);

/** @param {World} world @param {FileRow} file */
function roleChoice({ state }, file) {
  if (file.kind !== "recording" && file.kind !== "log") return "";
  const select = el("select", { "aria-label": `role of ${file.name}` }, ...ROLES.map(([value, words]) => el("option", { value }, words)));
  select.value = file.role ?? "safe";
  select.disabled = !file.sha256; // a choice is kept by the file's hash
  select.addEventListener("change", () => state.change({ roles: { ...state.inputs.roles, [file.sha256]: select.value } }, `role of ${file.name}`));
  return select;
}

/** @param {World} world @param {FileRow} file @param {FileRow["channels"][number]} channel */
function columnChoice({ state }, file, channel) {
  const roles = file.kind === "log" ? COLUMN_ROLES : CHANNEL_ROLES;
  const known = roles.includes(channel.role) ? roles : [channel.role, ...roles];
  const select = el("select", { "aria-label": `what ${channel.name || `channel ${channel.channel}`} of ${file.name} is` },
    ...known.map((role) => el("option", { value: role }, role)));
  select.value = channel.role;
  select.disabled = !file.sha256;
  select.addEventListener("change", () => {
    const own = { ...state.inputs.columns[file.sha256], [channel.channel]: select.value };
    state.change({ columns: { ...state.inputs.columns, [file.sha256]: own } }, `what ${channel.name} is`);
  });
  return select;
}

/** @param {World} world @param {FileRow} file */
function channelList(world, file) {
  if (!file.channels.length) return el("span", {}, "");
  /** @type {(Node | string)[][]} each role a text of its own, so that another language finds it */
  const words = file.channels.map((one) => (file.kind === "recording" ? [`${one.channel} `, one.role]
    : [el("span", { class: "own-words" }, [one.name || one.channel, one.unit && `(${one.unit})`].filter(Boolean).join(" "))]));
  const some = words.length > 4 ? words.slice(0, 3) : words;
  const brief = [...some.flatMap((word, at) => (at ? [", ", ...word] : word)), ...words.length > 4 ? [` and ${words.length - 3} more`] : []];
  const rows = file.channels.map((one) => el("tr", {}, el("th", { scope: "row" }, `${one.channel} ${one.name}`), el("td", {}, one.unit),
    el("td", {}, columnChoice(world, file, one)), el("td", {}, one.reason)));
  return el("details", { "data-file": file.sha256 }, el("summary", {}, ...brief),
    el("div", { class: "scroll", tabindex: 0, role: "group", "aria-label": `channels of ${file.name}` },
      el("table", { class: "plain" }, el("thead", {}, el("tr", {}, ...["channel", "unit", "is", "because"].map((head) => el("th", { scope: "col" }, head)))),
        el("tbody", {}, ...rows))));
}

/** @param {World} world @param {FileRow} file */
function fileRow(world, file) {
  const remove = el("button", { type: "button", class: "small", "aria-label": `remove ${file.name}` }, "remove");
  remove.addEventListener("click", () => world.analyst.remove(file.id));
  const isJoined = Boolean(world.analyst.sourceOf(file.id)?.how);
  const apart = isJoined ? small("take apart", `take ${file.name} apart`, () => { world.analyst.takeApart(file.id); }) : null;
  return el("tr", {},
    el("th", { scope: "row" }, el("span", { class: "own-words" }, file.name), ...[...new Set([...world.state.results.notes[file.id] ?? [], ...file.notes])].map((note) => el("small", { class: "note" }, note)), rateField(world, file)),
    el("td", {}, el("small", { class: "what" }, file.what || file.kind)),
    el("td", { class: "role" }, roleChoice(world, file), el("small", {}, file.role_reason ? ` ${file.role_reason}` : "")),
    el("td", { class: "short" }, lengthOf(file.duration_s)), el("td", { class: "short" }, sizeOf(file.bytes)), el("td", {}, channelList(world, file)),
    el("td", { class: "hash" }, file.sha256.slice(0, HASH_SHOWN)), el("td", { class: "act" }, el("span", { class: "acts" }, apart, remove)));
}

/** @param {HTMLElement} host @param {World} world */
function showFiles(host, world) {
  const { files } = world.state.results;
  const open = new Set([...host.querySelectorAll("details[open]")].map((node) => node.getAttribute("data-file")));
  if (!files.length) return host.replaceChildren();
  const heads = ["file", "what it is", "role", "length", "size", "channels", "SHA-256", ""];
  const table = el("table", { class: "files" }, el("caption", {}, "Files"),
    el("thead", {}, el("tr", {}, ...heads.map((head) => (head ? el("th", { scope: "col" }, head) : el("td", { class: "act" }))))),
    el("tbody", {}, ...files.map((file) => fileRow(world, file))));
  host.replaceChildren(el("div", { class: "scroll", tabindex: 0, role: "group", "aria-label": "Files" }, table));
  for (const details of host.querySelectorAll("details")) if (open.has(details.dataset.file ?? "")) details.open = true;
}

/** @param {string} text @param {string} says @param {() => void} act */
function small(text, says, act) {
  const button = el("button", { type: "button", class: "small", "aria-label": says }, text);
  button.addEventListener("click", act);
  return button;
}

/** Files that the card was made from and that are not here, and files that bear such a name and are others.
 * @param {HTMLElement} host @param {World} world */
function showAwaited(host, world) {
  const { state, analyst } = world;
  return state.watch(["files", "kept", "refused"], () => {
    const { files, kept, refused } = state.results;
    const away = files.every((file) => file.sha256 || file.kind === "sheet" || file.kind === "card")
      ? kept.filter((one) => !files.some((file) => file.sha256 === one.sha256)) : [];
    host.hidden = away.length + refused.length === 0;
    host.replaceChildren(
      ...refused.map((one) => el("li", {}, el("span", { class: "own-words" }, one.name), el("span", {}, " is another file than the card was made from: not used."),
        el("small", {}, ` SHA-256 ${one.sha256.slice(0, HASH_SHOWN)}, not ${one.wanted.slice(0, HASH_SHOWN)} `),
        small("use it anyway", `use ${one.name} anyway`, () => { analyst.useAnyway(one); }))),
      ...away.map((one) => el("li", {}, el("span", { class: "own-words" }, one.name), el("span", {}, " belongs to the card kept here: drop it again."),
        el("small", {}, ` SHA-256 ${one.sha256.slice(0, HASH_SHOWN)} `),
        small("leave it out", `leave ${one.name} out`, () => state.leaveOut(one.sha256)))));
  });
}

/** @param {HTMLElement} root @param {World} world @returns {() => void} */
export function recordingsSection(root, world) {
  const { state } = world;
  const host = find(root, "#file-list", HTMLElement);
  const cautions = find(root, "#cautions-recordings", HTMLElement);
  let shown = "";
  const unwatch = state.watch(["files", "notes"], () => {
    cautions.hidden = !state.results.files.some((file) => file.role === "knock");
    const now = JSON.stringify([state.results.files, state.results.notes]);
    if (now !== shown) showFiles(host, world);
    shown = now;
  });
  const unwatchRun = oneRun(root, world);
  const unwatchEnvelope = lookInto(root, world);
  const unwatchAwaited = showAwaited(find(root, "#awaited", HTMLElement), world);
  const end = plainSection(root, world, { leaveOut: ["files", "envelope"] });
  return () => { unwatch(); unwatchRun(); unwatchEnvelope(); unwatchAwaited(); end(); };
}
