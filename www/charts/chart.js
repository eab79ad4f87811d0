/** One chart: a canvas drawn by the core, a read-out in a fixed line, its figures as a table, an SVG ready for print. */

import { el, setText } from "../parts/dom.js";
import { saveBlob, saveText } from "../parts/save.js";
import { tableBox } from "../parts/table.js";
import { figureTable, hasHeat } from "./figures.js";
import { chartFrame } from "./frame.js";
import { scales, takeHold } from "./gestures.js";
import { limitsForm, takesLimits } from "./limits.js";
import { ChartView } from "./view.js";

/** @typedef {import("../protocol.js").Figure} Figure */
/** @typedef {import("../protocol.js").Picture} Picture */
/** @typedef {import("../protocol.js").Plot} Plot */
/** @typedef {{ state: import("../state.js").State, pictures: Promise<new (figure: Figure) => Picture>,
 *   pointer: import("./pointer.js").LinkedPointer }} ChartWorld */
/** Stretches marked on a chart: where they are, what to do when one is moved or made, whether a drag makes one.
 * @typedef {{ all: () => [number, number][], move: (at: number, to: [number, number]) => void, on: () => boolean,
 *   add: (from: number, to: number) => void, letter: (key: string, at: number, chart: Chart) => boolean }} Marking
 * @typedef {{ marks?: Marking, edges?: () => [number, number] | null, setEdges?: (edges: [number, number]) => void,
 *   pick?: (x: number, y: number, figure: Figure) => void, listen?: (x: number) => void,
 *   requery?: (x: [number, number], y: [number, number], width: number) => Promise<Figure> }} ChartOptions */

/** A4 less its margins and the numbers at the side, and half of that, in CSS pixels: pictures print at their own size. */
const PRINT_WIDTH = 640;
const PRINT_HALF = 312;
const REQUERY_AFTER_MS = 160;
const SVG_AFTER_MS = 700;

export class Chart {
  /** @param {ChartWorld} world @param {string} caption @param {ChartOptions} [options] */
  constructor(world, caption, options = {}) {
    this.world = world;
    this.options = options;
    this.caption = caption;
    this.ended = new AbortController();
    /** @type {Figure | null} */
    this.figure = null;
    /** @type {Picture | null} */
    this.picture = null;
    /** A look at a part at its own resolution; where it ends, the whole is shown. @type {{ figure: Figure, picture: Picture } | null} */
    this.closer = null;
    this.asking = false;
    this.askAgain = false;
    /** @type {Plot | null} */
    this.plot = null;
    /** @type {[number, number] | null} */
    this.pointed = null;
    /** @type {[number, number] | null} */
    this.dragged = null;
    this.draggedAt = 0;
    this.near = true;
    this.frame = 0;
    this.turn = 0;
    /** Colour limits held by the user. @type {[number, number] | null} */
    this.heat = null;
    const form = limitsForm(this);
    const frame = chartFrame(caption, { home: () => this.view.home(), limits: () => form.toggle(), png: () => this.savePng(), svg: () => this.saveSvg() });
    this.canvas = frame.canvas;
    this.acrossX = frame.acrossX;
    this.acrossY = frame.acrossY;
    this.band = frame.band;
    this.keys = frame.keys;
    this.box = frame.box;
    this.readOut = frame.readOut;
    this.captionText = frame.captionText;
    this.table = frame.table;
    this.printed = frame.printed;
    this.node = frame.node;
    this.table.before(form.node);
    const untake = takesLimits(this);
    this.ended.signal.addEventListener("abort", untake);
    this.table.addEventListener("toggle", () => this.fillTable());
    this.view = new ChartView(() => { this.redraw(); this.requerySoon(); this.fillSoon(); });
    takeHold(this.canvas, this.hands(), this.ended.signal);
    this.watchSize();
  }

  /** Sharp at every size: drawn anew when the box, the pixel ratio or the scheme changes; let go when far off screen. */
  watchSize() {
    const { signal } = this.ended;
    const sizes = new ResizeObserver(() => this.redraw());
    sizes.observe(this.box);
    const sight = new IntersectionObserver((entries) => {
      this.near = entries.at(-1)?.isIntersecting ?? true; // several may have queued: the last one counts
      if (this.near) this.redraw();
      else { this.canvas.width = 0; this.canvas.height = 0; }
    }, { rootMargin: "150% 0px" });
    sight.observe(this.box);
    const unwatch = this.world.state.watch(["scheme"], () => this.redraw());
    const unfollow = this.world.pointer.follow((quantity, value, from) => this.followPointer(quantity, value, from));
    signal.addEventListener("abort", () => { sizes.disconnect(); sight.disconnect(); unwatch(); unfollow(); });
    this.watchRatio();
  }

  watchRatio() {
    const ratio = matchMedia(`(resolution: ${devicePixelRatio}dppx)`);
    ratio.addEventListener("change", () => { this.redraw(); this.watchRatio(); }, { once: true, signal: this.ended.signal });
  }

  /** @returns {import("./gestures.js").Hands} */
  hands() {
    const { options } = this;
    return {
      view: this.view, plot: () => this.plot, letters: () => this.world.state.results.letters,
      edges: () => this.stretches().flat(),
      moveEdge: (which, at) => this.moveEdge(which >> 1, which % 2 ? 1 : 0, at),
      dropEdge: () => this.dropEdge(),
      setEdge: (end, at) => {
        const nearest = this.stretchAt(at, end);
        if (nearest === null) return;
        this.moveEdge(nearest, end, at);
        this.dropEdge();
      },
      marking: () => options.marks?.on() ?? false,
      mark: (from, to) => options.marks?.add(from, to),
      letter: (key, at) => options.marks?.letter(key, at, this) ?? false,
      pick: (x, y) => { if (this.figure) options.pick?.(x, y, this.figure); },
      strip: (from, to) => this.stripPixels(from, to),
      point: (x, y) => this.point(x, y), pointed: () => this.pointed,
      listen: () => { if (this.pointed) options.listen?.(this.pointed[0]); },
      escape: () => { this.keys.hidden = true; },
      help: () => { this.keys.hidden = !this.keys.hidden; },
    };
  }

  /** Stretches with edges to take hold of. @returns {[number, number][]} */
  stretches() {
    const pair = this.options.edges?.();
    return this.options.marks?.all() ?? (pair ? [pair] : []);
  }

  /** The stretch around a place, else the one whose edge is nearest. @param {number} at @param {0 | 1} end @returns {number | null} */
  stretchAt(at, end) {
    const all = this.stretches();
    const away = all.map(([from, to]) => (from <= at && at <= to ? -1 : Math.abs((end ? to : from) - at)));
    return all.length ? away.indexOf(Math.min(...away)) : null;
  }

  /** @param {number} which @param {0 | 1} end @param {number} at */
  moveEdge(which, end, at) {
    const edges = this.dragged ?? this.stretches()[which];
    if (!edges) return;
    this.draggedAt = which;
    this.dragged = end === 0 ? [Math.min(at, edges[1]), edges[1]] : [edges[0], Math.max(at, edges[0])];
    this.strip(...this.dragged);
  }

  dropEdge() {
    const { dragged, options } = this;
    this.dragged = null;
    this.band.hidden = true;
    if (!dragged || !(dragged[0] < dragged[1])) return;
    if (options.marks) options.marks.move(this.draggedAt, dragged);
    else options.setEdges?.(dragged);
  }

  /** Shows `figure`; the view the user has zoomed to stays. @param {Figure} figure @param {string} [caption] */
  async show(figure, caption = this.caption) {
    this.turn += 1;
    const turn = this.turn;
    const Maker = await this.world.pictures;
    if (turn !== this.turn || this.ended.signal.aborted) return;
    this.caption = caption;
    setText(this.captionText, caption);
    this.canvas.setAttribute("aria-label", `${caption}. ${figure.summary}`);
    this.printed.alt = figure.summary;
    try {
      const fresh = new Maker(figure);
      this.picture?.free();
      this.picture = fresh;
    } catch (error) { return this.cannotDraw(error); }
    this.figure = figure;
    this.dropCloser();
    this.view.setFull(figure);
    this.box.classList.toggle("heat", hasHeat(figure));
    this.node.classList.toggle("wide-chart", hasHeat(figure));
    this.redraw();
    this.svgSoon();
    this.fillTable();
    if (this.view.shown.x) this.requerySoon();
  }

  /** @param {Figure} figure of a part, at its own resolution */
  async showCloser(figure) {
    const { turn } = this;
    const Maker = await this.world.pictures;
    if (turn !== this.turn || this.ended.signal.aborted) return;
    try {
      const picture = new Maker(figure);
      this.dropCloser();
      this.closer = { figure, picture };
    } catch (error) { return this.cannotDraw(error); }
    this.redraw();
    this.fillTable();
  }

  dropCloser() {
    this.closer?.picture.free();
    this.closer = null;
  }

  /** The closer look while all that is shown lies in it, else the whole. @returns {Picture | null} */
  best() {
    if (!this.closer) return this.picture;
    const { x, y } = this.closer.figure;
    const covers = (/** @type {"x" | "y"} */ axis, /** @type {import("../protocol.js").Axis} */ held) => {
      const [low, high] = this.view.range(axis);
      const slack = 1e-6 * (held.high - held.low);
      return low >= held.low - slack && high <= held.high + slack;
    };
    return covers("x", x) && covers("y", y) ? this.closer.picture : this.picture;
  }

  /** The numbers stay readable when the picture fails; what failed once is never touched again, the next numbers get a
   * picture of their own. @param {unknown} error */
  cannotDraw(error) {
    this.picture = null;
    this.closer = null;
    const reason = error instanceof Error ? error.message : String(/** @type {any} */ (error)?.found ?? error);
    setText(this.readOut, `This chart could not be drawn (${reason}); its figures stand in the table.`);
    this.table.open = true;
  }

  get held() { return this.view.held !== null; }

  /** What is shown. @returns {import("./limits.js").Limits} */
  limits() {
    const map = this.figure?.layers.find((layer) => layer.layer === "heat");
    return { x: this.view.range("x"), y: this.view.range("y"), heat: map ? this.heat ?? [map.low, map.high] : null };
  }

  /** Limits that stay whatever is shown next; null: the chart finds its own again. @param {import("./limits.js").Limits | null} limits */
  hold(limits) {
    this.heat = limits?.heat ?? null;
    this.view.hold(limits && { x: limits.x, y: limits.y });
  }

  redraw() {
    cancelAnimationFrame(this.frame);
    this.frame = requestAnimationFrame(() => this.draw());
  }

  /** @param {number} width @param {number} height @param {number} ratio @param {import("../protocol.js").Scheme} scheme
   * @returns {import("../protocol.js").View} */
  drawn(width, height, ratio, scheme) {
    return { width, height, pixel_ratio: ratio, scheme, x: this.view.shown.x, y: this.view.shown.y, heat: this.heat, pointer: null };
  }

  draw() {
    const { clientWidth: width, clientHeight: height } = this.box;
    const picture = this.best();
    if (!picture || !this.near || width < 40 || height < 40) return;
    try {
      const view = this.drawn(width, height, devicePixelRatio, this.world.state.results.scheme);
      this.plot = picture.draw(this.canvas, view);
      this.canvas.style.width = `${width}px`;
      this.canvas.style.height = `${height}px`;
    } catch (error) { this.cannotDraw(error); }
    this.svgSoon();
  }

  /** Off screen as well: the whole card prints. */
  svgSoon() {
    clearTimeout(this.svgTimer);
    this.svgTimer = setTimeout(() => this.readySvg(), SVG_AFTER_MS);
  }

  /** @param {import("../protocol.js").Scheme} scheme @param {number} width @param {number} height @returns {string | null} */
  svg(scheme, width, height) {
    try {
      return this.best()?.svg(this.drawn(width, height, 1, scheme)) ?? null;
    } catch (error) { this.cannotDraw(error); return null; }
  }

  /** As large as one can want it. */
  wholeSvg() { return this.svg("print", PRINT_WIDTH, this.hasHeat() ? 300 : 250); }

  hasHeat() { return this.figure !== null && hasHeat(this.figure); }

  /** Printing asks synchronously, so the picture stands ready. */
  readySvg() {
    const alone = (this.node.closest(".pictures")?.querySelectorAll(".chart").length ?? 1) < 2;
    const wide = alone || this.hasHeat();
    const text = this.svg("print", wide ? PRINT_WIDTH : PRINT_HALF, this.hasHeat() ? 220 : 190);
    if (text === null || this.ended.signal.aborted) return;
    if (this.printed.src) URL.revokeObjectURL(this.printed.src);
    this.printed.src = URL.createObjectURL(new Blob([text], { type: "image/svg+xml" }));
  }

  saveSvg() {
    const text = this.wholeSvg();
    if (text !== null) saveText(text, `ringdown-${this.figure?.id ?? "chart"}.svg`, "image/svg+xml");
  }

  /** From the SVG, not from the screen: some browsers falsify what is read from a visible canvas. */
  async savePng() {
    const text = this.wholeSvg();
    if (text === null) return;
    const address = URL.createObjectURL(new Blob([text], { type: "image/svg+xml" }));
    const image = new Image();
    image.src = address;
    await image.decode();
    const canvas = el("canvas", { width: image.naturalWidth * 2, height: image.naturalHeight * 2 });
    const context = canvas.getContext("2d");
    if (!context) return;
    context.fillStyle = "#fff";
    context.fillRect(0, 0, canvas.width, canvas.height);
    context.drawImage(image, 0, 0, canvas.width, canvas.height);
    URL.revokeObjectURL(address);
    canvas.toBlob((blob) => { if (blob) saveBlob(blob, `ringdown-${this.figure?.id ?? "chart"}.png`); });
  }

  /** Once the view has come to rest. */
  fillSoon() {
    clearTimeout(this.fillTimer);
    this.fillTimer = setTimeout(() => this.fillTable(), REQUERY_AFTER_MS);
  }

  fillTable() {
    if (!this.table.open || !this.figure) return;
    while (this.table.children.length > 1) this.table.lastElementChild?.remove();
    this.table.append(tableBox(figureTable(this.best() === this.closer?.picture ? this.closer.figure : this.figure, this.caption, this.view.range("x"))));
  }

  /** While the view moves the shown stretch is asked for at its own resolution, one question at a time. */
  requerySoon() {
    const { requery } = this.options;
    if (!requery || !this.figure) return;
    if (this.asking) { this.askAgain = true; return; }
    this.asking = true;
    this.requeryTimer = setTimeout(async () => {
      this.askAgain = false;
      try {
        const width = Math.max(60, Math.round(this.plot ? this.plot.right - this.plot.left : this.box.clientWidth));
        const figure = await requery(this.view.range("x"), this.view.range("y"), width);
        if (figure) await this.showCloser(figure);
      } catch { /* a newer question follows, or the fault already stands in the list */ }
      this.asking = false;
      if (this.askAgain && !this.ended.signal.aborted) this.requerySoon();
    }, REQUERY_AFTER_MS);
  }

  /** @param {number | null} x @param {number | null} y */
  point(x, y) {
    const { figure } = this;
    this.pointed = x === null || y === null ? null : [x, y];
    this.cross(x, y);
    if (!figure) return;
    setText(this.readOut, this.pointed ? this.readAt(...this.pointed) : "\u00a0");
    this.world.pointer.move(figure.x.quantity, x, this);
    if (figure.y.quantity !== figure.x.quantity) this.world.pointer.move(figure.y.quantity, y, this);
  }

  /** @param {number} x @param {number} y */
  readAt(x, y) {
    try { return this.best()?.read_out(x, y) || "\u00a0"; } catch { return "\u00a0"; } // a broken picture has said so already
  }

  /** @param {import("../protocol.js").Quantity} quantity @param {number | null} value @param {object} from */
  followPointer(quantity, value, from) {
    if (from === this || !this.figure) return;
    const onX = this.figure.x.quantity === quantity;
    const onY = this.figure.y.quantity === quantity;
    if (onX || onY) this.cross(onX ? value : null, onY ? value : null);
  }

  /** Thin lines over the canvas, so that following the pointer costs no redraw. @param {number | null} x @param {number | null} y */
  cross(x, y) {
    const { plot } = this;
    if (!plot) return;
    const to = scales(plot, this.view);
    const [px, py] = [x === null ? NaN : to.x.px(x), y === null ? NaN : to.y.px(y)];
    this.acrossX.hidden = !(px >= plot.left && px <= plot.right);
    this.acrossY.hidden = !(py >= plot.top && py <= plot.bottom);
    if (!this.acrossX.hidden) Object.assign(this.acrossX.style, { left: `${px}px`, top: `${plot.top}px`, height: `${plot.bottom - plot.top}px` });
    if (!this.acrossY.hidden) Object.assign(this.acrossY.style, { top: `${py}px`, left: `${plot.left}px`, width: `${plot.right - plot.left}px` });
  }

  /** @param {number} from @param {number} to in data units */
  strip(from, to) {
    if (!this.plot) return;
    const { x } = scales(this.plot, this.view);
    this.stripPixels(x.px(from), x.px(to));
  }

  /** @param {number | null} from @param {number | null} to in pixels */
  stripPixels(from, to) {
    const { plot } = this;
    this.band.hidden = from === null || to === null || !plot;
    if (from === null || to === null || !plot) return;
    Object.assign(this.band.style, {
      left: `${Math.min(from, to)}px`, width: `${Math.abs(to - from)}px`, top: `${plot.top}px`, height: `${plot.bottom - plot.top}px`,
    });
  }

  /** A figure that isn't there (yet). */
  clear() {
    this.turn += 1;
    this.picture?.free();
    this.picture = null;
    this.dropCloser();
    this.figure = null;
    this.canvas.width = 0;
    this.canvas.height = 0;
    this.canvas.setAttribute("aria-label", `${this.caption}: nothing to show yet`);
  }

  end() {
    this.ended.abort();
    clearTimeout(this.svgTimer);
    clearTimeout(this.requeryTimer);
    clearTimeout(this.fillTimer);
    cancelAnimationFrame(this.frame);
    this.clear();
    if (this.printed.src) URL.revokeObjectURL(this.printed.src);
    this.node.remove();
  }
}
