// Figures as a person reads them: the bay's unit, and no more digits than the uncertainty bears.

const LB_KG = 0.45359237; // exact: the international pound
const GAL_L = 3.785411784; // exact: the US gallon

export const known = (value) => typeof value === "number" && Number.isFinite(value);

/** Decimals that fit an uncertainty: its first digit, or two where the first is a 1. */
export function decimals(u, otherwise) {
  if (!known(u) || u <= 0) return otherwise;
  const power = Math.floor(Math.log10(u));
  const first = Math.floor(u / 10 ** power + 1e-9);
  return Math.min(4, Math.max(0, (first === 1 ? 1 : 0) - power));
}

export class Units {
  constructor(unit) {
    this.mass = unit === "lb" ? "lb" : "kg";
    this.rate = `${this.mass}/h`;
    this.per = this.mass === "lb" ? 1 / LB_KG : 1;
    this.water = this.mass === "lb" ? "gal" : "L"; // whoever weighs in pounds measures water in gallons
    this.flow = `${this.water}/min`;
    this.perL = this.mass === "lb" ? 1 / GAL_L : 1;
    this.waterDigits = this.mass === "lb" ? 2 : 1;
  }

  /** {value, u}: both as text to the same digits; value "–" where it is not known. */
  pair(value, u, otherwise = 2) {
    if (!known(value)) return { value: "–", large: "–", u: "" };
    const digits = decimals(known(u) ? u * this.per : u, otherwise);
    return {
      value: fixed(value * this.per, digits),
      large: large(value * this.per, digits),
      u: known(u) ? `± ${fixed(u * this.per, digits)}` : "",
    };
  }

  massText(value, u, otherwise = 2) {
    const pair = this.pair(value, u, otherwise);
    return known(value) ? `${join(pair)} ${this.mass}` : "–";
  }

  rateText(value, u, otherwise = 1) {
    return known(value) ? `${join(this.pair(value, u, otherwise))} ${this.rate}` : "–";
  }
}

/** For reading from afar: decimals give way until five characters are enough. */
function large(value, digits) {
  let text = fixed(value, digits);
  for (let fewer = digits - 1; text.length > 5 && fewer >= 0; fewer -= 1) text = fixed(value, fewer);
  return text;
}

const join = (pair) => (pair.u ? `${pair.value} ${pair.u}` : pair.value);

function fixed(value, digits) {
  const text = value.toFixed(digits);
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", "−");
}

export function percent(share, u, otherwise = 1) {
  if (!known(share)) return "–";
  const digits = decimals(known(u) ? u * 100 : u, otherwise);
  const pm = known(u) ? ` ± ${fixed(u * 100, digits)}` : "";
  return `${fixed(share * 100, digits)}${pm} %`;
}

export function plain(value, digits) {
  return known(value) ? fixed(value, digits) : "–";
}

/** A bare figure to three digits that count. */
export function figure(value) {
  return known(value) ? String(Number(value.toPrecision(3))).replace("-", "−") : "–";
}

/** A length of time in the two largest units that matter. */
export function duration(s) {
  if (!known(s)) return "–";
  if (s < 90) return `${Math.max(0, Math.round(s))} s`;
  if (s < 5400) return `${Math.round(s / 60)} min`;
  const min = Math.round(s / 60);
  return `${Math.floor(min / 60)} h ${min % 60} min`;
}

export function runClock(s) {
  if (!known(s)) return "–";
  const whole = Math.max(0, Math.floor(s));
  const two = (n) => String(n).padStart(2, "0");
  return `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
}

/** A moment as the bay's wall clock shows it. */
export function wallTime(text, zone, seconds = false) {
  const moment = new Date(typeof text === "string" ? text : NaN);
  if (Number.isNaN(moment.getTime())) return "";
  const shape = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
  if (seconds) shape.second = "2-digit";
  try {
    return new Intl.DateTimeFormat("en-GB", { ...shape, timeZone: zone || "UTC" }).format(moment);
  } catch {
    return new Intl.DateTimeFormat("en-GB", { ...shape, timeZone: "UTC" }).format(moment) + " UTC";
  }
}
