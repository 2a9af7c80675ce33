// Hear a stored clip with the gain of a zone. One at a time. A browser has no limiter like the zone's, so every clip
// plays softer here by what the limiter may hold down: they compare as they will sound, and nothing crackles.

const SOFTER_DB = 6;

export class ClipSound {
  constructor({ audio, changed }) {
    Object.assign(this, { audio, changed });
    this.clip = null;
    this.volume = 1;
    for (const name of ["playing", "pause", "timeupdate", "seeking"]) audio.addEventListener(name, () => this.#tell());
    audio.addEventListener("ended", () => this.stop());
    audio.addEventListener("error", () => {
      if (this.clip === null) return;
      const title = this.clip.title;
      this.stop();
      this.changed(null, `${title} cannot be heard: its audio did not come, or this browser cannot play it.`);
    });
  }

  get softer_db() {
    return SOFTER_DB;
  }

  // gain: one of the clip's `gains`, or null where nothing is known
  async play(clip, gain) {
    if (this.clip?.id !== clip.id) {
      this.audio.pause();
      this.audio.src = `/api/clips/${encodeURIComponent(clip.id)}/audio`;
    }
    this.clip = clip;
    this.gain_db = gain?.gain_db ?? 0;
    if (!this.context) {
      this.context = new AudioContext({ latencyHint: "playback" });
      this.level = this.context.createGain();
      this.context.createMediaElementSource(this.audio).connect(this.level).connect(this.context.destination);
    }
    this.#level();
    await this.context.resume();
    try {
      await this.audio.play();
    } catch (problem) {
      if (problem.name === "NotAllowedError") this.changed(this, "The browser holds the sound back: press Listen again");
    }
  }

  setVolume(volume) {
    this.volume = volume;
    this.#level();
  }

  setGain(gain) {
    this.gain_db = gain?.gain_db ?? 0;
    this.#level();
  }

  get place() {
    const length = this.audio.duration;
    return Number.isFinite(length) && length > 0 ? this.audio.currentTime / length : 0;
  }

  seek(share) {
    if (Number.isFinite(this.audio.duration)) this.audio.currentTime = share * this.audio.duration;
  }

  toggle() {
    if (this.clip === null) return;
    if (this.audio.paused) this.audio.play();
    else this.audio.pause();
  }

  stop() {
    if (this.clip === null) return;
    this.clip = null;
    this.audio.pause();
    this.audio.removeAttribute("src");
    this.audio.load();
    this.context?.suspend();
    this.#tell();
  }

  #level() {
    if (!this.level) return;
    this.level.gain.value = 10 ** ((this.gain_db - SOFTER_DB) / 20) * this.volume;
  }

  #tell() {
    this.changed(this.clip === null ? null : this);
  }
}
