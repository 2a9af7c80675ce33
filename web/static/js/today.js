// The page of a day: asks for what changed, shows it, and ties the parts together.

import { Calls } from "./calls.js";
import { busySpan, readDay, soundingNow, together } from "./day.js";
import { Listener } from "./listen.js";
import { Ribbons } from "./ribbons.js";
import { Line, ask } from "./service.js";
import { logList, planTable, unplacedList } from "./tables.js";
import { Clock, away, counted, duration, element, zonesInWords } from "./words.js";

const $ = (id) => document.getElementById(id);
const NARROW = matchMedia("(max-width: 700px)");
const HEAD_NARROW = 52;
const LEVELS_MS = 3000; // a level is no older than this
const clock = new Clock(document.body.dataset.timezone);
const page = {
  date: document.body.dataset.date || null,
  day: null,
  zones: [],
  rules: [],
  offset_ms: 0,
  earlier: false,
  wholeTable: false,
  wholeLog: false,
  following: false,
  asOf_ms: Date.now(),
};
const now = () => Date.now() + page.offset_ms;

// ---- what stands on every page

for (const button of document.querySelectorAll("[data-opens]")) {
  button.addEventListener("click", () => $(button.dataset.opens).showModal());
}

function confirmFirst(title, text, yes) {
  const dialog = $("ask");
  $("ask-title").textContent = title;
  $("ask-text").textContent = text;
  $("ask-yes").textContent = yes;
  dialog.returnValue = "no";
  dialog.showModal();
  return new Promise((done) => {
    dialog.addEventListener("close", () => done(dialog.returnValue === "yes"), { once: true });
  });
}

// Puts new content in place only if it differs, so that a reader, a selection and the focus are not disturbed.
const shown = new Map();
function put(id, made, key) {
  if (key !== undefined && shown.get(id) === key) return;
  shown.set(id, key);
  $(id).replaceChildren(made);
}

// ---- the three answers

function tellNow() {
  const sounding = soundingNow(page.zones);
  const playing = page.zones.filter((zone) => zone.music).length;
  const key = JSON.stringify([sounding, playing, page.zones.length]);
  if (sounding.length) {
    const all = element("div", {}, ...sounding.map((one) =>
      element("p", {}, element("b", {}, one.title), ` in ${zonesInWords(one.zones, page.day, 4)} `,
        element("span", { class: "fine" }, `until ${clock.time(one.until_ms, { exact: true })} `),
        element("button", { type: "button", class: "stop", "data-id": one.id, onclick: () => stop(one) }, "Stop"))));
    put("now", all, key);
    return;
  }
  const text = playing === 0
    ? "Silence. No music, no announcement."
    : `Music in ${playing === page.zones.length ? `all ${playing} zones` : counted(playing, "zone", "zones")}, no announcement.`;
  put("now", element("p", {}, text), key);
}

async function stop(one) {
  const button = document.querySelector(`.stop[data-id="${CSS.escape(one.id)}"]`);
  if (button) button.disabled = true;
  const by = calls.name;
  try {
    await ask(`/api/plays/${encodeURIComponent(one.id)}/stop`, { method: "POST", body: by === null ? {} : { by } });
  } catch (problem) {
    if (button) button.disabled = false;
    $("now").append(element("p", { class: "fine", role: "alert" }, problem.message));
  }
  changed("state");
  setTimeout(() => changed("plan", "state"), 500); // when it has faded out
}

function tellNext() {
  const at = now();
  const next = together(page.day.plays).filter((play) => play.start_ms > at && play.happened === null);
  if (!next.length) {
    put("next", element("p", {}, isToday() ? "Nothing more today." : "Nothing is planned."), "none");
    return;
  }
  const [first] = next;
  const key = JSON.stringify([first.id, first.zones]);
  put("next", element("p", {}, element("b", {}, first.title), " at ", clock.time(first.start_ms),
    ", ", element("span", { "data-away": first.start_ms }, away(first.start_ms, at)),
    `, in ${zonesInWords(first.zones, page.day, 4)}`), key);
}

function tellUnheard() {
  const { day } = page;
  const unplaced = together(day.unplaced.filter((one) => !day.gone.has(one.id)));
  const count = (outcome) => day.happened.filter((h) => h.outcome === outcome).length;
  const cut = count("cut");
  const unsent = count("not_sent");
  const key = JSON.stringify([unplaced.map((u) => u.id), cut, unsent]);
  if (!unplaced.length && !cut && !unsent) {
    put("unheard", element("p", {}, day.plays.length ? "Everything planned has its place." : "Nothing is planned, so nothing is missed."), key);
    return;
  }
  const parts = element("div", {});
  if (unplaced.length) {
    const first = unplaced.slice(0, 2).map((u) => `${u.title}, ${clock.time(u.nominal_ms)}`);
    parts.append(element("p", {}, element("a", { href: "#noplace" }, `${counted(unplaced.length, "announcement finds", "announcements find")} no place`),
      element("span", { class: "fine" }, `: ${first.join("; ")}${unplaced.length > 2 ? "; …" : ""}`)));
  }
  const missed = [cut ? `${cut} ${cut === 1 ? "was" : "were"} cut` : "", unsent ? `${unsent} not sent` : ""].filter(Boolean);
  if (missed.length) {
    parts.append(element("p", unplaced.length ? { class: "fine" } : {}, element("a", { href: "#log" }, `So far ${missed.join(", ")}`)));
  }
  put("unheard", parts, key);
}

// ---- ribbons

const ribbons = $("drawing") ? new Ribbons({ drawing: $("drawing"), axis: $("axis"), clock }) : null;

function showLanes() {
  const list = $("lanes");
  const ids = page.day.zones.map((zone) => zone.id);
  if (list.dataset.ids !== ids.join()) {
    list.dataset.ids = ids.join();
    list.replaceChildren(...page.day.zones.map((zone) =>
      element("li", { "data-zone": zone.id },
        element("div", { class: "lane-words" }, element("b", {}, zone.name), element("span", { class: "live" })),
        element("button", { type: "button", class: "hear", "aria-pressed": "false", "aria-label": `Listen to ${zone.name}`, onclick: () => hear(zone) }, "Listen"))));
  }
  for (const zone of page.zones) {
    const row = list.querySelector(`[data-zone="${CSS.escape(zone.id)}"]`);
    if (row === null) continue;
    row.querySelector(".live").textContent = liveWords(zone);
    row.classList.toggle("sounding", zone.sounding !== null);
  }
}

function liveWords(zone) {
  const head = page.day.zones.find((z) => z.id === zone.id);
  if (zone.sounding !== null) return zone.title;
  if (head && !head.in_service) return "Not in service";
  const level = zone.level_lufs === null ? "" : `, ${Math.round(zone.level_lufs)} LUFS`;
  if (zone.music) return `Music${level}`;
  return head && !head.has_source ? "Announcements only" : "No music now";
}

function layOut() {
  if (ribbons === null) return;
  ribbons.head = NARROW.matches ? HEAD_NARROW : 0;
  document.documentElement.style.setProperty("--lane", `${ribbons.laneHeight}px`);
}

function tellView() {
  const span = ribbons.to - ribbons.from;
  Object.assign($("drawing").dataset, { from: ribbons.from, to: ribbons.to });
  $("view-span").textContent = `Shown: ${clock.time(Math.round(ribbons.from / 1000) * 1000, { exact: span < 3_600_000 }).slice(0, span < 3_600_000 ? 8 : 5)} to ${clock.time(Math.round(ribbons.to / 1000) * 1000, { exact: span < 3_600_000 }).slice(0, span < 3_600_000 ? 8 : 5)}, ${duration(span)}.`;
}

let drawing = false;
function redraw() {
  if (drawing || ribbons === null || page.day === null) return;
  drawing = true;
  requestAnimationFrame(() => {
    drawing = false;
    if (page.following) {
      const span = ribbons.to - ribbons.from;
      ribbons.setView(now() - span / 2, now() + span / 2);
    }
    ribbons.draw(now());
    tellView();
  });
}

function firstView() {
  const [from, to] = busySpan(page.day);
  if (!isToday() || !NARROW.matches) {
    ribbons.setView(from, to);
    return;
  }
  const at = now();
  ribbons.setView(at - 30 * 60000, at + 90 * 60000);
}

function goToNow() {
  if (!isToday()) {
    location.href = "/";
    return;
  }
  const span = Math.min(ribbons.to - ribbons.from, 20 * 60000);
  ribbons.setView(now() - span / 2, now() + span / 2);
  page.following = true;
  redraw();
}

function move(action) {
  page.following = false;
  action();
  redraw();
}

const wholeDay = () => move(() => ribbons.setView(page.day.starts_ms, page.day.ends_ms));

function watchDrawing() {
  const canvas = $("drawing");
  const held = new Map();
  let moved = 0;
  const spread = () => {
    const [a, b] = [...held.values()];
    return { middle: (a.x + b.x) / 2, apart: Math.max(Math.abs(a.x - b.x), 8) };
  };
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    held.set(event.pointerId, { x: event.offsetX, y: event.offsetY });
    moved = 0;
  });
  canvas.addEventListener("pointermove", (event) => {
    const last = held.get(event.pointerId);
    if (last === undefined || page.day === null) return;
    const two = held.size === 2 ? spread() : null;
    held.set(event.pointerId, { x: event.offsetX, y: event.offsetY });
    moved += Math.abs(event.offsetX - last.x);
    if (two) {
      const after = spread();
      move(() => ribbons.zoom(two.apart / after.apart, ribbons.ms(after.middle)));
    } else if (moved > 4) {
      move(() => ribbons.pan(ribbons.ms(last.x) - ribbons.ms(event.offsetX)));
    }
  });
  const release = (event) => {
    const last = held.get(event.pointerId);
    held.delete(event.pointerId);
    if (event.type === "pointerup" && last && moved <= 4) pick(event.offsetX, event.offsetY, event.pointerType === "mouse" ? 8 : 22);
  };
  canvas.addEventListener("pointerup", release);
  canvas.addEventListener("pointercancel", release);
  canvas.addEventListener("wheel", (event) => {
    if (event.ctrlKey || event.metaKey) {
      event.preventDefault();
      move(() => ribbons.zoom(Math.exp(event.deltaY * 0.004), ribbons.ms(event.offsetX)));
    } else if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      event.preventDefault();
      move(() => ribbons.pan((event.deltaX / ribbons.width) * (ribbons.to - ribbons.from)));
    }
  }, { passive: false });
  canvas.addEventListener("dblclick", (event) => move(() => ribbons.zoom(0.25, ribbons.ms(event.offsetX))));
  $("zoom-in").addEventListener("click", () => move(() => ribbons.zoom(0.5)));
  $("zoom-out").addEventListener("click", () => move(() => ribbons.zoom(2)));
  $("zoom-day").addEventListener("click", wholeDay);
  $("zoom-now").addEventListener("click", goToNow);
}

function pick(x, y, reach) {
  const found = ribbons.hit(x, y, reach);
  ribbons.picked = found?.play.id ?? null;
  const card = $("picked");
  card.hidden = found === null;
  if (found !== null) {
    const { play } = found;
    const times = found.state === "unplaced"
      ? `Asked for at ${clock.time(play.nominal_ms, { exact: true })}`
      : `${clock.time(found.start, { exact: true })} to ${clock.time(found.end, { exact: true })}`;
    const words = found.state === "unplaced" ? `${found.over ? "Not sent" : "No place"}: ${play.reason}`
      : play.happened ? play.happened.sentence : `Planned, ${play.reason}`;
    card.replaceChildren(
      element("p", {}, element("b", {}, play.title), " ", element("span", { class: "figures" }, times)),
      element("p", {}, words),
      element("p", { class: "soft" }, zonesInWords(play.zones, page.day, Infinity)));
  }
  redraw();
}

// ---- listening

const listener = new Listener((zone, words) => {
  $("listening").hidden = zone === null && words === "Stopped listening";
  $("listening-state").textContent = words;
  for (const button of document.querySelectorAll(".hear")) {
    const on = button.closest("li").dataset.zone === zone;
    button.setAttribute("aria-pressed", String(on));
    button.textContent = on ? "Listening" : "Listen";
  }
});

function hear(zone) {
  if (listener.zone?.id === zone.id) listener.stop();
  else listener.start(zone);
}

$("volume").addEventListener("input", ({ target }) => listener.setVolume((Number(target.value) / 100) ** 2));
$("listening-stop").addEventListener("click", () => {
  listener.stop();
  $("listening").hidden = true;
});

// ---- calls

const calls = $("call-buttons")
  ? new Calls({ place: $("call-buttons"), by: $("by"), confirm: confirmFirst, fired: () => changed("state") })
  : null;

// ---- asking and showing

const isToday = () => page.day.date === page.day.today;

function show() {
  const { day } = page;
  if (day === null) return;
  $("day-name").textContent = `${isToday() ? "Today, " : ""}${clock.long.format(day.starts_ms)}`;
  $("day-before").href = `/day/${shift(day.date, -1)}`;
  $("day-after").href = `/day/${shift(day.date, 1)}`;
  $("day-today").hidden = isToday();
  $("now-line").hidden = !isToday();
  $("next-line").querySelector("h2").textContent = isToday() ? "Next" : "First";
  if (isToday()) tellNow();
  tellNext();
  tellUnheard();
  layOut();
  showLanes();
  redraw();
  calls.show(page.rules, day.zones);
  put("unplaced", unplacedList(day, clock, now()), JSON.stringify([day.unplaced, day.unplaced.filter((u) => u.nominal_ms < now()).length]));
  showTable();
  put("log-list", logList(day, clock, page.wholeLog, () => {
    page.wholeLog = true;
    show();
  }), JSON.stringify([day.happened, page.wholeLog]));
  $("csv").href = `/api/log?format=csv&from=${iso(day.starts_ms)}&until=${iso(day.ends_ms)}`;
}

const iso = (ms) => encodeURIComponent(new Date(ms).toISOString());

function showTable() {
  const { past, made } = planTable(page.day, clock, now(), {
    earlier: page.earlier,
    whole: page.wholeTable,
    more: () => {
      page.wholeTable = true;
      showTable();
    },
  });
  put("plan-table", made, made.textContent.replace(/in \d+ \w+( \d+ min)?|\d+ \w+ ago/g, ""));
  $("earlier-line").hidden = past === 0;
  $("earlier").textContent = page.earlier ? "Hide what is over" : `Show ${past} earlier`;
}

function shift(date, days) {
  const [year, month, day] = date.split("-").map(Number);
  return new Date(Date.UTC(year, month - 1, day + days)).toISOString().slice(0, 10);
}

const wanted = new Set();
let asking = false;
async function changed(...names) {
  for (const name of names) wanted.add(name);
  if (asking) return;
  asking = true;
  try {
    while (wanted.size) {
      const due = new Set(wanted);
      wanted.clear();
      await refresh(due);
    }
  } finally {
    asking = false;
  }
}

async function refresh(due) {
  if (calls === null) {
    if (due.has("venue")) location.reload();
    return;
  }
  try {
    if (page.day !== null && [...due].every((name) => name === "levels")) {
      page.zones = await ask("/api/zones");
      page.asOf_ms = Date.now();
      showLanes();
      return;
    }
    const first = page.day === null;
    const plan = due.has("plan") || due.has("log") || due.has("venue") || first;
    const query = page.date === null ? "" : `?date=${page.date}`;
    const [tree, zones, rules] = await Promise.all([
      plan ? ask(`/api/plan${query}`) : null,
      ask("/api/zones"),
      ask("/api/rules"),
    ]);
    if (tree !== null) {
      page.day = readDay(tree);
      ribbons.setDay(page.day);
      if (first) firstView();
    }
    page.zones = zones;
    page.rules = rules;
    page.asOf_ms = Date.now();
    show();
  } catch (problem) {
    tellLost(problem.status === 0 ? null : problem.message);
  }
}

// ---- the line to the service

let lostSince = null;
function tellLost(message) {
  const banner = $("lost");
  lostSince ??= page.asOf_ms;
  const age = duration(Date.now() - lostSince);
  banner.hidden = false;
  document.body.classList.add("stale");
  banner.textContent = message ?? `Connection lost. What you see is ${age} old, from ${clock.time(lostSince + page.offset_ms, { exact: true })}. Trying again.`;
}

function tellFound() {
  lostSince = null;
  $("lost").hidden = true;
  document.body.classList.remove("stale");
  changed("plan", "log", "state");
}

const line = new Line({
  changed: (name) => {
    if (lostSince !== null && !line.isLost) tellFound();
    changed(name);
  },
  lost: (since) => {
    lostSince = Math.min(since, page.asOf_ms);
    tellLost(null);
  },
  found: tellFound,
  health: (health, sent_ms, got_ms) => {
    page.offset_ms = health.now_ms - (sent_ms + got_ms) / 2;
    const state = $("state");
    if (state.textContent !== health.state) state.textContent = health.state;
    state.dataset.code = health.code;
  },
});

let lastToday = null;
function everySecond() {
  const at = now();
  $("clock").textContent = clock.time(at, { exact: true });
  $("clock-date").textContent = clock.long.format(at);
  if (lostSince !== null && line.isLost) tellLost(null);
  if (page.day === null) return;
  for (const one of document.querySelectorAll("[data-away]")) one.textContent = away(Number(one.dataset.away), at);
  if (isToday()) {
    tellNext();
    if (Date.now() - page.asOf_ms > LEVELS_MS && document.visibilityState === "visible" && !line.isLost) changed("levels");
    const over = page.zones.some((zone) => zone.until_ms !== null && zone.until_ms + 300 < at);
    if (over && !line.isLost) changed("state");
  }
  const over = at >= page.day.ends_ms && page.date === null;
  if (over && lastToday !== page.day.date && !line.isLost) {
    lastToday = page.day.date;
    changed("plan");
  }
  redraw();
}

// ---- keys

function onKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, textarea, select, dialog")) return;
  const quarter = ribbons === null ? 0 : (ribbons.to - ribbons.from) / 4;
  const does = {
    "?": () => $("keys").showModal(),
    "Escape": () => $("listening-stop").click(),
    "c": () => document.querySelector(".call")?.focus(),
    "n": goToNow,
    "0": wholeDay,
    "+": () => move(() => ribbons.zoom(0.5)),
    "=": () => move(() => ribbons.zoom(0.5)),
    "-": () => move(() => ribbons.zoom(2)),
    "ArrowLeft": () => move(() => ribbons.pan(-quarter)),
    "ArrowRight": () => move(() => ribbons.pan(quarter)),
  }[event.key];
  if (does === undefined || (page.day === null && event.key !== "?")) return;
  event.preventDefault();
  does();
}

addEventListener("keydown", onKey);
setInterval(everySecond, 1000);
everySecond();
if (ribbons !== null) {
  watchDrawing();
  layOut();
  new ResizeObserver(() => {
    layOut();
    redraw();
  }).observe($("chart"));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    ribbons.readColours();
    redraw();
  });
  document.fonts.ready.then(redraw);
  $("earlier").addEventListener("click", () => {
    page.earlier = !page.earlier;
    showTable();
  });
  $("verify").addEventListener("click", async () => {
    const said = $("verified");
    said.hidden = false;
    said.textContent = "Reading the whole log";
    try {
      const found = await ask("/api/log/verify", { timeout_ms: 60000 });
      said.textContent = found.good
        ? `The chain holds: ${counted(found.records, "record", "records")}, none removed or altered. ${found.reason === "the whole chain holds" ? "" : found.reason}`
        : `The chain is broken at record ${found.first_bad}: ${found.reason}`;
    } catch (problem) {
      said.textContent = problem.message;
    }
  });
}
changed("plan", "state");
