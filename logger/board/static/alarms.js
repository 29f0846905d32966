// Alarms on top: what, where, since when, what to do, how sure, and one large button.

import { duration, figure, wallTime } from "./figures.js";
import { clean, copy, keyed, list, put, words } from "./nodes.js";
import { say } from "./actions.js";
import { speaks } from "./ears.js";

const STATES = {
  unacknowledged: "Not acknowledged",
  acknowledged: "Acknowledged",
  "returned-unacknowledged": "Over, not acknowledged",
  latched: "Over, still to be put right",
  shelved: "Shelved",
  suppressed: "Suppressed by design",
  "out-of-service": "Out of service",
};
const ORDER = ["unacknowledged", "returned-unacknowledged", "acknowledged", "latched"];
const OPEN = new Set(["unacknowledged", "returned-unacknowledged"]);
const OVER = new Set(["returned-unacknowledged", "latched"]);
const NO_RUN = "no-run-open";
const QUIET_MINUTES = 15;
const announced = new Set();
let waiting = [];

const QUIET = new Set(["shelved", "suppressed", "out-of-service", "normal"]);
const quiet = (alarm) => QUIET.has(alarm.state);
const rank = (alarm) => {
  const place = ORDER.indexOf(alarm.state);
  return place < 0 ? 0 : place; // a state we do not know is shown among the first
};

/** Subjects under an alarm that stands, to mark their figures: "station / subject". */
export function troubled(alarms) {
  const standing = list(alarms).filter((alarm) => !quiet(alarm) && !OVER.has(alarm.state));
  return new Set(standing.flatMap((alarm) => [`${alarm.station} / ${alarm.subject}`, `/ ${alarm.channel}`]));
}

export function showAlarms(snapshot, units) {
  const all = list(snapshot.alarms);
  const shown = all.filter((alarm) => !quiet(alarm)).sort((one, other) => rank(one) - rank(other));
  waiting = shown.filter((alarm) => OPEN.has(alarm.state));
  const focused = document.activeElement?.closest?.(".alarm");
  keyed(document.getElementById("alarm-list"), shown, (alarm) => alarm.id, make, (node, alarm) =>
    update(node, alarm, snapshot.time_zone, units),
  );
  if (focused && (!focused.isConnected || focused.querySelector(".ack").hidden)) moveFocus();
  heading(shown);
  showQuiet(all.filter(quiet), snapshot.time_zone);
  announce(waiting);
  document.title = clean(`${waiting.length ? `(${waiting.length}) ` : ""}${snapshot.bay || "Tallydeck"}`);
}

function make() {
  const node = copy("t-alarm");
  node.querySelector(".ack").addEventListener("click", () => acknowledge(node.alarm));
  node.querySelector(".begin").addEventListener("click", () => begin(node.alarm, node.zone));
  node.querySelector(".reset").addEventListener("click", () => reset(node.alarm));
  node.querySelector(".shelve").addEventListener("click", () => shelve(node.alarm));
  return node;
}

function update(node, alarm, zone, units) {
  node.alarm = alarm;
  node.dataset.state = alarm.state in STATES ? alarm.state : "unacknowledged";
  put(node, "state", STATES[alarm.state] || alarm.state);
  put(node, "what", alarm.what);
  put(node, "do", alarm.do);
  put(node, "where", words(alarm.station, alarm.subject, alarm.channel === alarm.subject ? "" : alarm.channel));
  const at = wallTime(alarm.since, zone);
  put(node, "since", `since ${at}${at ? ", " : ""}${duration(alarm.since_s_ago)} ago`);
  put(node, "evidence", evidence(alarm.evidence, units));
  const button = node.querySelector(".ack");
  button.hidden = !OPEN.has(alarm.state);
  button.setAttribute("aria-label", clean(`Acknowledge: ${alarm.what}`));
  offer(node, ".reset", alarm.state === "latched", `It is put right: ${alarm.what}`);
  offer(node, ".shelve", alarm.state === "acknowledged", `Quiet for ${QUIET_MINUTES} minutes: ${alarm.what}`);
  offerBegin(node, alarm, zone);
}

function offer(node, which, makesSense, label) {
  const button = node.querySelector(which);
  button.hidden = !makesSense;
  button.setAttribute("aria-label", clean(label));
}

/** A feed that moves without a run: the start that was forgotten can be said here, with its time. */
function offerBegin(node, alarm, zone) {
  const button = node.querySelector(".begin");
  const at = alarm.kind === NO_RUN && alarm.active ? wallTime(alarm.evidence?.since, zone) : "";
  node.zone = zone;
  button.hidden = at === "";
  const text = `Start run from ${at}`;
  if (at && button.textContent !== text) button.textContent = text;
}

function begin(alarm, zone) {
  const { since } = alarm.evidence;
  const station = alarm.station ? { station: alarm.station } : {};
  return say({ action: "start-run", ...station, time: since }, `Run started from ${wallTime(since, zone)}`);
}

function evidence(facts, units) {
  const pairs = Object.entries(facts && typeof facts === "object" ? facts : {}).filter(([name]) => name !== "since");
  return pairs.map(([name, value]) => `· ${fact(name, value, units)}`).join(" ");
}

const SUFFIXES = ["_kg_h", "_kg", "_l_min", "_l", "_s"];

/** "expected_kg_h": 6.6 reads "expected 6.6 kg/h"; "nats": 12 tells how sure, in words. */
function fact(name, value, units) {
  if (name === "nats" && typeof value === "number") {
    const odds = Math.exp(Math.min(value, 20.7));
    const digit = 10 ** Math.floor(Math.log10(odds));
    return `by chance less than 1 in ${(Math.floor(odds / digit) * digit).toLocaleString("en")}`;
  }
  const suffix = typeof value === "number" ? SUFFIXES.find((end) => name.endsWith(end)) || "" : "";
  const [unit, per] = {
    _kg_h: [` ${units.rate}`, units.per], _kg: [` ${units.mass}`, units.per],
    _l_min: [` ${units.flow}`, units.perL], _l: [` ${units.water}`, units.perL], _s: [" s", 1],
  }[suffix] || ["", 1];
  const short = name.slice(0, name.length - suffix.length).replaceAll("_", " ");
  const title = short === "u" ? "give or take" : short;
  const text = typeof value === "number" ? figure(value * per) : typeof value === "string" ? value : JSON.stringify(value);
  return `${title} ${text}${unit}`;
}

function heading(shown) {
  const text = shown.length === 0 ? "No alarm stands" : shown.length === 1 ? "1 alarm" : `${shown.length} alarms`;
  const title = document.getElementById("alarms-title");
  if (title.textContent !== text) title.textContent = text;
  const box = document.getElementById("alarms").classList;
  box.toggle("some", shown.length > 0);
  box.toggle("many", shown.length > 3);
  document.getElementById("ack-all").hidden = waiting.length < 2;
}

/** Why nobody is called, and the way back. */
function showQuiet(alarms, zone) {
  const box = document.getElementById("quiet");
  box.hidden = alarms.length === 0;
  const text = `${alarms.length} shelved, suppressed or out of service`;
  const summary = box.querySelector("summary");
  if (summary.textContent !== text) summary.textContent = text;
  keyed(
    document.getElementById("quiet-list"), alarms, (alarm) => alarm.id,
    makeQuiet,
    (node, alarm) => {
      node.alarm = alarm;
      put(node, "what", `${STATES[alarm.state]}: ${words(alarm.what, alarm.station, alarm.subject)}`);
      put(node, "why", reasons(alarm, zone));
      const button = node.querySelector("button");
      button.hidden = !(alarm.state in BACK);
      if (!button.hidden) button.textContent = BACK[alarm.state][0];
      button.setAttribute("aria-label", clean(`${button.textContent}: ${alarm.what}`));
    },
  );
}

const BACK = {
  shelved: ["End the silence", "unshelve"],
  "out-of-service": ["Return to service", "return-to-service"],
};

function makeQuiet() {
  const node = copy("t-quiet");
  node.querySelector("button").addEventListener("click", () => {
    const [done, action] = BACK[node.alarm.state];
    say({ action, alarm: node.alarm.id }, done);
  });
  return node;
}

function reasons(alarm, zone) {
  const until = alarm.shelved_until ? `until ${wallTime(alarm.shelved_until, zone)}` : "";
  return [alarm.suppressed_by, until, alarm.why, alarm.who && `by ${alarm.who}`].filter(Boolean).join(" · ");
}

/** For a reader of the screen, unless the page says it aloud itself. */
function announce(alarms) {
  const fresh = alarms.filter((alarm) => !announced.has(alarm.id));
  announced.clear();
  for (const alarm of alarms) announced.add(alarm.id);
  if (fresh.length && !speaks()) {
    document.getElementById("announce").textContent = clean(fresh.map((alarm) => `${alarm.what} ${alarm.do}`).join(" "));
  }
}

/** The acknowledged row's button is gone: go on to the next, or to the heading. */
function moveFocus() {
  const next = document.querySelector("#alarm-list .ack:not([hidden])");
  (next || document.getElementById("alarms-title")).focus();
}

export function acknowledge(alarm) {
  return say({ action: "acknowledge", alarm: alarm.id }, "Acknowledged");
}

function reset(alarm) {
  return say({ action: "reset-alarm", alarm: alarm.id }, "Put right");
}

function shelve(alarm) {
  return say({ action: "shelve", alarm: alarm.id, minutes: QUIET_MINUTES }, `Quiet for ${QUIET_MINUTES} minutes`);
}

export function acknowledgeFirst() {
  if (waiting.length) acknowledge(waiting[0]);
}

export function acknowledgeAll() {
  if (waiting.length) say({ action: "acknowledge", alarm: "all" }, "All acknowledged");
}
