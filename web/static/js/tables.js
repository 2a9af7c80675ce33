// The day in words: the plan as a table, what found no place, what happened. Builds elements, asks nothing.

import { together } from "./day.js";
import { away, counted, element, zonesInWords } from "./words.js";

const STATE = { planned: "Planned", sounding: "Sounding now", sent: "Sent", cut: "Cut", not_sent: "Not sent", event: "" };

const FIRST_ROWS = 12;

export function planTable(day, clock, now, { earlier, whole, more }) {
  const lines = together(day.plays);
  const past = lines.filter((p) => p.end_ms < now && day.date === day.today);
  const due = earlier ? lines : lines.filter((p) => !past.includes(p));
  const shown = whole || earlier ? due : due.slice(0, FIRST_ROWS);
  if (!lines.length) {
    return { past: 0, made: element("p", { class: "teach" }, "Nothing is planned on this day. Announcements come from the rules of the venue file.") };
  }
  const rows = shown.map((play) => {
    const state = play.happened?.outcome ?? "planned";
    return element(
      "tr",
      { "data-state": state },
      element("td", { "data-label": "When" },
        element("b", { class: "figures" }, clock.time(play.start_ms)),
        day.date === day.today ? element("span", { class: "soft", "data-away": play.start_ms }, away(play.start_ms, now)) : null),
      element("td", { "data-label": "What" }, element("b", {}, play.title)),
      element("td", { "data-label": "Where" }, whereWords(play.zones, day), leftOut(play, day)),
      element("td", { "data-label": "Why then" }, reasonWords(play.reason)),
      element("td", { "data-label": "State" }, element("span", { class: `tag ${state}` }, STATE[state])),
    );
  });
  const made = element("table", {},
    element("thead", {}, element("tr", {}, ...["When", "What", "Where", "Why then", "State"].map((h) => element("th", { scope: "col" }, h)))),
    element("tbody", {}, ...rows));
  if (!rows.length) return { past: past.length, made: element("p", { class: "soft" }, "Nothing more is planned on this day.") };
  if (shown.length === due.length) return { past: past.length, made };
  const all = element("button", { type: "button", class: "plain", onclick: more }, `Show all ${due.length}, until ${clock.time(due.at(-1).start_ms)}`);
  return { past: past.length, made: element("div", {}, made, element("p", {}, all)) };
}

function whereWords(ids, day) {
  if (ids.length <= 5 || (day.zones.length === ids.length && day.zones.length > 2)) return zonesInWords(ids, day, 6);
  return element("details", {}, element("summary", {}, counted(ids.length, "zone", "zones")), zonesInWords(ids, day, Infinity));
}

function leftOut(play, day) {
  if (!play.left_out?.length) return null;
  return element("span", { class: "soft" }, `not in ${play.left_out.map((z) => `${day.names.get(z.zone) ?? z.zone}: ${z.reason}`).join("; ")}`);
}

function reasonWords(reason) {
  return reason ? reason[0].toUpperCase() + reason.slice(1) : "";
}

// What is still to come stands first: there something can be done about it.
export function unplacedList(day, clock, now) {
  const over = (one) => day.date === day.today && one.nominal_ms < now;
  const lines = together(day.unplaced).sort((a, b) => over(a) - over(b) || a.nominal_ms - b.nominal_ms);
  if (!lines.length) return element("p", { class: "soft" }, "Nothing. Every announcement planned for this day has its place.");
  return element("ul", { class: "cards" }, ...lines.map((one) =>
    element("li", { class: over(one) ? "over" : null },
      element("b", {}, element("span", { class: "figures" }, clock.time(one.nominal_ms)), ` ${one.title}`),
      element("span", {}, zonesInWords(one.zones, day, 6)),
      element("span", { class: "why" }, reasonWords(one.reason)))));
}

const FIRST_LINES = 12;

// What several zones took one by one, at one second and with one outcome, is one line of the log to a person.
function gathered(happened, day) {
  const lines = new Map();
  for (const one of happened) {
    const whole = one.outcome === "sent" || one.outcome === "sounding";
    const key = whole ? `${one.rule}|${Math.floor(one.start_ms / 1000)}|${one.outcome}|${one.asked_by}` : (one.id ?? one.start_at + one.sentence);
    const line = lines.get(key);
    if (line === undefined) {
      lines.set(key, { ...one, ids: [one.id] });
      continue;
    }
    line.ids.push(one.id);
    line.zones = [...line.zones, ...one.zones];
    const where = zonesInWords(line.zones.map((z) => z.zone), day, Infinity);
    line.sentence = one.outcome === "sent" ? `Sent to ${where}` : `Sounding in ${where}`;
  }
  return [...lines.values()];
}

export function logList(day, clock, all, more) {
  const lines = gathered(day.happened, day).reverse();
  if (!lines.length) {
    return element("p", { class: "teach" }, day.date > day.today
      ? "This day has not begun. What happens on it will be kept here."
      : "Nothing yet. Every announcement leaves two lines here: before it sounds, and after it ended.");
  }
  const shown = all ? lines : lines.slice(0, FIRST_LINES);
  const list = element("ol", { class: "log", reversed: true }, ...shown.map((one) => logLine(one, day, clock)));
  if (shown.length === lines.length) return list;
  return element("div", {}, list, element("p", {}, element("button", { type: "button", class: "plain", onclick: more }, `Show all ${lines.length} lines`)));
}

function logLine(one, day, clock) {
  const asked = one.asked_by && one.asked_by !== "plan" ? `asked by ${one.asked_by}` : "";
  const measured = one.zones.filter((z) => z.loudness_lufs !== null);
  return element("li", { "data-state": one.outcome, "data-id": one.ids.join(" ") },
    element("time", { class: "figures", datetime: one.start_at }, clock.time(one.start_ms, { exact: true })),
    element("div", {},
      one.outcome === "event"
        ? element("p", {}, one.sentence)
        : element("p", {}, element("b", {}, one.title), " ", element("span", { class: `tag ${one.outcome}` }, STATE[one.outcome])),
      one.outcome === "event" ? null : element("p", { class: "soft" }, [one.sentence, asked].filter(Boolean).join(", ")),
      measured.length
        ? element("details", { class: "soft" }, element("summary", {}, "Levels"),
          element("ul", {}, ...measured.map((z) => element("li", { class: "figures" },
            `${day.names.get(z.zone) ?? z.zone}: ${z.loudness_lufs.toFixed(1)} LUFS at the output` +
            (z.duck_depth_db === null ? "" : `, music ${z.duck_depth_db.toFixed(1)} dB back`)))))
        : null));
}
