/** Files dropped anywhere on the page, or chosen. */

/** @param {(files: File[]) => void} take @returns {() => void} what detaches it */
export function takeDrops(take) {
  const stop = new AbortController();
  const { signal } = stop;
  let depth = 0;
  /** @param {DragEvent} event */
  const holdsFiles = (event) => [...event.dataTransfer?.types ?? []].includes("Files");
  const mark = () => document.documentElement.classList.toggle("dropping", depth > 0);
  addEventListener("dragenter", (event) => {
    if (!holdsFiles(event)) return;
    event.preventDefault();
    depth += 1;
    mark();
  }, { signal });
  addEventListener("dragover", (event) => { if (holdsFiles(event)) event.preventDefault(); }, { signal });
  addEventListener("dragleave", () => { depth = Math.max(0, depth - 1); mark(); }, { signal });
  addEventListener("drop", (event) => {
    if (!holdsFiles(event)) return;
    event.preventDefault();
    depth = 0;
    mark();
    take([...event.dataTransfer?.files ?? []]);
  }, { signal });
  return () => stop.abort();
}

/** Ties a button to a hidden file input. @param {HTMLElement} button @param {HTMLInputElement} input
 * @param {(files: File[]) => void} take */
export function takeChosen(button, input, take) {
  button.addEventListener("click", () => input.click());
  input.addEventListener("change", () => {
    take([...input.files ?? []]);
    input.value = ""; // so that the same file can be chosen again
  });
}
