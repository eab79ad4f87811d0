/** What the readers and the boundary say is English in their source; the page has German for every one of it. No browser. */
import assert from "node:assert/strict";
import { readFileSync, readdirSync } from "node:fs";
import { test } from "node:test";
import { fileURLToPath } from "node:url";
import { translated } from "../../www/parts/language.js";

const ROOT = fileURLToPath(new URL("../../crate/", import.meta.url));

/** Where a user's sentences come from. Of the other parts of the core all text stands in its own tables. */
const SOURCES = [
  "ringdown/src/error.rs",
  ...["read", "card"].flatMap((folder) => sourcesIn(`ringdown/src/${folder}`)),
  ...sourcesIn("ringdown-web/src"),
];
/** Words that are looked for in files, and laws of the tests. */
const NO_SENTENCES = ["ringdown/src/read/names.rs", "ringdown/src/read/hostile.rs", "ringdown/src/read/number.rs"];
const TRADES = "ringdown/src/read/trade.rs";

/** @param {string} folder @returns {string[]} */
function sourcesIn(folder) {
  const all = readdirSync(ROOT + folder, { recursive: true }).map(String).filter((name) => name.endsWith(".rs"));
  return all.map((name) => `${folder}/${name}`).sort();
}

/** The texts in quotes of a Rust source, without comments, attributes, bytes and tests; at most its first half million characters.
 * @param {string} source @returns {string[]} */
function textsOf(source) {
  const found = [];
  const code = source.split("#[cfg(test)]")[0];
  const token = /\/\/[^\n]*|#\[[^\]]*\]|'(?:\\.|[^\\'])[^']{0,8}?'|b?r#"[\s\S]*?"#|(b?)"((?:\\[\s\S]|[^"\\])*)"/g;
  for (const [, bytes, text] of code.matchAll(token)) {
    if (text === undefined || bytes) continue;
    found.push(text.replace(/\\\n\s*/g, "").replace(/\\(["\\])/g, "$1").replaceAll("\\n", "\n"));
  }
  return found;
}

/** A sentence with a number in each place. @param {string} text */
const filled = (text) => text.replaceAll("{{", "\u0001").replaceAll("}}", "\u0002").replace(/\{[^{}]*\}/g, "7").replaceAll("\u0001", "{").replaceAll("\u0002", "}");

/** English words beside what is put in: one alone may be a key of a file. @param {string} text */
const isSentence = (text) => / /.test(text.trim()) && /\p{Ll}{2}/u.test(text.replace(/\{[^{}]*\}/g, ""));

test("the texts of a source are found, its comments, bytes and tests are not", () => {
  const source = "// \"no\"\n#[serde(rename = \"no\")]\nlet a = 'x'; let b = b\"no\"; f(\"one {x}\", '\"', \"two\\\n   more\");\n#[cfg(test)] \"no\"";
  assert.deepEqual(textsOf(source), ["one {x}", "twomore"]);
});

/** Texts that stand only within a longer one, and that one as a user meets it. @type {Record<string, string>} */
const WITHIN = {
  "byte {at}": "x.wav, byte 7: the file is empty",
  "line {line} (byte {byte})": "x.csv, line 7 (byte 9): the file is empty",
  "line {line}": "x.csv, line 7: the file is empty",
  "field {name}": "x.json, field bore_mm: the file is empty",
  "rows without a readable time were left out": "7 rows without a readable time were left out",
  "rows whose time steps back were left out": "7 rows whose time steps back were left out",
  "times the clock starts anew: what follows was placed {gap_s:.3} s after what came before": "7 times the clock starts anew: what follows was placed 0.100 s after what came before",
  "{} with {} Hz, {} channels": "48000 Hz in a.wav, b.wav with 44100 Hz, 2 channels",
  "{rate} Hz in {}, {}": "48000 Hz in a.wav, b.wav with 44100 Hz, 2 channels",
  "{channels} channels in {}, {}": "2 channels in a.wav, b.wav with 44100 Hz, 1 channels",
  "rise steadily, as a clock does": "no name says so, but the values (0 to 7) rise steadily, as a clock does",
  "look like an engine speed": "no name says so, but the values (0 to 7) look like an engine speed",
  "no name says so, but the values ({values}) {what}": "no name says so, but the values (0 to 7) look like an engine speed",
  ", the unit is {unit}": "the name says knock level, the unit is V",
  "values {}{}": "values 0 to 7",
  " are unusual": "the name says engine speed, values 0 to 7 are unusual, but another column fits better; converted from rps to 1/min",
};
/** Texts that nobody is shown: names of units that are looked for, what a debugger prints, the mark before a JSON fault's line. */
const NOT_SHOWN = [" at line ", "rpm x1000", "deg f", "no file", "Samples({name}, {sample_rate_hz} Hz, {channels} channels, {frames} frames, {form:?})"];

/** English words that no German sentence holds. */
const ENGLISH = /\b(the|of|and|that|with|found|expected|which|are|this|were|values|name|says|unit|fits)\b/;

/** Every sentence of the sources: a text, and what is looked up for it. @returns {[string, string][]} */
function sentences() {
  const files = SOURCES.filter((file) => !NO_SENTENCES.includes(file) && file !== TRADES);
  const all = files.flatMap((file) => textsOf(readFileSync(ROOT + file, "utf8"))).filter(isSentence);
  const trades = [...readFileSync(ROOT + TRADES, "utf8").matchAll(/\bwhat: "([^"]+)"|\(Role::\w+, "([^"]+)"\)/g)];
  return [
    ...all.map((text) => /** @type {[string, string]} */ ([text, WITHIN[text] ?? text])),
    ...trades.map(([, what, of]) => /** @type {[string, string]} */ ([what ?? of, `the name says ${what ?? of}`])),
  ];
}

test("every sentence of the readers and of the boundary has its German", () => {
  const said = sentences();
  assert(said.length > 250, `only ${said.length} sentences`);
  const lacks = said.filter(([text, whole]) => !NOT_SHOWN.includes(text)
    && [whole, filled(whole)].every((one) => { const german = translated("de", one); return german === null || ENGLISH.test(german); }));
  assert.deepEqual(lacks, []);
  const known = new Set(said.map(([text]) => text));
  assert.deepEqual([...Object.keys(WITHIN), ...NOT_SHOWN].filter((text) => !known.has(text)), [], "exceptions that the sources hold no more");
});

/** What serde_json 1.0 says of text that is no JSON (its `src/error.rs`, `impl Display for ErrorCode`). */
const NO_JSON = ["EOF while parsing a list", "EOF while parsing an object", "EOF while parsing a string", "EOF while parsing a value", "expected `:`", "expected `,` or `]`",
  "expected `,` or `}`", "expected ident", "expected value", "expected `\"`", "invalid escape", "invalid number", "number out of range", "invalid unicode code point",
  "control character (\\u0000-\\u001F) found while parsing a string", "key must be a string", "lone leading surrogate in hex escape", "trailing comma", "trailing characters",
  "unexpected end of hex escape", "recursion limit exceeded"];

test("what is wrong with a JSON text is said in German", () => {
  const said = NO_JSON.map((text) => translated("de", `x.json, line 1 (byte 0): found broken JSON (${text}), expected valid JSON; correct it in a text editor or on the page, and drop the file again`));
  assert.deepEqual(said.filter((german) => !german || / (while|expected|found|or|invalid|must|end|limit) /.test(german)), []);
});

test("whole sentences come out as a German reads them", () => {
  /** @type {[string, string][]} */
  const table = [
    ["s.json, field bore_mm: 9000 is outside 20 to 400 mm (piston engines; inches are multiplied by 25.4); correct the value and drop the file again",
      "s.json, Feld bore_mm: 9000 liegt außerhalb (erlaubt: 20 bis 400 mm (Kolbenmotoren; Zoll mal 25,4)); den Wert berichtigen und die Datei wieder ablegen"],
    ["c.json, field marks[0].label: found nothing, expected safe, knock or exclude; correct it in a text editor or on the page, and drop the file again",
      "c.json, Feld marks[0].label: nichts gefunden, safe, knock oder exclude erwartet; in einem Texteditor oder auf der Seite berichtigen und die Datei wieder ablegen"],
    ["the name says engine speed, the unit 1/min fits, values 700 to 6200", "der Name sagt Drehzahl, die Einheit 1/min passt, Werte 700 bis 6200"],
    ["the name says load, the unit psi fits, values 0 to 20 are unusual; converted from psi to kPa", "der Name sagt Last, die Einheit psi passt, die Werte 0 bis 20 sind ungewöhnlich; umgerechnet von psi in kPa"],
    ["1.55 to 2.45", "1.55 bis 2.45"],
    ["out of memory. To do: try again; reload the page if it repeats", "out of memory. Zu tun: noch einmal versuchen; bei Wiederholung die Seite neu laden"],
  ];
  for (const [english, german] of table) assert.equal(translated("de", english), german);
});
