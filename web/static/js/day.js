// One day as the page uses it: the plan and what happened, joined by id. Pure.

const DUCK_RANGE_DB = 24; // thickness: full at 0 dB, a hairline at -24 dB, the deepest automatic duck

export function readDay(plan) {
  const names = new Map(plan.zones.map((zone) => [zone.id, zone.name]));
  const happened = new Map(plan.happened.filter((h) => h.id !== null).map((h) => [h.id, h]));
  const plays = plan.plays.map((play) => ({ ...play, happened: happened.get(play.id) ?? null }));
  const known = new Set(plays.map((play) => play.id));
  for (const one of happened.values()) {
    if (known.has(one.id) || one.outcome === "not_sent") continue;
    plays.push({
      ...one,
      zones: one.zones.map((z) => z.zone),
      end_ms: one.end_ms ?? one.start_ms,
      reason: one.reason ?? "",
      happened: one,
    });
  }
  plays.sort((a, b) => a.start_ms - b.start_ms);
  const gone = new Set(plan.happened.filter((h) => h.outcome === "not_sent").map((h) => h.id));
  const day = { ...plan, names, plays, gone };
  day.lanes = plan.zones.map((zone) => lane(zone, day));
  return day;
}

function lane(zone, day) {
  const blocks = [];
  for (const play of day.plays) {
    if (!play.zones.includes(zone.id)) continue;
    const here = play.happened?.zones.find((z) => z.zone === zone.id);
    const state = here?.outcome ?? play.happened?.outcome ?? "planned";
    const start = play.happened?.start_ms ?? play.start_ms;
    const end = (state === "cut" ? here?.end_ms : null) ?? (state === "not_sent" ? null : play.happened?.end_ms) ?? play.end_ms;
    blocks.push({ play, start, end: Math.max(end, start), state });
  }
  return {
    zone,
    blocks,
    outlines: day.unplaced
      .filter((one) => one.zones.includes(zone.id))
      .map((one) => ({ play: one, start: one.nominal_ms, end: one.nominal_ms, state: "unplaced", over: day.gone.has(one.id) })),
    music: day.music[zone.id] ?? [],
    points: day.ducks[zone.id] ?? [],
    quiet: day.quiet.filter((q) => q.zone === zone.id),
  };
}

// index of the last corner point at or before ms, -1 when none is
function before(points, ms) {
  let low = 0;
  let high = points.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (points[middle][0] <= ms) low = middle + 1;
    else high = middle;
  }
  return low - 1;
}

export function duckAt(points, ms) {
  const i = before(points, ms);
  if (i < 0 || i === points.length - 1) return i < 0 ? 0 : points[i][1];
  const [from, from_db] = points[i];
  const [to, to_db] = points[i + 1];
  return to === from ? to_db : from_db + ((to_db - from_db) * (ms - from)) / (to - from);
}

// corner points of the music's gain in dB inside [from, to], the ends included
export function corners(points, from, to) {
  const found = [[from, duckAt(points, from)]];
  for (let i = before(points, from) + 1; i < points.length && points[i][0] < to; i += 1) found.push(points[i]);
  found.push([to, duckAt(points, to)]);
  return found;
}

export function thickness(level_db) {
  return Math.min(1, Math.max(0.045, 1 + level_db / DUCK_RANGE_DB));
}

// from the first to the last thing of the day, with a little air
export function busySpan(day) {
  const starts = [...day.plays.map((p) => p.start_ms), ...day.lanes.flatMap((l) => l.music.map((m) => m[0]))];
  const ends = [...day.plays.map((p) => p.end_ms), ...day.lanes.flatMap((l) => l.music.map((m) => m[1]))];
  if (!starts.length) return [day.starts_ms, day.ends_ms];
  const air = 20 * 60000;
  return [
    Math.max(day.starts_ms, Math.min(...starts) - air),
    Math.min(day.ends_ms, Math.max(...ends) + air),
  ];
}

export function soundingNow(zones) {
  const found = new Map();
  for (const zone of zones) {
    if (zone.sounding === null) continue;
    const one = found.get(zone.sounding) ?? { id: zone.sounding, title: zone.title, zones: [], until_ms: zone.until_ms };
    one.zones.push(zone.id);
    found.set(zone.sounding, one);
  }
  return [...found.values()];
}

// plays of one rule at one time for one reason as one line, with all their zones
export function together(plays) {
  const lines = new Map();
  for (const play of plays) {
    const outcome = play.happened?.outcome ?? "planned";
    const key = `${play.rule}|${play.start_ms ?? play.nominal_ms}|${play.reason}|${outcome}`;
    const line = lines.get(key);
    if (line === undefined) lines.set(key, { ...play, zones: [...play.zones] });
    else line.zones.push(...play.zones);
  }
  return [...lines.values()];
}
