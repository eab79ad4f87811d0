/** How fast, and whether through the band: one setting, wherever it can be changed. */

/** @param {import("./section.js").World} world @param {HTMLSelectElement} slow @param {HTMLInputElement} band
 * @returns {() => void} */
export function bindListening({ state, player }, slow, band) {
  const read = () => state.put({ listening: { slow: Number(slow.value), throughBand: band.checked } });
  slow.addEventListener("change", read);
  band.addEventListener("change", read);
  return state.watch(["listening"], () => {
    const { listening } = state.results;
    slow.value = String(listening.slow);
    band.checked = listening.throughBand;
    player.slow = listening.slow;
    player.throughBand = listening.throughBand;
  });
}
