// A tone to feed by, for whoever feeds by hand and looks at the scoop: silent on pace, above the middle pitch
// when behind, below it when ahead; the further off, the further from it. `core/pace.py` says how far off it is.

const EVERY_MS = 2000;
const MIDDLE_HZ = 440;
const LOUDNESS = 0.12; // well below any alarm
const LENGTH_S = 0.22;

/** The pitch for a `tone` of -1 (far behind) to 1 (far ahead); null: silence. An octave to either side. */
export function pitchHz(tone) {
  if (typeof tone !== "number" || !Number.isFinite(tone) || tone === 0) return null;
  return MIDDLE_HZ * 2 ** -Math.max(-1, Math.min(1, tone));
}

export class Pacing {
  /** blocked() says whether an alarm, a voice or a lost daemon has the word. */
  constructor(speaker, blocked) {
    Object.assign(this, { speaker, blocked, on: false, tone: 0 });
  }

  start() {
    setInterval(() => this.turn(), EVERY_MS);
  }

  /** The stations of a new snapshot. With two, the one that is further off is heard. */
  take(stations) {
    const paces = stations.filter((s) => s.run && s.feed?.pace && s.feed.pace.state !== "paused").map((s) => s.feed.pace.tone);
    this.tone = paces.reduce((far, tone) => (Math.abs(tone) > Math.abs(far) ? tone : far), 0);
  }

  turn() {
    const pitch = pitchHz(this.tone);
    if (!this.on || pitch === null || this.blocked() || this.speaker.sounding) return;
    // From the middle pitch to the one that tells: so one beep alone says which way.
    this.speaker.glide(MIDDLE_HZ, pitch, LENGTH_S, LOUDNESS);
  }
}
