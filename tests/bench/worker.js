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
    } else if (data.half === "first") {
      const half = new wasm_bindgen.LogHalf(data.file);
      const second = new Promise((resolve) => { data.to.onmessage = (message) => resolve(message.data); });
      half.first();
      postMessage({ figure: half.sum(await second) });
    } else if (data.half === "second") {
      const pieces = wasm_bindgen.Halved.of(data.file, undefined).read_second();
      data.to.postMessage(pieces, pieces.map((piece) => piece.buffer));
      postMessage({ figure: 0 });
    } else {
      postMessage({ figure: noise ? noise[work]() : wasm_bindgen[work](data.file, data.part, data.of) });
    }
  } catch (error) {
    postMessage({ error: String(error?.message ?? error) });
  }
};
