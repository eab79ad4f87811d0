/** Section 6. The window is typed, or its edges are dragged in any chart over crank angle. */

import { pairChoice, setChoice } from "./choice.js";
import { plainSection } from "./section.js";

/** @param {HTMLElement} root @param {import("./section.js").World} world @returns {() => void} */
export function windowSection(root, world) {
  const { state } = world;
  const unbind = pairChoice(root, state, {
    name: "window", low: "#window-start", high: "#window-end", auto: "#window-auto", fault: "#window-fault", what: "window",
  });
  const whole = (/** @type {number} */ value) => Math.round(value);
  const end = plainSection(root, world, {
    chart: () => ({
      edges: () => state.inputs.choices.window ?? state.results.settled?.window ?? null,
      setEdges: ([from, to]) => { if (whole(from) < whole(to)) setChoice(state, { window: [whole(from), whole(to)] }, "window"); },
    }),
  });
  return () => { unbind(); end(); };
}
