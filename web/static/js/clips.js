// The page of the clips: asks for them, answers in the largest type, ties upload, cards and listening together.

import { Cards, byNeed, formatWords, number, signed } from "./clip-cards.js";
import { ClipSound } from "./clip-sound.js";
import { Line, Problem, ask } from "./service.js";
import { Upload } from "./upload.js";
import { Clock, counted, duration, element, listed } from "./words.js";

const $ = (id) => document.getElementById(id);
const clock = new Clock(document.body.dataset.timezone);
const PLOT = { left: 62, right: 14 }; // the drawing's own margins, in px
const KINDS = { speech: "speech", chime: "chimes", effect: "effects", music: "music" };
const page = { clips: [], offset_ms: 0, hasTime: false, asOf_ms: Date.now(), hasVenue: $("clip-list") !== null };
const now = () => Date.now() + page.offset_ms;

for (const button of document.querySelectorAll("[data-opens]")) {
  button.addEventListener("click", () => $(button.dataset.opens).showModal());
}

// ---- the answers

function tellFit() {
  const clips = page.clips;
  if (!clips.length) {
    $("fit").replaceChildren(element("p", {}, "There are no clips yet."),
      element("p", { class: "fine" }, "A clip is one recording: an announcement, a chime, a sound. Drop your sound files below; each is measured and brought to its level, and this page says whether it is fit to air. Then name it in a rule of the venue file."));
    $("level-line").hidden = true;
    $("look-line").hidden = true;
    return;
  }
  const fit = clips.filter((clip) => clip.verdict === "fit" || clip.verdict === "look");
  const bad = byNeed(clips).filter((clip) => !fit.includes(clip));
  const all = fit.length === clips.length;
  $("fit").replaceChildren(element("p", {}, all
    ? (clips.length === 1 ? "The one clip is." : `All ${clips.length} clips are.`)
    : `${fit.length} of ${clips.length} clips are. ${counted(bad.length, "is", "are")} not: `, ...(all ? [] : [names(bad)])));
  const levels = new Map();
  for (const clip of fit) for (const gain of clip.gains) levels.set(clip.kind, gain.target_lufs);
  $("level-line").hidden = !levels.size;
  const said = Object.keys(KINDS).filter((kind) => levels.has(kind)).map((kind) => `${KINDS[kind]} at ${number(levels.get(kind))}`);
  const text = listed(said);
  $("level").replaceChildren(element("p", {}, `${text.charAt(0).toUpperCase()}${text.slice(1)} LUFS.`));
  const remarks = clips.filter((clip) => clip.verdict === "look");
  $("look-line").hidden = !remarks.length;
  $("look").replaceChildren(element("p", {}, names(remarks)));
}

function showAll() {
  $("search").value = "";
  search();
}

function names(clips) {
  const links = clips.slice(0, 6).map((clip) => element("a", { href: `#clip-${clip.id}`, onclick: showAll }, clip.title));
  const parts = links.flatMap((link, at) => [at === 0 ? "" : at === links.length - 1 && clips.length <= 6 ? " and " : ", ", link]);
  const more = clips.length > 6 ? ` and ${clips.length - 6} more` : "";
  return element("span", {}, ...parts, more ? `${more}.` : ".");
}

// ---- the cards, and what is heard of them

const cards = page.hasVenue ? new Cards({ place: $("clip-list"), listen: hear, opened: (card) => showPicture(card) }) : null;
const sound = new ClipSound({ audio: $("sound"), changed: heard });

function format() {
  return Number($("format").value) || 1;
}

function gainOf(clip) {
  return clip.gains.find((gain) => gain.zone_channels === format()) ?? clip.gains[0] ?? null;
}

function hear(card) {
  if (sound.clip?.id === card.clip.id) {
    sound.stop();
    return;
  }
  sound.play(card.clip, gainOf(card.clip));
}

function heard(playing, trouble) {
  const bar = $("listening");
  if (playing === null) {
    bar.hidden = trouble === undefined;
    if (trouble !== undefined) $("listening-state").textContent = trouble;
    cards?.follow(null, 0);
    return;
  }
  bar.hidden = false;
  const gain = gainOf(playing.clip);
  const state = trouble ?? [
    `${playing.audio.paused ? "Paused" : "Hearing"} ${playing.clip.title} as in ${gain ? formatWords(gain.zone_channels) : "its file"},`,
    gain?.sounds_at_lufs == null ? "as recorded." : `gain ${signed(gain.gain_db)} dB: airs at ${number(gain.sounds_at_lufs)} LUFS.`,
    `Here ${playing.softer_db} dB softer, like every clip: a browser has no limiter.`,
  ].join(" ");
  if ($("listening-state").textContent !== state) $("listening-state").textContent = state;
  if (document.activeElement !== $("seek")) $("seek").value = String(Math.round(playing.place * 1000));
  cards.follow(playing.clip.id, playing.place);
}

async function showPicture(card) {
  const width = Math.floor(card.figure.clientWidth);
  if (!width || (card.drawn === width)) return;
  card.drawn = width;
  if (!card.figure.firstChild) card.figure.append(element("p", { class: "soft", role: "status" }, "Drawing"));
  try {
    const asked = await fetch(`/api/clips/${encodeURIComponent(card.clip.id)}/picture.svg?styled=false&width=${Math.min(2400, Math.max(240, width))}`);
    if (!asked.ok) throw new Problem((await asked.json().catch(() => null))?.detail ?? `The service answered ${asked.status}.`, asked.status);
    const drawing = new DOMParser().parseFromString(await asked.text(), "image/svg+xml").documentElement;
    const titles = [drawing.querySelector("title"), drawing.querySelector("desc")];
    titles.forEach((one, at) => { one.id = `picture-${card.clip.id}-${at}`; });
    drawing.setAttribute("aria-labelledby", titles[0].id);
    drawing.setAttribute("aria-describedby", titles[1].id);
    card.plot = { left: PLOT.left, right: Number(drawing.getAttribute("width")) - PLOT.right };
    card.line = element("div", { class: "playhead", hidden: true });
    card.figure.replaceChildren(document.importNode(drawing, true), card.line);
    card.figure.onclick = (event) => {
      if (sound.clip?.id !== card.clip.id) return;
      const at = event.clientX - card.figure.getBoundingClientRect().left;
      sound.seek(Math.min(1, Math.max(0, (at - card.plot.left) / (card.plot.right - card.plot.left))));
    };
    if (sound.clip !== null) cards.follow(sound.clip.id, sound.place);
  } catch (problem) {
    card.drawn = null;
    const why = problem instanceof Problem ? problem.message : "The service does not answer. Is the connection there?";
    card.figure.replaceChildren(element("p", { class: "said-back bad", role: "alert" }, `No picture: ${why}`));
  }
}

function offerFormats() {
  const there = [...new Set(page.clips.flatMap((clip) => clip.gains.map((gain) => gain.zone_channels)))].sort();
  const pick = $("format");
  $("format-pick").hidden = there.length < 2;
  if ([...pick.options].map((option) => Number(option.value)).join() === there.join()) return;
  pick.replaceChildren(...there.map((channels) => element("option", { value: String(channels) }, formatWords(channels))));
}

function search() {
  const text = $("search").value.trim();
  const shown = cards.filter(text);
  const all = page.clips.length;
  $("found").textContent = !all ? "" : text === "" ? `${counted(all, "clip", "clips")}, what needs a hand first.`
    : shown ? `${shown} of ${counted(all, "clip", "clips")} for \u201c${text}\u201d.` : `Nothing for \u201c${text}\u201d. Search looks at titles, ids, kinds and the rules that play a clip.`;
}

// ---- asking

let asking = null;
async function load() {
  if (asking !== null) {
    asking.again = true;
    return;
  }
  asking = { again: false };
  try {
    page.clips = await ask("/api/clips");
    page.asOf_ms = Date.now();
    tellFit();
    offerFormats();
    cards.show(page.clips);
    if (sound.clip !== null) heard(sound);
    search();
  } catch (problem) {
    tellLost(problem.status === 0 ? null : problem.message);
  } finally {
    const { again } = asking;
    asking = null;
    if (again) load();
  }
}

// ---- the line to the service

let lostSince = null;
function tellLost(message) {
  lostSince ??= page.asOf_ms;
  $("lost").hidden = false;
  document.body.classList.add("stale");
  $("lost").textContent = message ?? `Connection lost. What you see is ${duration(Date.now() - lostSince)} old, from ${clock.time(lostSince + page.offset_ms, { exact: true })}. Trying again.`;
}

function tellFound() {
  lostSince = null;
  $("lost").hidden = true;
  document.body.classList.remove("stale");
  if (page.hasVenue) load();
}

const line = new Line({
  changed: (name) => {
    if (lostSince !== null && !line.isLost) tellFound();
    if (name !== "venue" && name !== "plan") return;
    if (page.hasVenue) load();
    else if (name === "venue") location.reload();
  },
  lost: (since) => {
    lostSince = Math.min(since, page.asOf_ms);
    tellLost(null);
  },
  found: tellFound,
  health: (health, sent_ms, got_ms) => {
    page.offset_ms = health.now_ms - (sent_ms + got_ms) / 2;
    page.hasTime = true;
    everySecond();
    if ($("state").textContent !== health.state) $("state").textContent = health.state;
    $("state").dataset.code = health.code;
  },
});

function everySecond() {
  if (!page.hasTime) return; // this machine's clock may be another
  $("clock").textContent = clock.time(now(), { exact: true });
  $("clock-date").textContent = clock.long.format(now());
  if (lostSince !== null && line.isLost) tellLost(null);
}

// ---- keys

function onKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const typing = event.target.closest("input, textarea, select, dialog");
  if (event.key === "Escape" && event.target === $("search")) {
    $("search").value = "";
    search();
    return;
  }
  if (typing) return;
  const onButton = event.target.closest("button, a, summary");
  const does = {
    "?": () => $("keys").showModal(),
    "/": () => $("search")?.focus(),
    "a": () => $("files")?.focus(),
    " ": onButton || sound.clip === null ? undefined : () => sound.toggle(),
    "Escape": () => {
      sound.stop();
      $("listening").hidden = true;
    },
  }[event.key];
  if (does === undefined) return;
  event.preventDefault();
  does();
}

addEventListener("keydown", onKey);
$("listening-stop").addEventListener("click", () => {
  const id = sound.clip?.id;
  sound.stop();
  $("listening").hidden = true;
  cards?.get(id)?.listen?.focus();
});
$("seek").addEventListener("input", (event) => sound.seek(Number(event.target.value) / 1000));
$("volume").addEventListener("input", (event) => sound.setVolume(Number(event.target.value) / 100));
setInterval(everySecond, 1000);
everySecond();
if (page.hasVenue) {
  new Upload({
    form: $("upload"), files: $("files"), kind: $("kind"), trim: $("trim"), send: $("send"), list: $("sending"), said: $("sent"),
    came: () => load(),
  });
  $("search").addEventListener("input", search);
  $("format").addEventListener("change", () => {
    if (sound.clip === null) return;
    sound.setGain(gainOf(sound.clip));
    heard(sound);
  });
  let later = null;
  new ResizeObserver(() => {
    clearTimeout(later);
    later = setTimeout(() => cards.redraw(), 200);
  }).observe($("clip-list"));
  load();
}
