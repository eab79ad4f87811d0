/** Section 2, the look into one file: its envelope at any zoom, what it sounds like, stretches marked on it. */

import { Chart } from "../charts/chart.js";
import { find } from "../parts/dom.js";
import { setOptions } from "./choice.js";
import { bindListening } from "./listening.js";
import { Marks } from "./marks.js";

/** @typedef {import("./section.js").World} World */

/** Half of what is heard around a place, s. */
const AROUND_S = 0.5;
const REDRAW_AFTER_MS = 150;

/** @param {string} name @param {import("../protocol.js").Figure} figure */
const captionOf = (name, figure) => (figure.id.startsWith("glance")
  ? `First look into ${name}: a few samples of each stretch, until all are read` : `Envelope of ${name}: smallest and largest value`);

/** The envelope of the chosen file: minimum and maximum, so that a spike of one sample survives any zoom.
 * @param {HTMLElement} root @param {World} world @returns {() => void} */
export function lookInto(root, world) {
  const { state, analyst, player } = world;
  const choice = find(root, "#envelope-choice", HTMLElement);
  const select = find(root, "#envelope-file", HTMLSelectElement);
  const channel = find(root, "#envelope-channel", HTMLSelectElement);
  const playing = find(root, "#envelope-play", HTMLButtonElement);
  /** @param {number} from_s @param {number} to_s */
  const listen = (from_s, to_s) => player.toggle({ file: Number(select.value), channel: Number(channel.value), from_s, to_s }, playing)
    .catch((error) => state.fault(`Can't play this: ${error.message}`));
  const fileOf = () => state.results.files.find((one) => one.id === Number(select.value));
  const marks = new Marks(root, world, fileOf, listen);
  const chart = new Chart(world, "Envelope", {
    requery: ([from, to], _y, width) => { // half a view more on either side, so that panning finds it there
      const more = (to - from) / 2;
      const [low, high] = [Math.max(0, from - more), Math.min(fileOf()?.duration_s ?? Infinity, to + more)];
      return analyst.ask("envelope", Number(select.value), low, high, Math.round(width * (high - low) / (to - from)));
    },
    listen: (at) => listen(Math.max(0, at - AROUND_S), at + AROUND_S),
    marks: marks.hands(),
  });
  chart.node.hidden = true;
  find(root, "#envelope", HTMLElement).append(chart.node);
  playing.addEventListener("click", () => listen(...chart.view.range("x")));
  const unbind = bindListening(world, find(root, "#envelope-speed", HTMLSelectElement), find(root, "#envelope-band", HTMLInputElement));

  const draw = async () => {
    const row = state.results.files.find((one) => one.id === Number(select.value));
    if (!row) return;
    setOptions(channel, row.channels.map((one) => [String(one.channel), one.name || String(one.channel)]));
    if (!channel.dataset.touched && row.sensors.length) channel.value = String(row.sensors[0]);
    for (const node of choice.querySelectorAll(".heard")) node.toggleAttribute("hidden", row.kind !== "recording");
    try {
      const figure = await analyst.ask("envelope", row.id, 0, row.duration_s ?? 0, 900);
      chart.node.hidden = !figure;
      if (figure) await chart.show(figure, captionOf(row.name, figure));
      marks.show();
    } catch (error) {
      chart.node.hidden = true;
      analyst.complain(error);
    }
  };
  const another = () => {
    chart.view.reset();
    return draw();
  };
  channel.addEventListener("change", () => { channel.dataset.touched = "yes"; });
  select.addEventListener("change", another);
  let shown = "";
  const unwatchFiles = state.watch(["files"], () => {
    const usable = state.results.files.filter((one) => (one.kind === "recording" || one.kind === "log") && one.duration_s);
    choice.hidden = usable.length === 0;
    if (!usable.length) chart.node.hidden = true;
    setOptions(select, usable.map((one) => [String(one.id), one.name]));
    const now = usable.map((one) => `${one.id}:${one.role}:${one.sha256}`).join(" ");
    if (now !== shown && usable.length) draw();
    shown = now;
  });
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let soon;
  // The picture shows marks and events over the limit as the core knows them: it is old once these views are new.
  const unwatchViews = state.watch(["view:2", "view:9"], () => {
    clearTimeout(soon);
    soon = setTimeout(() => { if (shown) draw(); }, REDRAW_AFTER_MS);
  });
  const unwatchMarks = state.watch(["marks"], () => marks.show());
  return () => { unwatchFiles(); unwatchViews(); unwatchMarks(); unbind(); clearTimeout(soon); };
}
