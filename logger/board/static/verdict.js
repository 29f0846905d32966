// The second's look: a few words that say whether all is well, and if not, what is wrong where.

import { known } from "./figures.js";
import { clean, copy, keyed, list, put } from "./nodes.js";

// Subject and verb of each alarm, the most urgent first: when several stand, the first of these is said.
const SAYS = [
  ["record-at-risk", () => "Record at risk"],
  ["outlet-not-delivering", (name) => `${name} does not deliver`],
  ["feed-stopped", () => "Feed stopped"],
  ["product-astray", (name) => `${name} goes astray`],
  ["container-missing", (name) => `${name} has no container`],
  ["container-near-full", (name) => `${name} nearly full`],
  ["no-run-open", () => "Feed moves, no run open"],
  ["instrument-silent", (name) => `${name} is silent`],
  ["instrument-unreadable", (name) => `${name} cannot be read`],
  ["instrument-frozen", (name) => `${name} stands still`],
  ["unit-changed", (name) => `${name} changed its unit`],
  ["outlet-slow", (name) => `${name} is slow`],
  ["outlet-surging", (name) => `${name} let go at once`],
  ["water-out-of-band", (name) => `${name} off its band`],
  ["feed-drift", () => "Feed off its target"],
  ["feed-too-thick", () => "Feed too thick"],
  ["feed-pulsing", () => "Feed pulsates"],
  ["feed-contradicted", () => "Feed scale contradicted"],
  ["flow-stuck", (name) => `${name} stands still`],
  ["counter-reset", (name) => `${name} counts anew`],
  ["zero-drifted", (name) => `${name} lost its zero`],
  ["masses-not-closing", () => "Masses do not close"],
  ["store-behind", () => "Store is behind"],
  ["broker-behind", () => "Broker is behind"],
  ["journal-set-aside", () => "A record was set aside"],
];
const WORDS = new Map(SAYS);
const URGENCY = new Map(SAYS.map(([kind], place) => [kind, place]));
const STANDS = ["unacknowledged", "acknowledged"];
const NUMBERS = ["no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"];
const LONGEST = 60;

const number = (n) => NUMBERS[n] ?? String(n);
const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

/** An alarm as subject and verb; one of a kind that we do not know in its own words. */
export function inShort(alarm) {
  const words = WORDS.get(alarm.kind);
  const text = clean(words ? capital(words(String(alarm.subject ?? ""))) : String(alarm.what ?? "").replace(/\.$/, ""));
  return text.length > LONGEST ? `${text.slice(0, LONGEST)}…` : text;
}

/** The alarms that stand for a station, the most urgent first; those of no station stand for the first. */
function standing(snapshot, station, first) {
  const channels = new Set([station.feed, ...list(station.outlets), ...list(station.water)].map((part) => part?.channel));
  const here = (alarm) =>
    alarm.station === station.name || (!alarm.station && (channels.has(alarm.channel) || (first && !known(placed(alarm, snapshot)))));
  const rank = (alarm) => STANDS.indexOf(alarm.state) * 100 + (URGENCY.get(alarm.kind) ?? 50);
  return list(snapshot.alarms).filter((alarm) => STANDS.includes(alarm.state) && here(alarm)).sort((one, other) => rank(one) - rank(other));
}

/** Which station uses an alarm's channel; undefined: none. */
function placed(alarm, snapshot) {
  const index = list(snapshot.stations).findIndex((station) =>
    [station.feed, ...list(station.outlets), ...list(station.water)].some((part) => part?.channel && part.channel === alarm.channel),
  );
  return index < 0 ? undefined : index;
}

/** {words, call, more}: call is "new" or "seen" for an alarm, "hold" where work rests, "well" else. */
export function verdict(snapshot, station, first = true) {
  const alarms = standing(snapshot, station, first);
  if (alarms.length) {
    const more = alarms.length > 1 ? `and ${number(alarms.length - 1)} more` : "";
    return { words: inShort(alarms[0]), call: alarms[0].state === STANDS[0] ? "new" : "seen", more };
  }
  const hold = (words) => ({ words, call: "hold", more: "" });
  if (!station.run) return hold("No run open");
  if (station.paused_since) return hold(station.run.feed_ended ? "Feed ended, deck runs empty" : "Feed paused");
  if (station.run.feed_ended) return hold("Feed ended, deck runs empty");
  if (station.feed?.state === "stopped") return hold("Feed stopped");
  return { more: "", ...ofOutlets(list(station.outlets)) };
}

function ofOutlets(outlets) {
  const weighed = outlets.filter((outlet) => outlet.weighed);
  if (!weighed.length) return { words: "No outlet is weighed", call: "hold" };
  const away = weighed.find((outlet) => outlet.state === "off" || outlet.away_since);
  if (away) return { words: clean(`${capital(String(away.name))}: container away`), call: "hold" };
  const deliver = weighed.filter((outlet) => known(outlet.rate_kg_h) && outlet.rate_kg_h > 2 * (outlet.u_rate_kg_h ?? 0));
  if (!deliver.length) return { words: "No product yet", call: "hold" };
  if (deliver.length < weighed.length) {
    return { words: `${capital(number(deliver.length))} of ${number(weighed.length)} outlets deliver`, call: "hold" };
  }
  const all = weighed.length === outlets.length ? "outlets" : "weighed outlets";
  if (weighed.length === 1) return { words: clean(`${capital(String(weighed[0].name))} delivers`), call: "well" };
  const every = weighed.length === 2 ? "Both" : `All ${number(weighed.length)}`;
  return { words: `${every} ${all} deliver`, call: "well" };
}

const MARKS = { new: "▲", seen: "△", hold: "■", well: "✓" };

export function showVerdicts(snapshot) {
  const stations = list(snapshot.stations);
  const told = stations.map((station, index) => ({ name: station.name, ...verdict(snapshot, station, index === 0) }));
  keyed(document.getElementById("verdicts"), told, (one) => one.name, () => copy("t-verdict"), (node, one) => {
    node.dataset.call = one.call;
    put(node, "mark", MARKS[one.call]);
    put(node, "station", stations.length > 1 ? `${one.name}: ` : "");
    put(node, "words", one.words);
    put(node, "more", one.more);
  });
}
