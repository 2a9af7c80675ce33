// Hear a zone live: PCM over a WebSocket, scheduled piece by piece. One zone at a time. Needs no secure context.

const AHEAD_S = 0.25; // how far ahead of the clock sound is laid, against a network's hiccups
const MOST_S = 1.5;
const RETRY_MS = 1500;

export class Listener {
  constructor(said) {
    this.said = said; // (zone id or null, words)
    this.zone = null;
    this.volume = 0.7;
  }

  start(zone) {
    this.stop(false);
    this.zone = zone;
    this.context = new AudioContext({ latencyHint: "playback" });
    this.out = this.context.createGain();
    this.out.gain.value = this.volume;
    this.out.connect(this.context.destination);
    this.context.resume();
    this.#connect();
  }

  setVolume(volume) {
    this.volume = volume;
    if (this.out) this.out.gain.setTargetAtTime(volume, this.context.currentTime, 0.02);
  }

  stop(tell = true) {
    const zone = this.zone;
    this.zone = null;
    clearTimeout(this.again);
    this.socket?.close();
    this.context?.close();
    this.socket = this.context = this.out = null;
    if (tell && zone !== null) this.said(null, "Stopped listening");
  }

  #connect() {
    const zone = this.zone;
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const socket = new WebSocket(`${scheme}://${location.host}/api/zones/${encodeURIComponent(zone.id)}/listen`);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    this.format = null;
    this.next = 0;
    this.told = 0;
    this.said(zone.id, `Connecting to ${zone.name}`);
    socket.onmessage = ({ data }) => {
      if (this.socket !== socket) return;
      if (typeof data === "string") this.format = JSON.parse(data);
      else if (this.format !== null) this.#lay(data);
    };
    socket.onclose = ({ code, reason }) => {
      if (this.socket !== socket) return;
      if (code === 4404) {
        this.stop(false);
        this.said(null, reason || "There is nothing to listen to");
        return;
      }
      this.said(zone.id, `${zone.name} is lost${reason ? ` (${reason})` : ""}, trying again`);
      this.again = setTimeout(() => this.zone === zone && this.#connect(), RETRY_MS);
    };
  }

  #lay(bytes) {
    const { channels, sample_rate } = this.format;
    const samples = new Int16Array(bytes);
    const frames = samples.length / channels;
    if (!frames) return;
    const buffer = this.context.createBuffer(channels, frames, sample_rate);
    for (let c = 0; c < channels; c += 1) {
      const line = buffer.getChannelData(c);
      for (let i = 0, at = c; i < frames; i += 1, at += channels) line[i] = samples[at] / 32768;
    }
    const clock = this.context.currentTime;
    if (this.next < clock) this.next = clock + AHEAD_S;
    if (this.next > clock + MOST_S) return; // the network brought a heap at once: stay near the present
    const node = this.context.createBufferSource();
    node.buffer = buffer;
    node.connect(this.out);
    node.start(this.next);
    this.next += buffer.duration;
    if (Date.now() - this.told > 1000) {
      this.told = Date.now();
      const held = this.context.state !== "running";
      this.said(this.zone.id, held
        ? "The browser holds the sound back: press Listen again"
        : `Listening to ${this.zone.name}, about ${Math.max(0.1, this.next - clock).toFixed(1)} s behind`);
    }
  }
}
