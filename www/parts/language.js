/**
 * The page in another language. It is written in English, in index.html and in the sections; this looks up every text
 * the page shows, as it appears, in the table of the language (`text/de.js`) and sets the other in its place. Texts of the
 * core come translated already and are in no table. A key with `{}` stands for any text with something in that place.
 */

import { GERMAN } from "../text/de.js";
import { GERMAN_OF_FILES } from "../text/files.de.js";

const ALL_GERMAN = { ...GERMAN, ...GERMAN_OF_FILES };

const NAMED = ["aria-label", "title", "placeholder", "alt", "aria-roledescription"];
/** What a user or a file wrote is nobody's to translate. */
const LEFT_ALONE = "script, style, textarea, #title, .hash, .own-words, svg";

/** @typedef {{ plain: Map<string, string>, patterns: [RegExp, string][] }} Table */

/** @param {string} text as a pattern that takes anything in place of `{}`, a number in place of `{#}` */
const pattern = (text) => new RegExp(`^${text.replace(/[.*+?^$|()[\]\\]/g, "\\$&").replaceAll("{}", "(.+?)").replaceAll("{#}", "([-\u2212]?\\d[\\d.,\\s]*)")}$`, "s");

/** @param {Record<string, string>} texts @returns {Table} */
function tableOf(texts) {
  const [fixed, open] = [Object.entries(texts).filter(([key]) => !/\{#?\}/.test(key)), Object.entries(texts).filter(([key]) => /\{#?\}/.test(key))];
  const words = (/** @type {[string, string]} */ [key]) => key.replace(/\{#?\}/g, "").length;
  open.sort((one, other) => words(other) - words(one)); // of two that fit, the one that says more
  return { plain: new Map(fixed), patterns: open.map(([key, text]) => [pattern(key), text]) };
}

/** Two fifths longer, as translations run, and marked at both ends. @param {string} text */
function lengthened(text) {
  const more = Math.max(2, Math.ceil((text.match(/\p{L}/gu) ?? []).length * 0.4));
  return `\u27e6${text} ${"ëxtrà ".repeat(Math.ceil(more / 6)).slice(0, more)}\u27e7`;
}

/** @type {Record<string, () => Table>} */
const TABLES = {
  de: () => tableOf(ALL_GERMAN),
  "en-x-long": () => tableOf(Object.fromEntries(Object.keys(ALL_GERMAN).map((key) => [key, lengthened(key)]))),
};

/** The text in the other language, or null when it is in no table. @param {Table} table @param {string} text */
function looked(table, text) {
  const plain = table.plain.get(text);
  if (plain !== undefined) return plain;
  for (const [from, to] of table.patterns) {
    const found = from.exec(text);
    if (!found) continue;
    let at = 0;
    return to.replace(/\{#?\}/g, () => { at += 1; return looked(table, found[at]) ?? found[at]; });
  }
  return listed(table, text, "; ") ?? listed(table, text, ", ");
}

/** Several texts in a row, each in the other language, or null when one of them is in no table. @param {Table} table @param {string} text
 * @param {string} between @returns {string | null} */
function listed(table, text, between) {
  const parts = text.split(between);
  if (parts.length < 2) return null;
  const others = [];
  for (const part of parts) {
    const other = looked(table, part);
    if (other === null) return null;
    others.push(other);
  }
  return others.join(between);
}

const TO_DO = ". To do: ";

/** Words of a place in a file. @type {Record<string, Record<string, string>>} */
const PLACES = { de: { byte: "Byte", line: "Zeile", field: "Feld", "To do": "Zu tun" } };

/** A file's name and a place in it. @param {string} text @param {string} tag */
const placed = (text, tag) => text.replace(/(, |\()(byte|line|field) /g, (_, before, word) => `${before}${PLACES[tag]?.[word] ?? word} `);

/** What was found, what is to be done: both in the other language, or null. @param {Table} table @param {string} text @param {string} between
 * @param {string} joined */
function halves(table, text, between, joined) {
  for (let at = text.indexOf(between); at >= 0; at = text.indexOf(between, at + 1)) {
    const [found, todo] = [looked(table, text.slice(0, at)), looked(table, text.slice(at + between.length))];
    if (found !== null && todo !== null) return found + joined + todo;
  }
  return null;
}

/** A sentence about a file, in two forms: `name, place: what; what to do` and `name, place: what. To do: what to do`.
 * @param {Table} table @param {string} text @param {string} tag @returns {string | null} */
function aboutFile(table, text, tag) {
  if (!text.includes("; ") && !text.includes(TO_DO)) return null;
  const words = PLACES[tag] ?? {};
  const two = (/** @type {string} */ part) => halves(table, part, TO_DO, `. ${words["To do"] ?? "To do"}: `) ?? halves(table, part, "; ", "; ");
  for (let at = text.indexOf(": "); at >= 0; at = text.indexOf(": ", at + 1)) {
    const said = two(text.slice(at + 2));
    if (said !== null) return `${placed(text.slice(0, at), tag)}: ${said}`;
  }
  return two(text);
}

/** A note without anything to do: `name, place: what`. @param {Table} table @param {string} text @param {string} tag */
function afterName(table, text, tag) {
  for (let at = text.indexOf(": "); at >= 0; at = text.indexOf(": ", at + 1)) {
    const said = looked(table, text.slice(at + 2));
    if (said !== null) return `${placed(text.slice(0, at), tag)}: ${said}`;
  }
  return null;
}

/** A fault in a browser's own words: what is to be done about it alone. @param {Table} table @param {string} text @param {string} tag */
function todoOf(table, text, tag) {
  const at = text.indexOf(TO_DO);
  const todo = at > 0 ? looked(table, text.slice(at + TO_DO.length)) : null;
  return todo === null ? null : `${text.slice(0, at)}. ${PLACES[tag]?.["To do"] ?? "To do"}: ${todo}`;
}

/** What the page shows for an English text, or null when it is in no table. @param {string} tag @param {string} text */
export function translated(tag, text) {
  const table = TABLES[tag]?.();
  return table ? inOther(table, text, tag) : null;
}

/** @param {Table} table @param {string} words @param {string} tag */
const inOther = (table, words, tag) => table.plain.get(words) ?? aboutFile(table, words, tag) ?? looked(table, words) ?? todoOf(table, words, tag) ?? afterName(table, words, tag);

export class PageLanguage {
  /** @param {HTMLElement} root */
  constructor(root) {
    this.root = root;
    /** @type {Table | null} */
    this.table = null;
    this.tag = "en";
    /** What stood there in English, and what stands there now. @type {Map<Node, Map<string, [string, string]>>} */
    this.set = new Map();
    this.observer = new MutationObserver((changes) => this.follow(changes));
  }

  /** @param {string} tag */
  speak(tag) {
    document.documentElement.lang = tag === "en-x-long" ? "en" : tag;
    this.observer.disconnect();
    this.restore();
    this.table = TABLES[tag]?.() ?? null;
    this.tag = tag;
    if (!this.table) return;
    this.translate(this.root);
    this.observe();
  }

  observe() {
    this.observer.observe(this.root, { subtree: true, childList: true, characterData: true, attributes: true, attributeFilter: NAMED });
  }

  restore() {
    for (const [node, texts] of this.set) {
      for (const [name, [english, here]] of texts) if (this.read(node, name) === here) this.write(node, name, english);
    }
    this.set.clear();
  }

  /** @param {Node} node @param {string} name of an attribute; "" for the text itself */
  read(node, name) { return name ? /** @type {Element} */ (node).getAttribute(name) : node.nodeValue; }

  /** @param {Node} node @param {string} name @param {string} text */
  write(node, name, text) {
    if (name) /** @type {Element} */ (node).setAttribute(name, text);
    else node.nodeValue = text;
  }

  /** @param {MutationRecord[]} changes */
  follow(changes) {
    this.observer.disconnect(); // what is set here is no news
    for (const { type, target, addedNodes, attributeName } of changes) {
      if (type === "childList") for (const node of addedNodes) this.translate(node);
      else if (type === "attributes" && attributeName) this.one(target, attributeName);
      else this.one(target, "");
    }
    for (const node of this.set.keys()) if (!node.isConnected) this.set.delete(node);
    this.observe();
  }

  /** @param {Node} top */
  translate(top) {
    const around = top instanceof Element ? top : top.parentElement;
    if (!around || around.closest(LEFT_ALONE)) return;
    if (top instanceof Text) return this.one(top, "");
    const walker = document.createTreeWalker(top, NodeFilter.SHOW_ELEMENT | NodeFilter.SHOW_TEXT, (node) => (
      node instanceof Element && node.matches(LEFT_ALONE) ? NodeFilter.FILTER_REJECT : NodeFilter.FILTER_ACCEPT));
    for (let node = /** @type {Node | null} */ (walker.currentNode); node; node = walker.nextNode()) {
      if (node instanceof Element) for (const name of NAMED) this.one(node, name);
      else this.one(node, "");
    }
  }

  /** @param {Node} node @param {string} name */
  one(node, name) {
    const text = this.read(node, name);
    const core = text?.trim();
    if (!text || !core || !this.table || this.set.get(node)?.get(name)?.[1] === text) return;
    const words = core.replace(/\s+/g, " ");
    const other = inOther(this.table, words, this.tag);
    if (other === null) return;
    const here = text.replace(core, () => other);
    const texts = this.set.get(node) ?? new Map();
    texts.set(name, [text, here]);
    this.set.set(node, texts);
    this.write(node, name, here);
  }
}
