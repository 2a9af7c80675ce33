// Every clip as a card: what it is, whether it is fit to air, its numbers, what plays it, and its picture on demand.

import { counted, element, listed } from "./words.js";

const FORMATS = { 1: "mono zones", 2: "stereo zones" };
const ORDER = ["missing", "quiet", "unknown", "look", "fit"];
const WORDS = { missing: "No audio", quiet: "Too quiet", unknown: "Level unknown", look: "Fit, with a remark", fit: "Fit to air" };

export const formatWords = (channels) => FORMATS[channels];
export const number = (value) => (Math.round(value * 10) / 10 || 0).toFixed(1).replace("-", "\u2212");
export const signed = (value) => `${Math.round(value * 10) < 0 ? "" : "+"}${number(value)}`;
export const byNeed = (clips) =>
  clips.toSorted?.((a, b) => ORDER.indexOf(a.verdict) - ORDER.indexOf(b.verdict))
  ?? [...clips].sort((a, b) => ORDER.indexOf(a.verdict) - ORDER.indexOf(b.verdict));

export function length(ms) {
  const seconds = ms / 1000;
  if (seconds < 60) return `${seconds.toFixed(1)} s`;
  const whole = Math.round(seconds);
  const pad = (n) => String(n).padStart(2, "0");
  const hours = Math.floor(whole / 3600);
  const rest = `${hours ? pad(Math.floor(whole / 60) % 60) : Math.floor(whole / 60)}:${pad(whole % 60)}`;
  return hours ? `${hours}:${rest} h` : `${rest} min`;
}

export class Cards {
  constructor({ place, listen, opened }) {
    Object.assign(this, { place, listen, opened });
    this.cards = new Map();
  }

  show(clips) {
    const ids = new Set(clips.map((clip) => clip.id));
    for (const [id, card] of this.cards) {
      if (ids.has(id)) continue;
      card.box.remove();
      this.cards.delete(id);
    }
    byNeed(clips).forEach((clip, at) => {
      const key = JSON.stringify(clip);
      let card = this.cards.get(clip.id);
      if (card === undefined || card.key !== key) {
        const made = this.#card(clip, key);
        card?.box.replaceWith(made.box);
        if (card?.open && card.clip.sha256 === clip.sha256) this.#toggle(made);
        card = made;
        this.cards.set(clip.id, card);
      }
      if (this.place.children[at] !== card.box) this.place.insertBefore(card.box, this.place.children[at] ?? null);
    });
  }

  // Which fit what was typed; returns how many.
  filter(text) {
    const words = text.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const card of this.cards.values()) {
      const fits = words.every((word) => card.text.includes(word));
      card.box.hidden = !fits;
      if (fits) shown += 1;
    }
    return shown;
  }

  get(id) {
    return this.cards.get(id);
  }

  // What is heard, and how far: a line in its picture, if that is open.
  follow(id, share) {
    for (const card of this.cards.values()) {
      const heard = card.clip.id === id;
      card.listen?.setAttribute("aria-pressed", String(heard));
      if (card.listen) card.listen.textContent = heard ? "Stop" : "Listen";
      if (!card.line) continue;
      card.line.hidden = !heard;
      if (heard) {
        const { left, right } = card.plot;
        card.line.style.left = `${left + share * (right - left)}px`;
      }
    }
  }

  redraw() {
    for (const card of this.cards.values()) if (card.open) this.opened(card);
  }

  #card(clip, key) {
    const card = { clip, key, open: false };
    card.text = [clip.title, clip.id, clip.kind, WORDS[clip.verdict], clip.original ?? "", ...clip.used_by.map((use) => use.title)]
      .join(" ").toLowerCase();
    const title = `clip-title-${clip.id}`;
    const actions = element("div", { class: "clip-actions" });
    if (clip.stored) {
      card.listen = element("button", { type: "button", class: "hear", "aria-pressed": "false", "aria-describedby": title, onclick: () => this.listen(card) }, "Listen");
      card.look = element("button", { type: "button", class: "look", "aria-expanded": "false", "aria-describedby": title, "aria-controls": `picture-${clip.id}`, onclick: () => this.#toggle(card) }, "Picture");
      actions.append(card.listen, card.look);
    }
    card.figure = element("div", { class: "picture", id: `picture-${clip.id}`, hidden: true });
    card.box = element("li", { class: "clip", id: `clip-${clip.id}`, "data-verdict": clip.verdict },
      element("div", { class: "clip-words" },
        element("h3", { id: title }, clip.title, " ", element("span", { class: "tag" }, clip.kind)),
        element("p", { class: "verdict" }, clip.sentence),
        element("p", { class: "soft" }, usedBy(clip))),
      numbers(clip), actions, card.figure);
    return card;
  }

  #toggle(card) {
    card.open = !card.open;
    card.look.setAttribute("aria-expanded", String(card.open));
    card.look.textContent = card.open ? "Close picture" : "Picture";
    card.figure.hidden = !card.open;
    if (card.open) this.opened(card);
  }
}

function usedBy(clip) {
  const plays = clip.used_by.filter((use) => use.part === "clip").map((use) => use.title);
  const opens = clip.used_by.filter((use) => use.part === "chime").map((use) => use.title);
  if (!clip.used_by.length) return "No rule plays it.";
  const said = [];
  if (plays.length) said.push(`Played by ${listed(plays, 4)}`);
  if (opens.length) said.push(`${plays.length ? "o" : "O"}pens ${opens.length > 3 ? counted(opens.length, "announcement", "announcements") : listed(opens)}`);
  return `${said.join("; ")}.`;
}

function numbers(clip) {
  const rows = [];
  const row = (name, value, unit) => rows.push(element("div", {}, element("dt", {}, name), element("dd", { class: "figures" }, value, unit ? element("span", { class: "unit" }, ` ${unit}`) : null)));
  if (clip.duration_ms !== null) row("Length", length(clip.duration_ms));
  if (clip.stored) {
    row("Loudness", clip.integrated_lufs === null ? "none" : number(clip.integrated_lufs), clip.integrated_lufs === null ? null : "LUFS");
    if (clip.true_peak_dbtp !== null) row("True peak", number(clip.true_peak_dbtp), "dBTP");
    for (const gain of clip.gains) {
      row(clip.gains.length > 1 ? `Gain in ${formatWords(gain.zone_channels)}` : "Gain", signed(gain.gain_db), "dB");
    }
    if (clip.lead_silence_ms !== null) {
      row("Silence at the ends", `${(clip.lead_silence_ms / 1000).toFixed(1)} and ${((clip.tail_silence_ms ?? 0) / 1000).toFixed(1)}`, "s");
    }
  }
  return element("dl", { class: "clip-numbers" }, ...rows);
}
