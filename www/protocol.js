/**
 * What page and worker say to each other, and the shapes that cross the wasm boundary. Types only.
 *
 * `gen` counts the user's choices. A question that belongs to an older count is not worth an answer ("stale");
 * `null` marks one that does not depend on choices.
 *
 * @typedef {{ file: string, place: string, found: string, todo: string, asks?: "raw" | null }} Fault   one sentence in four parts;
 *   `asks`: what would make the file usable after all
 * @typedef {{ sample_rate_hz: number, channels: number, word: string, skip: number }} RawForm   samples without a header
 * @typedef {{ raw: RawForm | null, log_rate_hz: number | null }} Told   what the user says of a file that it does not say itself
 * @typedef {"after" | "beside"} Join   files of one run
 * @typedef {"waiting" | "working" | "holds" | "look" | "not-enough"} SectionState
 * @typedef {{ text: string, need: boolean }} Cell
 * @typedef {{ file: number, channel: number, from_s: number, to_s: number }} Play
 * @typedef {{ cells: Cell[], chosen: boolean, play?: Play | null }} Row
 * @typedef {{ id: string, caption: string, columns: string[], rows: Row[] }} Table
 * @typedef {{ id: string, caption: string, summary: string }} FigureRef
 * @typedef {{ section: number, state: SectionState, finding: string, why: string[], todo: string[],
 *   cautions: string[], tables: Table[], figures: FigureRef[] }} SectionView
 * @typedef {{ question: string, state: SectionState, sentence: string }} VerdictLine
 *
 * @typedef {"safe" | "knock" | "before" | "after" | "engine-off" | "listen"} FileRole
 * @typedef {{ channel: number, name: string, unit: string, role: string, reason: string }} ChannelRow
 * @typedef {{ id: number, name: string, kind: "recording" | "log" | "sheet" | "card", what: string, role: FileRole | null,
 *   role_reason: string, duration_s: number | null, bytes: number, sha256: string, sensors: number[], is_measured: boolean,
 *   channels: ChannelRow[], notes: string[] }} FileRow
 * @typedef {{ id: number, name: string, kind: FileRow["kind"], notes: string[], more?: Added[] }} Added   `more`: the other files of an archive
 * @typedef {"safe" | "knock" | "exclude"} MarkLabel
 * @typedef {{ file: string, from_s: number, to_s: number, label: MarkLabel, ignition_deg_btdc: number | null,
 *   load: number | null, fuel: string | null, coolant_c: number | null }} Mark
 * @typedef {{ id: number, name: string, sha256: string, wanted: string }} RefusedFile   not the one a saved card means
 * @typedef {{ marks: Mark[], labels: { file: string, t_s: number, knock: boolean }[],
 *   missing: { name: string, sha256: string | null }[], refused: RefusedFile[] }} Brought   what a saved card brought along
 *
 * @typedef {{ band: [number, number] | null, window: [number, number] | null, false_alarm: number,
 *   confidence: number, breakpoints: number[] | null, feature: string,
 *   rule: string | null, shape: string, use_anyway: string[],
 *   filters?: { column: string, low: number, high: number }[], sensors_changed?: boolean, match_temperature?: boolean,
 *   settled?: { band: [number, number] | null, window: [number, number] | null, chosen_by: string } }} Choices
 * @typedef {{ [field: string]: any }} Sheet   the fixed shape, unknown fields kept
 *
 * @typedef {"time" | "angle" | "frequency" | "speed" | "level" | "share" | "other"} Quantity
 * @typedef {{ label: string, quantity: Quantity, low: number, high: number, scale: "linear" | "log",
 *   ticks: [number, string][] }} Axis
 * @typedef {{ layer: string, [field: string]: any }} Layer
 * @typedef {{ id: string, summary: string, x: Axis, y: Axis, layers: Layer[] }} Figure
 * @typedef {"paper" | "sun" | "print"} Scheme
 * @typedef {{ width: number, height: number, pixel_ratio: number, scheme: Scheme, x: [number, number] | null,
 *   y: [number, number] | null, heat: [number, number] | null,
 *   pointer: [number | null, number | null] | null }} View
 * @typedef {{ left: number, top: number, right: number, bottom: number, x: [number, number],
 *   y: [number, number] }} Plot   edges in CSS pixels, shown ranges in data units
 * @typedef {{ sample_rate_hz: number, samples: Float32Array }} Clip
 *
 * @typedef {{ share: number, done: boolean, working: number | null, changed: number[], waiting: boolean }} Step
 * @typedef {{ name: string, bytes: Uint8Array<ArrayBuffer>, role: FileRole | null }} DemoFile
 * @typedef {{ step(): { share: number, done: boolean }, finish(): DemoFile[], free(): void }} DemoMaker
 * @typedef {{ draw(canvas: HTMLCanvasElement, view: View): Plot, plot(view: View): Plot, svg(view: View): string,
 *   read_out(x: number, y: number): string, free(): void }} Picture
 * @typedef {{ step(budgetMs: number): Step, section(n: number): SectionView, verdict(): VerdictLine[],
 *   title(): string, files(): FileRow[], [call: string]: (...args: any[]) => any }} Bench
 * @typedef {{ read_first(): void, read_second(): Uint8Array<ArrayBuffer>[], free(): void }} Halved
 * @typedef {{ number: number, file: number, is_short: boolean, into_order(): Uint8Array<ArrayBuffer> }} Errand   for another worker
 * @typedef {{ begin(order: Uint8Array): void, step(budgetMs: number): Uint8Array<ArrayBuffer> | undefined, free(): void }} Runner   does errands about one file
 * @typedef {{ Bench: new () => Bench, speak: (tag: string, comma: boolean) => void, Demo: new (evening: string) => DemoMaker,
 *   Runner: new (file: File, told: Told | undefined) => Runner,
 *   Halved: { of(file: File, told: Told | undefined): Halved | undefined },
 *   Picture: new (figure: Figure) => Picture,
 *   (from: { module_or_path: WebAssembly.Module }): Promise<unknown> }} Glue
 *
 * @typedef {{ start: WebAssembly.Module }} Start
 * @typedef {{ id: number, gen: number | null, call: string, args: unknown[] }} Request
 * @typedef {{ tell: "ready" }} Ready
 * @typedef {{ tell: "done", id: number, value: any }} Done
 * @typedef {{ tell: "failed", id: number | null, error: Fault | "stale" }} Failed
 * @typedef {{ tell: "trapped", id: number | null, doing: string, message: string }} Trapped   this worker is spent
 * @typedef {{ tell: "progress", gen: number, share: number, left_s: number | null, working: number | null,
 *   done: boolean, stopped: boolean, doing: string }} Progress
 * @typedef {{ tell: "view", gen: number, view: SectionView }} Shown
 * @typedef {{ tell: "verdict", gen: number, lines: VerdictLine[], title: string }} Verdict
 * @typedef {{ tell: "files", gen: number, files: FileRow[] }} Files
 * @typedef {{ tell: "alive" }} Alive
 * @typedef {{ tell: "second", file: File, told: Told | undefined, to: MessagePort }} AskSecond   another worker is to read the second
 *   half of this log and hand it to `to`
 * @typedef {{ tell: "mate", to: MessagePort }} AskMate   another worker is to do errands that come from `to`
 * @typedef {{ number?: number, brought?: Uint8Array, lost?: boolean }} MateAnswer   neither: it is at work; `lost`: it broke down
 * @typedef {{ start: WebAssembly.Module, file?: File, told?: Told, to: MessagePort }} Second   the order for either; without
 *   a file, errands
 * @typedef {Ready | Done | Failed | Trapped | Progress | Shown | Verdict | Files | Alive | AskSecond | AskMate} Answer
 */

export {};
