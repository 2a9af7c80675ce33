// The way to the service: ask, and hear of changes. Knows nothing of the page.

export class Problem extends Error {
  constructor(detail, status) {
    super(detail);
    this.status = status;
  }
}

export async function ask(path, { method = "GET", body, timeout_ms = 15000 } = {}) {
  const options = { method, headers: {}, signal: AbortSignal.timeout(timeout_ms) };
  if (body !== undefined) {
    options.headers["content-type"] = "application/json";
    options.body = JSON.stringify(body);
  }
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Problem("The service does not answer. Is the connection there?", 0);
  }
  const tree = await answer.json().catch(() => null);
  if (!answer.ok) throw new Problem(tree?.detail ?? `The service answered ${answer.status}.`, answer.status);
  return tree;
}

const LOOK_MS = 10000;

// Calls `changed(name)` for "plan", "log", "state", "venue"; `lost(since_ms)` and `found()` as the line goes and comes.
// Server-sent events tell of a broken line; a look at the health every ten seconds tells of a dead one.
export class Line {
  constructor({ changed, lost, found, health }) {
    Object.assign(this, { changed, lost, found, health });
    this.heard_ms = Date.now();
    this.isLost = false;
    this.#open();
    this.timer = setInterval(() => this.look(), LOOK_MS);
    addEventListener("online", () => this.look());
    addEventListener("offline", () => this.#gone());
    document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && this.look());
    this.look();
  }

  #open() {
    this.source?.close();
    this.source = new EventSource("/api/events");
    this.source.onopen = () => this.#there();
    this.source.onerror = () => this.#gone();
    for (const name of ["plan", "log", "state", "venue"]) {
      this.source.addEventListener(name, () => {
        this.#there();
        this.changed(name);
      });
    }
  }

  async look() {
    try {
      const sent = Date.now();
      const health = await ask("/api/health", { timeout_ms: 4000 });
      this.health(health, sent, Date.now());
      if (this.source.readyState === EventSource.CLOSED) this.#open();
      else this.#there();
    } catch {
      this.#gone();
    }
  }

  #there() {
    this.heard_ms = Date.now();
    if (!this.isLost) return;
    this.isLost = false;
    this.found();
  }

  #gone() {
    if (this.isLost) return;
    this.isLost = true;
    this.lost(this.heard_ms);
  }
}
