// The ribbons: one drawing for the plan, for what aired, for what was cut and for what found no place.
// Drawn from the plan's own corner points. Knows the day and the view; asks nothing.

import { corners, duckAt, thickness } from "./day.js";

const MIN_SPAN_MS = 60_000;
const BAND = 20; // room above a ribbon for titles and outlines
const RIBBON = 46;
const FOOT = 10;
const LEAST_BLOCK = 3;
const AXIS = 34;
const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600].map((s) => s * 1000);
const FACE = '"Atkinson Hyperlegible", system-ui, sans-serif';

export class Ribbons {
  constructor({ drawing, axis, clock }) {
    Object.assign(this, { drawing, axis, clock });
    this.day = null;
    this.head = 0;
    this.from = 0;
    this.to = 1;
    this.picked = null;
    this.readColours();
  }

  get laneHeight() {
    return this.head + BAND + RIBBON + FOOT;
  }

  readColours() {
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(`--${name}`).trim();
    this.colours = Object.fromEntries(
      ["paper", "ground", "ink", "ink-soft", "rule", "ribbon", "accent", "accent-soft", "on-accent"].map((n) => [n, colour(n)]),
    );
  }

  setDay(day) {
    this.day = day;
  }

  // Keeps the view inside the day and between a minute and the whole of it.
  setView(from, to) {
    const { starts_ms, ends_ms } = this.day;
    const span = Math.min(Math.max(to - from, MIN_SPAN_MS), ends_ms - starts_ms);
    const middle = (from + to) / 2;
    const start = Math.min(Math.max(middle - span / 2, starts_ms), ends_ms - span);
    this.from = start;
    this.to = start + span;
  }

  zoom(factor, around = (this.from + this.to) / 2) {
    const whole = this.day.ends_ms - this.day.starts_ms;
    const span = Math.min(Math.max((this.to - this.from) * factor, MIN_SPAN_MS), whole);
    const share = (around - this.from) / (this.to - this.from);
    this.setView(around - share * span, around + (1 - share) * span);
  }

  pan(ms) {
    this.setView(this.from + ms, this.to + ms);
  }

  x(ms) {
    return ((ms - this.from) / (this.to - this.from)) * this.width;
  }

  ms(x) {
    return this.from + (x / this.width) * (this.to - this.from);
  }

  fit() {
    const ratio = Math.min(devicePixelRatio || 1, 3);
    this.width = this.drawing.clientWidth;
    const height = this.day.lanes.length * this.laneHeight;
    for (const [canvas, tall] of [[this.drawing, height], [this.axis, AXIS]]) {
      const wide = Math.round(this.width * ratio);
      const high = Math.round(tall * ratio);
      if (canvas.width !== wide || canvas.height !== high) {
        canvas.width = wide;
        canvas.height = high;
        canvas.style.height = `${tall}px`;
      }
      canvas.getContext("2d").setTransform(ratio, 0, 0, ratio, 0, 0);
    }
  }

  draw(now) {
    if (this.day === null || this.drawing.clientWidth === 0) return;
    this.fit();
    const pen = this.drawing.getContext("2d");
    pen.clearRect(0, 0, this.width, this.day.lanes.length * this.laneHeight);
    const step = this.#drawAxis(now);
    this.#drawGrid(pen, step);
    this.day.lanes.forEach((lane, i) => this.#drawLane(pen, lane, i * this.laneHeight + this.head));
    this.#drawNow(pen, now);
  }

  // ---- axis

  #ticks(step) {
    const offset = this.clock.offset(this.from);
    const found = [];
    for (let t = Math.ceil((this.from + offset) / step) * step - offset; t <= this.to; t += step) found.push(t);
    return found;
  }

  #drawAxis(now) {
    const pen = this.axis.getContext("2d");
    const { colours, clock } = this;
    pen.clearRect(0, 0, this.width, AXIS);
    const wanted = ((this.to - this.from) / this.width) * 74;
    const step = STEPS.find((s) => s >= wanted) ?? STEPS.at(-1);
    for (const [from, to] of this.day.open.venue ?? []) {
      const left = this.x(from);
      const wide = this.x(to) - left;
      if (left > this.width || left + wide < 0) continue;
      pen.fillStyle = colours["ink-soft"];
      pen.fillRect(left, AXIS - 3, wide, 3);
    }
    pen.textBaseline = "alphabetic";
    pen.textAlign = "left";
    const nowX = this.x(now);
    for (const t of this.#ticks(step)) {
      const x = this.x(t);
      const midnight = clock.time(t) === "00:00";
      pen.fillStyle = colours["ink-soft"];
      pen.fillRect(Math.round(x), AXIS - 10, 1, 7);
      pen.font = `${midnight ? "700 " : ""}13px ${FACE}`;
      const text = midnight ? clock.weekday.format(t) : clock.time(t, { exact: step < 60000 });
      const wide = pen.measureText(text).width;
      const left = Math.min(Math.max(x - wide / 2, 0), this.width - wide);
      if (nowX >= 0 && nowX <= this.width && Math.abs(left + wide / 2 - nowX) < wide / 2 + 42) continue;
      pen.fillText(text, left, AXIS - 15);
    }
    if (nowX >= 0 && nowX <= this.width) {
      const text = `now ${clock.time(now, { exact: this.to - this.from < 3_600_000 })}`.replace(/(\d\d:\d\d):\d\d$/, this.to - this.from < 3_600_000 ? "$&" : "$1");
      pen.font = `700 13px ${FACE}`;
      const wide = pen.measureText(text).width + 12;
      const left = Math.min(Math.max(nowX - wide / 2, 0), this.width - wide);
      pen.fillStyle = colours.ink;
      pen.beginPath();
      pen.roundRect(left, 2, wide, 20, 3);
      pen.fill();
      pen.fillRect(nowX - 1, 20, 2, AXIS - 20);
      pen.fillStyle = colours.paper;
      pen.fillText(text, left + 6, 16.5);
    }
    return step;
  }

  #drawGrid(pen, step) {
    pen.fillStyle = this.colours.rule;
    const height = this.day.lanes.length * this.laneHeight;
    for (const t of this.#ticks(step)) pen.fillRect(Math.round(this.x(t)), 0, 1, height);
  }

  #drawNow(pen, now) {
    const x = this.x(now);
    if (x < 0 || x > this.width) return;
    pen.fillStyle = this.colours.ink;
    this.day.lanes.forEach((_, i) => {
      pen.fillRect(x - 1, i * this.laneHeight + this.head, 2, this.laneHeight - this.head);
    });
  }

  // ---- one zone

  #drawLane(pen, lane, y) {
    const base = y + BAND + RIBBON;
    const labels = [];
    this.#drawGround(pen, lane, y + BAND, base, labels);
    this.#drawMusic(pen, lane, base);
    for (const block of lane.blocks) this.#drawBlock(pen, lane, block, base, labels);
    for (const outline of lane.outlines) this.#drawOutline(pen, outline, y, labels);
    this.#drawLabels(pen, labels, y);
  }

  // What is open to announcements is a broad ground; a quiet window thins it.
  #drawGround(pen, lane, top, base, labels) {
    pen.fillStyle = this.colours.ground;
    let from = this.from;
    const windows = lane.quiet
      .filter((q) => q.end_ms > this.from && q.start_ms < this.to)
      .sort((a, b) => a.start_ms - b.start_ms);
    const thin = (base - top) * 0.2;
    for (const q of windows) {
      if (q.start_ms > from) pen.fillRect(this.x(from), top, this.x(q.start_ms) - this.x(from), base - top);
      const left = this.x(Math.max(q.start_ms, this.from));
      const wide = this.x(Math.min(q.end_ms, this.to)) - left;
      pen.fillRect(left, base - thin, wide, thin);
      const text = `${q.label}, under ${q.min_priority}`;
      if (!q.music_off) {
        labels.push({ x: left, text });
      } else {
        pen.fillStyle = this.colours["ink-soft"];
        pen.font = `12px ${FACE}`;
        const fits = [text, q.label, "quiet"].find((t) => pen.measureText(t).width < wide - 8);
        if (fits) pen.fillText(fits, left + 4, base - thin - 6);
      }
      pen.fillStyle = this.colours.ground;
      from = Math.max(from, q.end_ms);
    }
    if (from < this.to) pen.fillRect(this.x(from), top, this.width - this.x(from), base - top);
  }

  #level(lane, duck_db) {
    return RIBBON * thickness(lane.zone.music_level_db + duck_db);
  }

  #drawMusic(pen, lane, base) {
    pen.fillStyle = this.colours.ribbon;
    for (const [start, end] of lane.music) {
      if (end <= this.from || start >= this.to) continue;
      const from = Math.max(start, this.from);
      const to = Math.min(end, this.to);
      const points = corners(lane.points, from, to);
      pen.beginPath();
      pen.moveTo(this.x(from), base);
      for (const [ms, db] of points) pen.lineTo(this.x(ms), base - this.#level(lane, db));
      pen.lineTo(this.x(to), base);
      pen.closePath();
      pen.fill();
    }
  }

  // The block lies in the notch: from the ribbon's full height down to where the music is held.
  #box(lane, block, base) {
    const left = this.x(block.start);
    const wide = Math.max(this.x(block.end) - left, LEAST_BLOCK);
    const plays = lane.music.some(([s, e]) => s < block.end && e > block.start);
    const top = base - Math.max(this.#level(lane, 0), 26);
    const held = plays ? this.#level(lane, duckAt(lane.points, block.start)) : 0;
    const bottom = Math.max(base - held - 2, top + 12);
    return { left, wide, top, tall: bottom - top };
  }

  #drawBlock(pen, lane, block, base, labels) {
    if (block.end < this.from - 1000 || block.start > this.to + 1000) return;
    const { colours } = this;
    const { left, wide, top, tall } = this.#box(lane, block, base);
    if (left > this.width || left + wide < 0) return;
    const solid = block.state === "sent" || block.state === "sounding" || block.state === "cut";
    if (wide < 8 && (block.state === "planned" || block.state === "sent")) {
      this.#drawMark(pen, left, top, wide, tall, solid ? colours.accent : colours["accent-soft"]);
      if (this.picked === block.play.id) this.#drawPicked(pen, left, top, wide, tall);
      labels.push({ x: left, text: block.play.title });
      return;
    }
    if (wide < 8) {
      pen.fillStyle = colours.ground;
      pen.fillRect(left - 1.5, top - 1, wide + 3, tall + 2);
    }
    pen.beginPath();
    this.#outline(pen, left, top, wide, tall, block.state === "cut");
    if (block.state === "not_sent") {
      pen.setLineDash([3, 3]);
    } else {
      pen.fillStyle = solid ? colours.accent : colours["accent-soft"];
      pen.fill();
    }
    pen.lineWidth = block.state === "sounding" ? 2.5 : wide < 8 ? 0.75 : 1.25;
    pen.strokeStyle = colours.ink;
    pen.stroke();
    pen.setLineDash([]);
    if (this.picked === block.play.id) this.#drawPicked(pen, left, top, wide, tall);
    this.#title(pen, block, left, top, wide, tall, solid, labels);
  }

  // A block too narrow for an outline: rectangles alone, since a day has thousands.
  #drawMark(pen, left, top, wide, tall, colour) {
    pen.fillStyle = this.colours.ground;
    pen.fillRect(left - 1.5, top - 1, wide + 3, tall + 2);
    pen.fillStyle = this.colours.ink;
    pen.fillRect(left - 0.5, top, wide + 1, tall);
    pen.fillStyle = colour;
    pen.fillRect(left + 0.25, top + 0.75, wide - 0.5, tall - 1.5);
  }

  // A cut play ends in a torn edge.
  #outline(pen, left, top, wide, tall, torn) {
    if (!torn) {
      pen.rect(left, top, wide, tall);
      return;
    }
    const tooth = Math.min(5, Math.max(wide * 0.5, 2));
    const teeth = Math.max(2, Math.round(tall / 8));
    const right = left + Math.max(wide, 4);
    pen.moveTo(left, top);
    pen.lineTo(right, top);
    for (let i = 1; i <= teeth; i += 1) {
      const y = top + (tall * (i - 0.5)) / teeth;
      pen.lineTo(right - tooth, y);
      pen.lineTo(right, top + (tall * i) / teeth);
    }
    pen.lineTo(left, top + tall);
    pen.closePath();
  }

  #drawPicked(pen, left, top, wide, tall) {
    pen.lineWidth = 2;
    pen.strokeStyle = this.colours.ink;
    pen.strokeRect(left - 4, top - 4, wide + 8, tall + 8);
  }

  #title(pen, block, left, top, wide, tall, solid, labels) {
    pen.font = `${block.state === "sounding" ? "700 " : ""}13px ${FACE}`;
    const from = Math.max(left, 0);
    const room = Math.min(left + wide, this.width) - from - 10;
    const text = block.play.title;
    if (tall >= 15 && room > 40) {
      pen.fillStyle = solid ? this.colours["on-accent"] : this.colours.ink;
      const fitted = fit(pen, text, room);
      if (fitted) {
        pen.fillText(fitted, from + 5, top + tall / 2 + 4.5);
        return;
      }
    }
    labels.push({ x: left, text, bold: block.state === "sounding" });
  }

  #drawOutline(pen, outline, y, labels) {
    const left = this.x(outline.start);
    if (left > this.width || left < -20) return;
    pen.setLineDash([3, 2]);
    pen.lineWidth = 1.5;
    pen.strokeStyle = this.colours.ink;
    pen.strokeRect(left, y + 4, 13, 13);
    pen.setLineDash([]);
    if (this.picked === outline.play.id) this.#drawPicked(pen, left, y + 4, 13, 13);
    const why = outline.over ? "not sent" : "no place";
    labels.push({ x: left + 17, from: left, text: `${outline.play.title}: ${why}, ${outline.play.reason}`, rank: outline.over ? 1 : 0 });
  }

  // Titles that found no room in their block stand above it, where there is room: first what finds no place, with
  // its reason, then what was not sent, then the others from left to right.
  #drawLabels(pen, labels, y) {
    labels.sort((a, b) => a.x - b.x);
    const taken = labels.filter((l) => l.rank !== undefined).map((l) => [l.from, l.x]);
    for (const rank of [0, 1, undefined]) {
      const due = labels.filter((l) => l.rank === rank);
      due.forEach((label, i) => {
        const x = Math.max(label.x, 0);
        if (taken.some(([from, to]) => from < x && to > x)) return;
        const next = taken.reduce((least, [from]) => (from >= x && from < least ? from : least), this.width);
        const other = rank !== undefined ? undefined : due.slice(i + 1, i + 9).find((l) => l.text !== label.text) ?? due[i + 1];
        const room = Math.min(next - x - 8, (other?.x ?? this.width) - x - 8, rank !== undefined ? 460 : 260);
        if (room < 30) return;
        pen.font = `${label.bold || rank === 0 ? "700 " : ""}12.5px ${FACE}`;
        const text = fit(pen, label.text, room);
        if (!text || (text !== label.text && room < 72)) return;
        pen.fillStyle = rank === 0 || label.bold ? this.colours.ink : this.colours["ink-soft"];
        pen.fillText(text, x, y + 14);
        taken.push([x, x + pen.measureText(text).width + 6]);
      });
    }
  }

  // What lies at or near a point of the drawing.
  hit(x, y, reach) {
    const index = Math.floor(y / this.laneHeight);
    const lane = this.day.lanes[index];
    if (lane === undefined) return null;
    const above = y - index * this.laneHeight - this.head < BAND;
    const candidates = [
      ...lane.outlines.map((o) => ({ ...o, left: this.x(o.start), right: this.x(o.start) + 13, far: above ? 0 : 6 })),
      ...lane.blocks.map((b) => ({ ...b, left: this.x(b.start), right: Math.max(this.x(b.end), this.x(b.start) + 3), far: above ? 6 : 0 })),
    ];
    let best = null;
    for (const one of candidates) {
      const distance = one.far + Math.max(one.left - x, x - one.right, 0);
      if (distance <= reach && (best === null || distance < best.distance)) best = { ...one, distance, zone: lane.zone };
    }
    return best;
  }
}

function fit(pen, text, room) {
  if (pen.measureText(text).width <= room) return text;
  let low = 0;
  let high = text.length;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (pen.measureText(`${text.slice(0, middle).trimEnd()}…`).width <= room) low = middle;
    else high = middle - 1;
  }
  return low >= 4 ? `${text.slice(0, low).trimEnd()}…` : "";
}
