/** Section 7. Nothing of its own to choose: sign, finding, pictures, tables, why, to do. */

import { plainSection } from "./section.js";

/** @param {HTMLElement} root @param {import("./section.js").World} world @returns {() => void} */
export function floorSection(root, world) { return plainSection(root, world); }
