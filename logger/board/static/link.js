// The line to the daemon. It knows how old what we show is, and mends itself.

const LOST_MS = 3500; // no event for this long: the daemon is lost (it pulses each second)
const STALE_S = 5; // a snapshot this old: the daemon answers, but its recording loop does not turn

export class Link {
  /** onState(snapshot); onHealth({lost, stale, ageS, why}) about twice a second. */
  constructor(onState, onHealth) {
    this.onState = onState;
    this.onHealth = onHealth;
    this.heardMs = performance.now(); // the last event of any kind
    this.freshMs = null; // when what we show was new
    this.staleS = 0;
    this.why = "";
    this.source = null;
    this.broken = false;
  }

  start() {
    this.open();
    setInterval(() => this.check(), 500);
    document.addEventListener("visibilitychange", () => this.check());
  }

  open() {
    this.source = new EventSource("/api/v1/events");
    this.source.addEventListener("state", (event) => {
      this.heard();
      this.freshMs = performance.now();
      this.staleS = 0;
      this.onState(JSON.parse(event.data));
      this.check();
    });
    this.source.addEventListener("pulse", (event) => {
      this.heard();
      this.staleS = JSON.parse(event.data).age_s;
    });
    this.source.addEventListener("error", () => {
      this.broken = true;
      this.check();
      this.reopen();
    });
  }

  heard() {
    this.heardMs = performance.now();
    this.broken = false;
    this.why = "";
  }

  check() {
    const now = performance.now();
    const lost = this.broken || now - this.heardMs > LOST_MS;
    const stale = !lost && this.staleS > STALE_S;
    const ageS = stale ? this.staleS : this.freshMs === null ? null : (now - this.freshMs) / 1000;
    this.onHealth({ lost, stale, ageS, why: this.why });
    if (lost && !this.broken) this.reopen();
  }

  /** Close, find out why, and try again a second later; one attempt at a time. */
  async reopen() {
    if (this.mending) return;
    this.mending = true;
    this.source.close();
    this.why = await reason();
    await new Promise((done) => setTimeout(done, 1000));
    this.mending = false;
    this.heardMs = Math.max(this.heardMs, performance.now() - LOST_MS);
    this.broken = true; // until something is heard
    this.open();
  }
}

async function reason() {
  try {
    await renew();
    const enough = new AbortController();
    const timer = setTimeout(() => enough.abort(), 2000);
    const answer = await fetch("/api/v1/events", { cache: "no-store", signal: enough.signal });
    const why = answer.ok ? "" : (await answer.json()).detail;
    clearTimeout(timer);
    enough.abort();
    return why;
  } catch {
    return "";
  }
}

/** A new session: they end when the daemon restarts, and by age. */
export async function renew() {
  await fetch("/", { cache: "no-store", signal: AbortSignal.timeout(2000) });
}
