/** Listening: one stretch at a time, at full speed or slowed, as recorded or through the band. */

/** @typedef {import("../protocol.js").Play} Play */
/** @typedef {import("../protocol.js").Clip} Clip */

export class Player {
  /** @param {(play: Play, throughBand: boolean, slow: number) => Promise<Clip>} fetchClip */
  constructor(fetchClip) {
    this.fetchClip = fetchClip;
    /** @type {AudioContext | null} */
    this.audio = null;
    /** @type {AudioBufferSourceNode | null} */
    this.source = null;
    /** @type {HTMLElement | null} */
    this.button = null;
    this.slow = 1;
    this.throughBand = false;
  }

  /** Plays, or stops when `button` is what plays. @param {Play} play @param {HTMLElement} button */
  async toggle(play, button) {
    const again = this.button === button;
    this.stop();
    if (again) return;
    this.audio ??= new AudioContext(); // only now: sound needs the user's gesture
    this.button = button;
    button.setAttribute("aria-pressed", "true");
    try {
      const clip = await this.fetchClip(play, this.throughBand, this.slow);
      if (this.button === button) this.start(clip, button);
    } catch (error) {
      this.stop();
      throw error;
    }
  }

  /** @param {Clip} clip @param {HTMLElement} button */
  start(clip, button) {
    const audio = /** @type {AudioContext} */ (this.audio);
    const buffer = audio.createBuffer(1, Math.max(1, clip.samples.length), clip.sample_rate_hz);
    buffer.copyToChannel(new Float32Array(clip.samples), 0);
    const source = audio.createBufferSource();
    source.buffer = buffer;
    source.connect(audio.destination);
    source.onended = () => { if (this.button === button) this.stop(); };
    source.start();
    this.source = source;
  }

  stop() {
    this.source?.stop();
    this.source = null;
    this.button?.setAttribute("aria-pressed", "false");
    this.button = null;
  }
}
