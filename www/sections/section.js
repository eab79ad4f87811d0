/** What every section does alike: sign, finding, pictures, tables, why, to do, cautions; and it never jumps. */

import { Chart } from "../charts/chart.js";
import { el, find, setLines, setText, STATE_WORDS } from "../parts/dom.js";
import { isWordy, tableBox } from "../parts/table.js";
import { setOptions } from "./choice.js";

/** @typedef {import("../protocol.js").SectionView} SectionView */
/** @typedef {import("../protocol.js").FigureRef} FigureRef */
/** @typedef {import("../protocol.js").Table} Table */
/** @typedef {import("../charts/chart.js").ChartOptions} ChartOptions */
/** @typedef {import("../charts/chart.js").ChartWorld & { analyst: import("../analyst.js").Analyst,
 *   player: import("../parts/play.js").Player }} World   what a section is given besides its element */
/** @typedef {{ chart?: (ref: FigureRef) => ChartOptions, extras?: (table: Table) => import("../parts/table.js").Extra[],
 *   leaveOut?: string[], alike?: Record<string, string>, shown?: (view: SectionView) => void }} Ways   how a section differs from the plain one */

const WHY_SHOWN = 1;
const WIDE_FROM = 6;

/** Keeps the state sign and word of `root` and of its link in the list of sections.
 * @param {HTMLElement} root @param {import("../protocol.js").SectionState} state */
function showState(root, state) {
  if (root.dataset.state === state) return;
  root.dataset.state = state;
  const word = STATE_WORDS[state] ?? state;
  find(root, ".no use", SVGElement).setAttribute("href", `#s-${state}`);
  setText(find(root, ".state", HTMLElement), word);
  const link = document.querySelector(`nav a[href="#${root.id}"]`);
  link?.querySelector("use")?.setAttribute("href", `#s-${state}`);
  const unseen = link?.querySelector(".unseen");
  if (unseen) setText(unseen, word);
}

/** @param {HTMLElement} root @param {string[]} lines */
function showWhy(root, lines) {
  const host = find(root, ".why", HTMLElement);
  host.hidden = lines.length === 0;
  if (host.dataset.shown === lines.join("\n")) return;
  host.dataset.shown = lines.join("\n");
  const [first = "", ...rest] = [lines.slice(0, WHY_SHOWN).join(" "), ...lines.slice(WHY_SHOWN)];
  host.replaceChildren(el("p", {}, el("b", {}, "Why: "), first));
  if (!rest.length) return;
  host.append(el("details", {}, el("summary", {}, "more of why"), ...rest.map((line) => el("p", {}, line))));
}

/** @param {HTMLElement} root @param {string[]} lines */
function showTodo(root, lines) {
  const host = find(root, ".todo", HTMLElement);
  host.hidden = lines.length === 0;
  host.classList.toggle("one", lines.length === 1);
  setLines(find(host, "ul", HTMLElement), "li", lines);
}

/** Cautions stand in the sheet before any result; with one, those that belong to it. @param {HTMLElement} root @param {string[]} lines */
function showCautions(root, lines) {
  const host = root.querySelector(".cautions:not([id])");
  if (!(host instanceof HTMLElement) || !lines.length) return;
  host.hidden = false;
  setLines(find(host, "ul", HTMLElement), "li", lines);
}

/** A section holds the height it has reached, so that nothing below moves while results stream in.
 * @param {HTMLElement} root */
function holdHeight(root) {
  if (root.querySelector("details[open]")) return; // what the user opened is his to close
  const reached = Math.max(root.offsetHeight, parseFloat(root.style.minHeight) || 0);
  root.style.minHeight = `${reached}px`;
}

/** What a figure shows, without the numbers of its file and channel. @param {FigureRef} ref */
const kindOf = (ref) => ref.id.replace(/-\d.*$/, "");

/** The charts of a section, one a kind (kinds that are alike share one), kept so that a zoom survives new numbers; where a kind has several figures (one a
 * file or channel) a list chooses among them, the first to begin with. */
class Pictures {
  /** @param {HTMLElement} host @param {World} world @param {Ways} ways */
  constructor(host, world, ways) {
    this.host = host;
    this.world = world;
    this.ways = ways;
    /** @type {Map<string, Chart>} */
    this.charts = new Map();
    /** @type {Map<string, HTMLSelectElement>} */
    this.lists = new Map();
    /** @type {Map<string, string>} what is shown of each kind */
    this.shown = new Map();
  }

  /** @param {FigureRef[]} refs */
  show(refs) {
    const wanted = refs.filter((ref) => !this.ways.leaveOut?.includes(kindOf(ref)));
    const kindOfChart = (/** @type {FigureRef} */ ref) => this.ways.alike?.[kindOf(ref)] ?? kindOf(ref);
    const kinds = [...new Set(wanted.map(kindOfChart))];
    for (const [kind, chart] of this.charts) {
      if (kinds.includes(kind)) continue;
      chart.end();
      this.lists.get(kind)?.parentElement?.remove();
      for (const kept of [this.charts, this.lists, this.shown]) kept.delete(kind);
    }
    for (const kind of kinds) this.showKind(kind, wanted.filter((ref) => kindOfChart(ref) === kind));
    this.arrange(kinds);
  }

  /** The view's order, whenever each came; what stands right is not touched, so that it keeps its focus. @param {string[]} kinds */
  arrange(kinds) {
    let at = this.host.firstElementChild;
    for (const node of kinds.flatMap((kind) => [this.lists.get(kind)?.parentElement, this.charts.get(kind)?.node])) {
      if (!node) continue;
      if (node === at) at = at.nextElementSibling;
      else this.host.insertBefore(node, at);
    }
  }

  /** @param {string} kind @param {FigureRef[]} refs */
  showKind(kind, refs) {
    let chart = this.charts.get(kind);
    if (!chart) {
      const list = el("select", { "aria-label": "which one the picture below shows" });
      chart = new Chart(this.world, refs[0].caption, this.ways.chart?.(refs[0]));
      this.charts.set(kind, chart);
      this.lists.set(kind, list);
      this.host.append(el("div", { class: "choice", hidden: true }, list), chart.node);
    }
    const list = /** @type {HTMLSelectElement} */ (this.lists.get(kind));
    setOptions(list, refs.map((ref) => [ref.id, ref.caption]));
    if (list.parentElement) list.parentElement.hidden = refs.length < 2;
    if (!list.dataset.touched) list.value = refs[0].id;
    const draw = () => this.showOne(kind, refs.find((ref) => ref.id === list.value) ?? refs[0]);
    list.onchange = () => { list.dataset.touched = "yes"; draw(); };
    draw();
  }

  /** @param {string} kind @param {FigureRef} ref */
  async showOne(kind, ref) {
    const chart = this.charts.get(kind);
    if (!chart) return;
    if (this.shown.get(kind) !== ref.id) chart.view.reset();
    this.shown.set(kind, ref.id);
    try {
      const figure = await this.world.analyst.ask("figure", ref.id);
      if (this.shown.get(kind) !== ref.id) return;
      chart.node.hidden = !figure; // nothing to draw (yet)
      if (figure) await chart.show(figure, ref.caption);
    } catch (error) { this.world.analyst.complain(error); }
  }

  end() { for (const chart of this.charts.values()) chart.end(); }
}

/** A section shown the plain way. Owns `root` and nothing else; returns what detaches it.
 * @param {HTMLElement} root @param {World} world @param {Ways} [ways] @returns {() => void} */
export function plainSection(root, world, ways = {}) {
  const { state } = world;
  const n = Number(root.dataset.section);
  const finding = find(root, ".finding", HTMLElement);
  const body = find(root, ".body", HTMLElement);
  const tables = find(root, ".tables", HTMLElement);
  const pictures = new Pictures(find(root, ".pictures", HTMLElement), world, ways);
  let tablesShown = "";

  /** @param {SectionView} view */
  const show = (view) => {
    showState(root, view.state);
    if (view.finding) setText(finding, view.finding);
    pictures.show(view.figures);
    const own = view.tables.filter((table) => !ways.leaveOut?.includes(table.id));
    const now = JSON.stringify(own);
    if (now !== tablesShown) {
      tablesShown = now;
      const boxes = own.map((table) => tableBox(table, ways.extras?.(table)));
      tables.replaceChildren(...boxes);
      body.classList.toggle("full", own.some((table) => isWordy(table) || table.columns.length + (ways.extras?.(table).length ?? 0) >= WIDE_FROM));
    }
    showWhy(root, view.why);
    showTodo(root, view.todo);
    showCautions(root, view.cautions);
    ways.shown?.(view);
    requestAnimationFrame(() => holdHeight(root));
  };

  const unwatch = state.watch([`view:${n}`], () => {
    const view = state.results.views.get(n);
    if (view) show(view);
  });
  let fileCount = -1;
  const unwatchFiles = state.watch(["files"], () => {
    root.classList.toggle("expects", state.results.files.length > 0);
    if (fileCount === state.results.files.length) return;
    fileCount = state.results.files.length; // a drop may shrink what lies below the screen
    if (root.getBoundingClientRect().top > innerHeight) root.style.minHeight = "";
  });
  const unwatchProgress = state.watch(["progress"], () => {
    const { progress } = state.results;
    const before = state.results.views.get(n)?.state ?? "waiting";
    showState(root, progress && !progress.done && progress.working === n ? "working" : before);
  });
  return () => { unwatch(); unwatchFiles(); unwatchProgress(); pictures.end(); };
}
