// The glue that wasm-bindgen writes (`ringdown.js`, target no-modules): one global, seen by page and worker.
declare const wasm_bindgen: import("./protocol.js").Glue;
