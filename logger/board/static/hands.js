// What a person says in the middle of a run with one touch or one key: a mark, the feed paused or going on, a
// container changed, the end of the run.

import { say, tell } from "./actions.js";
import { keepAwake, prepareAwake } from "./awake.js";
import { hear, prepareEars, sayAloud } from "./ears.js";
import { clean, list, put } from "./nodes.js";
import { forEar, inWords } from "./speech.js";
import { prepareUndo } from "./undo.js";

const BY_KEY_MS = 5000; // so long an outlet can be named after the container's key
const AGAIN_MS = 3000; // so long the end of the run can be confirmed
const ABOUT_CONTAINERS = ["container-near-full", "container-missing"];
const NEARLY = 0.9; // of a container's fill: then it is offered first

let stations = [];
let alarms = [];
let asked = null; // {choices: [{words, ear, take}], first, timer, back}

const only = () => (stations.length === 1 ? stations[0] : null);
const node = (id) => document.getElementById(id);

export function prepareHands() {
  prepareEars();
  prepareAwake();
  prepareUndo();
  node("mark").addEventListener("click", mark);
  node("feed-pause").addEventListener("click", () => pauseOrResume());
  node("container-key").addEventListener("click", () => askContainer(false));
  node("ask-cancel").addEventListener("click", unask);
  document.addEventListener("keydown", (event) => event.key === "Escape" && unask());
}

export function mark() {
  const station = only() ? { station: only().name } : {};
  return say({ action: "mark", ...station }, "Mark");
}

/** With one station a touch is enough; with more, which one is asked. */
export function pauseOrResume() {
  if (only()) return setFeed(only());
  if (stations.length > 1 && asked?.about !== "feed") {
    const choices = stations.map((s) => ({ words: `${s.name}: ${feedWords(s)}`, ear: forEar(s.name), take: () => setFeed(s) }));
    ask({ about: "feed", title: "The feed of which station?", choices });
  }
}

const feedWords = (station) => (station.paused_since ? "the feed goes on" : "pause the feed");

function setFeed(station) {
  return station.paused_since
    ? say({ action: "resume-feed", station: station.name }, "The feed goes on")
    : say({ action: "pause-feed", station: station.name }, "The feed is paused");
}

/** Whose container was changed? The one that calls for it stands first; the same key again takes it. */
export function askContainer(byKey) {
  if (asked?.about === "container") return void (byKey && choose("Enter"));
  const choices = stations.flatMap((station) =>
    list(station.outlets).filter((outlet) => outlet.weighed).map((outlet) => ({
      words: stations.length > 1 ? `${outlet.name} of ${station.name}` : outlet.name,
      ear: forEar(outlet.name),
      urgent: urgency(station, outlet),
      take: () =>
        say({ action: "container-changed", station: station.name, outlet: outlet.name }, `Container of ${outlet.name} changed`),
    })),
  );
  if (!choices.length) return void refuse("No outlet has a scale.");
  const most = Math.max(...choices.map((choice) => choice.urgent));
  const first = most > 0 && choices.filter((choice) => choice.urgent === most).length === 1 ? choices.findIndex((choice) => choice.urgent === most) : -1;
  ask({ about: "container", title: "The container of which outlet was changed?", choices, first, ms: byKey ? BY_KEY_MS : 0 });
}

/** How much a container calls to be changed: 2 by an alarm, 1 by its fill, else 0. */
function urgency(station, outlet) {
  const called = alarms.some(
    (alarm) => ABOUT_CONTAINERS.includes(alarm.kind) && alarm.active !== false && alarm.station === station.name && alarm.subject === outlet.name,
  );
  return called ? 2 : outlet.fill >= NEARLY ? 1 : 0;
}

/** The end of a run wants the same key twice; with more than one run open, the number of its station. */
export function askEnd() {
  const running = stations.filter((station) => station.run);
  if (asked?.about === "end") return void choose("Enter");
  if (!running.length) return void refuse("No run is open.");
  const choices = running.map((station) => ({
    words: `End run ${station.run.run} of ${station.name}`,
    ear: forEar(station.name),
    take: () => say({ action: "end-run", station: station.name, run: station.run.run }, "End the run"),
  }));
  const one = running.length === 1;
  const title = one ? "End the run? Press the same key again within 3 s." : "End the run of which station?";
  ask({ about: "end", title, choices, first: one ? 0 : -1, ms: AGAIN_MS, ear: one ? "End the run? Press again." : undefined });
}

function refuse(text) {
  tell(text);
  sayAloud(text);
}

// ------------------------------------------------------------------ one question at a time

function ask({ about, title, choices, first = -1, ms = 0, ear }) {
  unask();
  const back = document.activeElement;
  asked = { about, choices: choices.slice(0, 9), first, back, timer: ms ? setTimeout(lapsed, ms) : 0 };
  put(node("ask"), "title", title);
  node("ask-choices").replaceChildren(...asked.choices.map(button));
  node("ask").hidden = false;
  if (!ms) node("ask-choices").children[Math.max(0, first)]?.focus();
  sayAloud(ear ?? question(title));
}

/** The question for the ear: the one that is offered first, then the numbers. */
function question(title) {
  const { choices, first } = asked;
  const offered = first >= 0 ? `${choices[first].ear}: press again. ` : "";
  return `${offered || `${title} `}${choices.map((choice, index) => `${inWords(index + 1)}, ${choice.ear}`).join(". ")}.`;
}

function button(choice, index) {
  const made = document.createElement("button");
  const cap = document.createElement("kbd");
  made.type = "button";
  made.className = "big";
  made.classList.toggle("first", index === asked.first);
  made.append(document.createTextNode(""), cap);
  made.firstChild.data = clean(choice.words);
  cap.textContent = String(index + 1);
  cap.setAttribute("aria-hidden", "true");
  made.addEventListener("click", () => choose(index + 1));
  return made;
}

/** Take a choice by its number, or with "Enter" the one that is offered; whether there was one. */
export function choose(which) {
  const choice = asked?.choices[which === "Enter" ? asked.first : which - 1];
  if (!choice) return false;
  unask();
  choice.take();
  return true;
}

function lapsed() {
  unask();
  refuse("Nothing was chosen in time; nothing was done.");
}

export function unask() {
  if (!asked) return;
  clearTimeout(asked.timer);
  const { back } = asked;
  const had = node("ask").contains(document.activeElement);
  asked = null;
  node("ask").hidden = true;
  if (had) back?.focus?.();
}

/** Each snapshot: what is heard, whether the screen stays lit, and what the buttons would do now. */
export function offerHands(snapshot) {
  stations = list(snapshot.stations);
  alarms = list(snapshot.alarms);
  hear(snapshot);
  keepAwake(snapshot);
  const paused = Boolean(only()?.paused_since);
  const bar = node("bar");
  put(bar, "feed-pause", stations.length > 1 ? "Feed paused …" : paused ? "The feed goes on" : "Pause the feed");
}
