// What is said aloud: short, made for the ear, with numbers as words and without ids.

const LONGEST_NAME = 40;
const LONGEST = 160;
const MOST = 2; // alarms of which is spoken in one call

const ONES =
  "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split(" ");
const TENS = "- - twenty thirty forty fifty sixty seventy eighty ninety".split(" ");

/** A whole number as it is said; above 999 digit by digit. */
export function inWords(number) {
  const n = Math.round(Math.abs(number));
  if (n < 20) return ONES[n];
  if (n < 100) return n % 10 ? `${TENS[Math.floor(n / 10)]}-${ONES[n % 10]}` : TENS[n / 10];
  if (n < 1000) return `${ONES[Math.floor(n / 100)]} hundred${n % 100 ? ` and ${inWords(n % 100)}` : ""}`;
  return [...String(n)].map((digit) => ONES[digit]).join(" ");
}

/** Text without markup, marks that turn the writing, brackets or figures: only what can be said. */
function plain(text) {
  return String(text ?? "")
    .slice(0, 2000)
    .normalize("NFKC")
    .replace(/<[^>]*>/g, " ")
    .replace(/[^\p{L}\p{M}\p{N}', ]+/gu, " ")
    .replace(/\d+/g, (digits) => ` ${digits.length > 3 ? [...digits].map((d) => ONES[d]).join(" ") : inWords(Number(digits))} `)
    .replace(/ +/g, " ")
    .trim();
}

/** A name as it can be said, and no longer than anybody would say it. */
export function forEar(name, otherwise = "one without a name") {
  return shortened(plain(name), LONGEST_NAME) || otherwise;
}

function shortened(text, longest) {
  if (text.length <= longest) return text;
  const cut = [...text.slice(0, longest + 1)].slice(0, -1).join("");
  const blank = cut.lastIndexOf(" ");
  return blank > longest / 2 ? cut.slice(0, blank) : cut;
}

const large = (text) => text.charAt(0).toUpperCase() + text.slice(1);
const one = (n, unit) => `${inWords(n)} ${unit}${n === 1 ? "" : "s"}`;

/** A length of time, no finer than anybody needs to hear. */
export function span(s) {
  if (s < 55) return one(Math.max(10, 10 * Math.round(s / 10)), "second");
  if (s < 5400) return one(Math.max(1, Math.round(s / 60)), "minute");
  return one(Math.round(s / 3600), "hour");
}

const isNumber = (value) => typeof value === "number" && Number.isFinite(value);
const level = (alarm) => (/\b(below|under)\b/.test(alarm.what) ? "below" : "above");
const nearlyFull = (name, alarm) => (/ is full/.test(alarm.what) ? `The container of ${name} is full` : `The container of ${name} is nearly full`);

/** Kind -> what is said of its subject. */
export const PHRASES = {
  "outlet-not-delivering": (name) => `${name} does not deliver`,
  "outlet-slow": (name) => `${name} is slow`,
  "outlet-surging": (name) => `${name} let go at once`,
  "product-astray": (name) => `Product of ${name} goes astray`,
  "container-near-full": nearlyFull,
  "container-missing": (name) => `${name} has no container`,
  "feed-stopped": () => "The feed stopped",
  "feed-drift": (name, alarm) => `The feed runs ${level(alarm)} its target`,
  "feed-pulsing": () => "The feed pulsates",
  "feed-contradicted": () => "The feed and the outlets contradict each other",
  "feed-too-thick": () => "The feed is too thick",
  "no-run-open": () => "The feed moves and no run is open",
  "masses-not-closing": () => "What came out is not what was fed",
  "water-out-of-band": (name, alarm) => `The water, ${name}, runs ${level(alarm)} its band`,
  "instrument-silent": (name) => `The instrument ${name} is silent`,
  "instrument-unreadable": (name) => `The instrument ${name} cannot be read`,
  "instrument-frozen": (name) => `The instrument ${name} shows the same all the time`,
  "unit-changed": (name) => `The instrument ${name} shows another unit or mode`,
  "zero-drifted": (name) => `The zero of ${name} has moved`,
  "flow-stuck": (name) => `The meter ${name} shows the same all the time`,
  "counter-reset": (name) => `The meter ${name} began to count anew`,
  "record-at-risk": () => "The record is at risk",
  "journal-set-aside": () => "The journal was set aside",
  "store-behind": () => "The store does not take what is sent",
  "broker-behind": () => "The broker does not take what is sent",
};
const MOMENTS = new Set(["outlet-surging", "counter-reset", "journal-set-aside", "unit-changed", "zero-drifted"]);

/** An alarm for the ear, such as "Concentrate does not deliver. For two minutes." */
export function spoken(alarm, manyStations = false) {
  const phrase = Object.hasOwn(PHRASES, alarm.kind) ? PHRASES[alarm.kind] : null;
  const name = forEar(alarm.subject);
  const what = phrase ? phrase(name, { what: String(alarm.what ?? "") }) : firstSentence(alarm.what);
  const parts = [manyStations && alarm.station ? large(forEar(alarm.station)) : "", large(what), time(alarm)];
  return parts.filter(Boolean).map((part) => `${part}.`).join(" ");
}

function time(alarm) {
  const left = alarm.evidence?.left_s;
  if (alarm.kind === "container-near-full") return isNumber(left) && left > 0 ? large(`about ${span(left)} left`) : "";
  if (MOMENTS.has(alarm.kind) || !isNumber(alarm.since_s_ago) || alarm.since_s_ago < 5) return "";
  return `For ${span(alarm.since_s_ago)}`;
}

function firstSentence(what) {
  return shortened(plain(String(what ?? "").split(/[.:;]\s/)[0]), LONGEST) || "An alarm stands";
}

/** What is said of all alarms that call. */
export function spokenOf(alarms, manyStations) {
  const told = alarms.slice(0, MOST).map((alarm) => spoken(alarm, manyStations));
  const more = alarms.length - told.length;
  if (more) told.push(`And ${inWords(more)} more.`);
  return told.join(" ");
}

/** A voice for English on this device; where there is none, nothing is said. */
export class Voice {
  constructor() {
    this.wanted = true;
    this.synthesis = window.speechSynthesis ?? null;
    this.onChange = () => {};
    if (this.synthesis) this.synthesis.onvoiceschanged = () => this.onChange();
  }

  find() {
    const english = (this.synthesis?.getVoices() ?? []).filter((voice) => /^en\b/i.test(voice.lang));
    return english.find((voice) => voice.localService) ?? english[0] ?? null;
  }

  get able() {
    return this.find() !== null;
  }

  get speaking() {
    return Boolean(this.synthesis?.speaking);
  }

  say(text) {
    const voice = this.wanted ? this.find() : null;
    if (!voice || !text) return;
    const utterance = new SpeechSynthesisUtterance(text);
    utterance.voice = voice;
    utterance.lang = voice.lang;
    this.synthesis.speak(utterance);
  }

  hush() {
    this.synthesis?.cancel();
  }
}
