/** One worker of the bench page. */
"use strict";
importScripts("ringdown_bench.js");

let noise = null;
let work = "";

onmessage = async ({ data }) => {
  try {
    if (data.prepare) {
      await wasm_bindgen({ module_or_path: data.module });
      work = data.prepare;
      if (data.samples) noise = new wasm_bindgen.Noise(data.samples, data.seed);
      if (noise) noise[work](); // touches the memory once
      postMessage({});
    } else {
      postMessage({ figure: noise ? noise[work]() : wasm_bindgen[work](data.file) });
    }
  } catch (error) {
    postMessage({ error: String(error?.message ?? error) });
  }
};
