// What the page believes of the module (`Glue` in www/protocol.js) against what wasm-bindgen wrote for it: a class or a
// method that is missing or takes other arguments is a type error here. Never run.
import type { Bench, DemoMaker, Figure, Glue, Picture } from "../../../www/protocol.js";

/** The members a type names, without its index signature, which no class has. */
type Named<T> = { [K in keyof T as string extends K ? never : K]: T[K] };

/** Every call that the page's analyst makes of the worker's bench. */
type Calls =
  | "add" | "add_bytes" | "remove" | "sheet" | "set_sheet" | "choices" | "choose" | "set_role" | "set_column_role"
  | "label" | "files" | "step" | "verdict" | "title" | "section" | "figure" | "spectrogram" | "envelope" | "clip"
  | "limits_csv" | "summary_text" | "result_json" | "card_json";

type AnyCall = (...args: never[]) => unknown;

export const demo: new (evening: string) => DemoMaker = wasm_bindgen.Demo;
export const picture: new (figure: Figure) => Named<Picture> = wasm_bindgen.Picture;
export const bench: new () => Named<Bench> & Record<Calls, AnyCall> = wasm_bindgen.Bench;
export const start: (from: Parameters<Glue>[0]) => Promise<unknown> = wasm_bindgen;
