// What alarms sound like, and when: for whoever stands with the back to the screen.
//
// Each group of kinds has a rhythm and pitches of its own, so that it is known before the first word what it is
// about. They are made up for this bay; medical equipment uses three or five pulses of even length (IEC 60601-1-8,
// from memory), which none of these does. A call comes at once and again every ten seconds until it is
// acknowledged or over, on every page, never louder. What is over needs nobody: it is shown and not sounded.

const LOUDNESS = 0.5; // of full scale, the same for every call
const AGAIN_MS = 10_000;
const MOST = 2; // patterns one after the other
const APART_S = 0.35;
const EDGE_S = 0.012; // swells and dies away so fast that it does not click

/** Group -> notes: pitch (Hz), begin (s), length (s). */
export const PATTERNS = {
  outlet: [[784, 0, 0.32], [622, 0.38, 0.1], [466, 0.54, 0.42]], // long, short, long, falling: nothing comes
  container: [[523, 0, 0.1], [659, 0.14, 0.1], [784, 0.28, 0.1], [1047, 0.42, 0.4]], // four steps up: it fills
  feed: [[330, 0, 0.42], [330, 0.52, 0.42]], // two long low ones: the deck runs empty
  water: [[988, 0, 0.08], [740, 0.1, 0.08], [988, 0.2, 0.08], [740, 0.3, 0.08], [988, 0.4, 0.08], [740, 0.5, 0.08]], // a trill
  instrument: [[1319, 0, 0.06], [1319, 0.12, 0.06], [1319, 0.5, 0.06], [1319, 0.62, 0.06]], // ticks in pairs
  record: [[392, 0, 0.5], [523, 0.56, 0.08], [523, 0.7, 0.08], [392, 0.84, 0.5]], // long, short, short, long
  other: [[698, 0, 0.36], [698, 0.48, 0.1]], // long, short
  lost: [[659, 0, 0.26], [494, 0.3, 0.26], [370, 0.6, 0.26], [262, 0.9, 0.6]], // four steps down, the last long
  test: [[523, 0, 0.2], [784, 0.24, 0.36]],
};

/** Kind -> group; whatever is not named here is "other". */
export const GROUPS = {
  "outlet-not-delivering": "outlet",
  "outlet-slow": "outlet",
  "outlet-surging": "outlet",
  "product-astray": "outlet",
  "container-near-full": "container",
  "container-missing": "container",
  "feed-stopped": "feed",
  "feed-drift": "feed",
  "feed-pulsing": "feed",
  "feed-contradicted": "feed",
  "feed-too-thick": "feed",
  "no-run-open": "feed",
  "masses-not-closing": "feed",
  "water-out-of-band": "water",
  "instrument-silent": "instrument",
  "instrument-unreadable": "instrument",
  "instrument-frozen": "instrument",
  "unit-changed": "instrument",
  "zero-drifted": "instrument",
  "flow-stuck": "instrument",
  "counter-reset": "instrument",
  "record-at-risk": "record",
  "journal-set-aside": "record",
  "store-behind": "record",
  "broker-behind": "record",
};

const RANKS = Object.keys(PATTERNS);
const groupOf = (alarm) => (Object.hasOwn(GROUPS, alarm.kind) ? GROUPS[alarm.kind] : "other");
const rank = (alarm) => RANKS.indexOf(groupOf(alarm));

export const lengthS = (pattern) => Math.max(...pattern.map(([, begin, length]) => begin + length));

/** Put the notes of a pattern onto a context's time line; answers what can stop them. */
export function schedule(context, pattern, atS, loudness = LOUDNESS) {
  return pattern.map(([pitch, begin, length]) => {
    const tone = context.createOscillator();
    const level = context.createGain();
    const [on, off] = [atS + begin, atS + begin + length];
    tone.type = "triangle"; // few overtones, and still heard beside running water
    tone.frequency.setValueAtTime(pitch, on);
    level.gain.setValueAtTime(0, on);
    level.gain.linearRampToValueAtTime(loudness, on + EDGE_S);
    level.gain.setValueAtTime(loudness, off - EDGE_S);
    level.gain.linearRampToValueAtTime(0, off);
    tone.connect(level);
    level.connect(context.destination);
    tone.start(on);
    tone.stop(off);
    return tone;
  });
}

/** Whether this page may sound, and the tones that sound now. Browsers allow none before a touch. */
export class Speaker {
  constructor() {
    this.context = null;
    this.tones = [];
    this.endMs = 0;
    this.onChange = () => {};
  }

  get able() {
    return "AudioContext" in window;
  }

  get running() {
    return this.context?.state === "running";
  }

  /** Ask for sound. Without a touch the browser may say no; `running` tells. */
  async open() {
    if (!this.able) return;
    if (!this.context) {
      this.context = new AudioContext();
      this.context.onstatechange = () => this.onChange();
    }
    try {
      await this.context.resume();
    } catch {
      // it stays silent, and the page says so
    }
    this.onChange();
  }

  async close() {
    this.hush();
    await this.context?.suspend();
    this.onChange();
  }

  /** Sound patterns one after the other; answers how long that takes (ms). */
  play(names, loudness = LOUDNESS) {
    if (!this.running) return 0;
    let atS = this.context.currentTime + 0.03;
    const beganS = atS;
    for (const name of names) {
      this.keep(schedule(this.context, PATTERNS[name], atS, loudness));
      atS += lengthS(PATTERNS[name]) + APART_S;
    }
    const ms = (atS - APART_S - beganS) * 1000;
    this.endMs = performance.now() + ms;
    return ms;
  }

  keep(tones) {
    this.tones.push(...tones);
    for (const tone of tones) tone.onended = () => (this.tones = this.tones.filter((one) => one !== tone));
  }

  /** One soft tone that slides from a pitch to another. */
  glide(fromHz, toHz, lengthS, loudness) {
    if (!this.running) return;
    const atS = this.context.currentTime + 0.03;
    const [tone] = schedule(this.context, [[fromHz, 0, lengthS]], atS, loudness);
    tone.frequency.exponentialRampToValueAtTime(toHz, atS + lengthS);
    this.keep([tone]);
    this.endMs = performance.now() + lengthS * 1000;
  }

  get sounding() {
    return performance.now() < this.endMs;
  }

  hush() {
    for (const tone of this.tones) {
      tone.stop();
      tone.disconnect();
    }
    this.tones = [];
    this.endMs = 0;
  }
}

/** Calls a person: decides from the alarms that stand what is sounded and said, and when. */
export class Caller {
  /** speaker sounds; say(alarms) speaks of them; hush() ends what is being said. */
  constructor(speaker, say, hush) {
    Object.assign(this, { speaker, say, stopSaying: hush });
    this.calling = [];
    this.fresh = [];
    this.ringing = new Set(); // ids of the alarms that the present call is about
    this.wasFresh = false;
    this.nextMs = 0;
    this.timer = 0;
    this.held = false;
  }

  /** The alarms of a new snapshot. */
  take(alarms) {
    const before = new Set(this.calling.map((alarm) => alarm.id));
    this.calling = alarms.filter((alarm) => alarm.state === "unacknowledged").sort((a, b) => rank(a) - rank(b));
    const now = new Map(this.calling.map((alarm) => [alarm.id, alarm]));
    this.fresh = this.calling.filter((alarm) => !before.has(alarm.id) || this.fresh.some((one) => one.id === alarm.id));
    if (this.ringing.size && ![...this.ringing].some((id) => now.has(id))) this.hush();
    this.turn();
  }

  /** Look whether a call is due; often. */
  turn() {
    if (this.held || !this.speaker.running || !this.calling.length) return;
    const now = performance.now();
    if (this.fresh.length) {
      if (this.wasFresh && this.speaker.sounding) return; // let the one before be heard to its end
      this.call(this.fresh, now);
      this.wasFresh = true;
      this.fresh = [];
    } else if (now >= this.nextMs) {
      this.call(this.calling, now);
      this.wasFresh = false;
    }
  }

  call(alarms, now) {
    this.hush();
    this.ringing = new Set(alarms.map((alarm) => alarm.id));
    const ms = this.speaker.play([...new Set(alarms.map(groupOf))].slice(0, MOST));
    this.nextMs = now + AGAIN_MS;
    this.timer = setTimeout(() => this.say(alarms), ms + 150);
  }

  hush() {
    clearTimeout(this.timer);
    this.ringing.clear();
    this.speaker.hush();
    this.stopSaying();
  }

  /** While no figures come nothing is called again: what stands now is not known. */
  hold(held) {
    if (held && !this.held) this.hush();
    if (!held && this.held) this.nextMs = performance.now();
    this.held = held;
  }
}
