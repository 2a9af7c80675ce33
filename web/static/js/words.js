// Words and numbers for people: local clock times, how far away, lists of names. Touches nothing.

export class Clock {
  constructor(timezone) {
    const make = (options) => new Intl.DateTimeFormat("en-GB", { timeZone: timezone, hourCycle: "h23", ...options });
    this.seconds = make({ hour: "2-digit", minute: "2-digit", second: "2-digit" });
    this.minutes = make({ hour: "2-digit", minute: "2-digit" });
    this.weekday = make({ weekday: "short", day: "numeric" });
    this.long = make({ weekday: "long", day: "numeric", month: "long" });
    this.all = make({
      year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric",
    });
  }

  // 14:25:07, or 14:25 when the seconds are nought and may be left out
  time(ms, { exact = false } = {}) {
    return !exact && ms % 60000 === 0 ? this.minutes.format(ms) : this.seconds.format(ms);
  }

  // local time minus UTC, in ms
  offset(ms) {
    const part = Object.fromEntries(this.all.formatToParts(ms).map((p) => [p.type, Number(p.value)]));
    const local = Date.UTC(part.year, part.month - 1, part.day, part.hour, part.minute, part.second);
    return local - Math.floor(ms / 1000) * 1000;
  }
}

export function duration(ms) {
  const seconds = Math.max(0, Math.round(ms / 1000));
  if (seconds < 60) return `${seconds} s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 60) return `${minutes} min`;
  const rest = minutes % 60;
  return `${Math.floor(minutes / 60)} h${rest ? ` ${rest} min` : ""}`;
}

export function away(ms, now) {
  const left = ms - now;
  if (Math.abs(left) < 1000) return "now";
  return left > 0 ? `in ${duration(left)}` : `${duration(-left)} ago`;
}

export function listed(names, most = Infinity) {
  if (names.length > most) return `${names.slice(0, most - 1).join(", ")} and ${names.length - most + 1} more`;
  if (names.length < 2) return names.join("");
  return `${names.slice(0, -1).join(", ")} and ${names.at(-1)}`;
}

// "all 12 zones", or their names
export function zonesInWords(ids, day, most = 4) {
  if (day.zones.length > 2 && ids.length === day.zones.length) return `all ${ids.length} zones`;
  return listed(ids.map((id) => day.names.get(id) ?? id), most);
}

export function counted(number, one, many) {
  return `${number} ${number === 1 ? one : many}`;
}

export function element(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (name === "class") made.className = value;
    else if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else made.setAttribute(name, value === true ? "" : value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined));
  return made;
}
