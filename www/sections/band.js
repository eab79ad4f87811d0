/** Section 5. The band is typed or picked, what is measured in it chosen; the spectrogram is asked for anew at each zoom. */

import { Chart } from "../charts/chart.js";
import { el, find } from "../parts/dom.js";
import { freshId } from "../parts/field.js";
import { pairChoice, setChoice, setOptions } from "./choice.js";
import { plainSection } from "./section.js";

/** @typedef {import("../protocol.js").Figure} Figure */
/** @typedef {import("./section.js").World} World */

const ROWS = 160;
const HIGHEST_HZ = 25_000; // above every mode of interest; the core stops at half the sampling rate

/** Hz or kHz, as the axis says. @param {import("../protocol.js").Axis} axis */
const hzPerUnit = (axis) => (/khz/i.test(axis.label) ? 1000 : 1);

/** A cell of the search map chosen: centre across, width up. @param {World} world @param {number} x @param {number} y
 * @param {Figure} figure */
function pickCell({ state }, x, y, figure) {
  if (figure.x.quantity !== "frequency" || figure.y.quantity !== "frequency") return;
  const [centre_hz, width_hz] = [x * hzPerUnit(figure.x), y * hzPerUnit(figure.y)];
  const low = Math.round(centre_hz - width_hz / 2);
  if (low > 0) setChoice(state, { band: [low, Math.round(centre_hz + width_hz / 2)] }, "band");
}

/** The spectrogram with its choice of file and sensor. @param {HTMLElement} host @param {World} world */
function spectrogram(host, world) {
  const { state, analyst } = world;
  const [fileId, channelId] = [freshId("spectrogram-file"), freshId("spectrogram-channel")];
  const file = el("select", { id: fileId });
  const channel = el("select", { id: channelId });
  const choice = el("div", { class: "choice", hidden: true },
    el("span", { class: "pair" }, el("label", { for: fileId }, "Spectrogram of"), file),
    el("span", { class: "pair" }, el("label", { for: channelId }, "channel"), channel));
  /** @param {[number, number]} x @param {[number, number]} y @param {number} width @returns {Promise<Figure>} */
  const requery = (x, y, width) => {
    const unit = chart.figure ? hzPerUnit(chart.figure.y) : 1;
    return analyst.ask("spectrogram", Number(file.value), Number(channel.value), x[0], x[1], y[0] * unit, y[1] * unit, width, ROWS);
  };
  const chart = new Chart(world, "Spectrogram", {
    requery, listen: (at) => playAround(world, Number(file.value), Number(channel.value), at, host),
  });
  chart.node.hidden = true;
  host.append(choice, chart.node);
  const whole = async () => {
    const row = state.results.files.find((one) => one.id === Number(file.value));
    if (!row || !channel.value) return;
    chart.view.reset();
    try {
      const figure = await analyst.ask("spectrogram", row.id, Number(channel.value), 0, row.duration_s ?? 0, 0, HIGHEST_HZ, 600, ROWS);
      chart.node.hidden = !figure;
      if (figure) await chart.show(figure, `Spectrogram of ${row.name}, channel ${channel.value}`);
    } catch (error) { analyst.complain(error); }
  };
  const channels = () => {
    const row = state.results.files.find((one) => one.id === Number(file.value));
    setOptions(channel, (row?.sensors ?? []).map((one) => [String(one), String(one)]));
    whole();
  };
  file.addEventListener("change", () => { file.dataset.touched = "yes"; channels(); });
  channel.addEventListener("change", whole);
  let shown = "";
  /** @type {Set<number>} */
  const measured = new Set();
  return state.watch(["files"], () => {
    // a picture of all of a recording takes as long as its survey: the limits come first
    for (const one of state.results.files) if (one.is_measured) measured.add(one.id);
    const usable = state.results.files.filter((one) => measured.has(one.id) && one.sensors.length);
    choice.hidden = usable.length === 0;
    if (!usable.length) chart.node.hidden = true;
    usable.sort((a, b) => Number(b.role === "knock") - Number(a.role === "knock")); // where knock can be seen comes first
    setOptions(file, usable.map((one) => [String(one.id), one.name]));
    if (!file.dataset.touched && usable.length) file.value = String(usable[0].id);
    const now = usable.map((one) => `${one.id}:${one.sensors}`).join(" ");
    if (now !== shown) channels();
    shown = now;
  });
}

/** Half a second around a place. @param {World} world @param {number} file @param {number} channel @param {number} at_s
 * @param {HTMLElement} host */
function playAround(world, file, channel, at_s, host) {
  world.player.toggle({ file, channel, from_s: Math.max(0, at_s - 0.25), to_s: at_s + 0.25 }, host)
    .catch((error) => world.state.fault(`Can't play this: ${error.message}`));
}

/** @param {HTMLElement} root @param {World} world @returns {() => void} */
export function bandSection(root, world) {
  const unbind = pairChoice(root, world.state, {
    name: "band", low: "#band-low", high: "#band-high", auto: "#band-auto", fault: "#band-fault", what: "band",
  });
  const feature = find(root, "#feature", HTMLSelectElement);
  feature.addEventListener("change", () => setChoice(world.state, { feature: feature.value }, "what is measured"));
  const unwatchFeature = world.state.watch(["choices"], () => { feature.value = world.state.inputs.choices.feature; });
  const host = el("div", { class: "own" });
  find(root, ".body", HTMLElement).before(host);
  const unwatch = spectrogram(host, world);
  const end = plainSection(root, world, {
    leaveOut: ["spectrogram"],
    alike: { octaves: "orderlines" }, // both are spectra at several speeds
    chart: () => ({ pick: (x, y, figure) => pickCell(world, x, y, figure) }),
  });
  return () => { unbind(); unwatchFeature(); unwatch(); end(); };
}
