/** One pointer across all charts, tied by what an axis measures: time, angle, frequency, speed. */

/** @typedef {import("../protocol.js").Quantity} Quantity */
/** @typedef {(quantity: Quantity, value: number | null, from: object) => void} Follower */

/** Levels and shares of different charts are different things: only these are one quantity wherever they stand. */
const SHARED = ["time", "angle", "frequency", "speed"];

export class LinkedPointer {
  constructor() {
    /** @type {Set<Follower>} */
    this.followers = new Set();
  }

  /** @param {Follower} follower @returns {() => void} what ends it */
  follow(follower) {
    this.followers.add(follower);
    return () => this.followers.delete(follower);
  }

  /** @param {Quantity} quantity @param {number | null} value null: the pointer has left @param {object} from */
  move(quantity, value, from) {
    if (!SHARED.includes(quantity)) return;
    for (const follower of this.followers) follower(quantity, value, from);
  }
}
