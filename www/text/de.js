/** German texts of the page, by their English; `{}` stands for what changes. Texts of the core stand in its own tables. */

/** @type {Record<string, string>} */
export const GERMAN = {
  "Engine": "Motor",
};
