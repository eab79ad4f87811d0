/** A table pasted from a spreadsheet, or files pasted from a folder, are read like dropped files. */

const SMALLEST_TABLE = 2;

/** Lines with the same separator in each: a table, not a sentence. @param {string} text */
function isTable(text) {
  const lines = text.trim().split(/\r?\n/);
  return lines.length >= SMALLEST_TABLE && ["\t", ";", ","].some((sign) => lines.slice(0, 3).every((line) => line.includes(sign)));
}

/** @param {(files: File[]) => void} take @returns {() => void} what detaches it */
export function takePaste(take) {
  const stop = new AbortController();
  let count = 0;
  addEventListener("paste", (event) => {
    if (event.target instanceof HTMLInputElement || event.target instanceof HTMLTextAreaElement) return;
    const held = event.clipboardData;
    const files = [...held?.files ?? []];
    const text = held?.getData("text/plain") ?? "";
    if (!files.length && !isTable(text)) return;
    event.preventDefault();
    count += 1;
    take(files.length ? files : [new File([text], count > 1 ? `pasted-${count}.csv` : "pasted.csv", { type: "text/csv" })]);
  }, { signal: stop.signal });
  return () => stop.abort();
}
