// Sound on this device: whether there is any, how to have it, and what sounds when.

import { list } from "./nodes.js";
import { Pacing } from "./pacing.js";
import { Caller, Speaker } from "./sounds.js";
import { Voice, spokenOf } from "./speech.js";

const TURN_MS = 200;
const LOST = "No word from the daemon. Watch the outlets yourself.";
const STILL = "The daemon stands still. Watch the outlets yourself.";

const speaker = new Speaker();
const voice = new Voice();
let manyStations = false;
const caller = new Caller(
  speaker,
  (alarms) => voice.say(spokenOf(alarms, manyStations)),
  () => voice.hush(),
);
const pacing = new Pacing(speaker, () => caller.calling.length > 0 || caller.held || voice.speaking);

const node = (id) => document.getElementById(id);
const setting = (name, otherwise) => localStorage.getItem(`tallydeck-${name}`) ?? otherwise;
const keep = (name, value) => localStorage.setItem(`tallydeck-${name}`, value);

/** Whether what happens is said aloud, so that nothing else need read it out. */
export const speaks = () => speaker.running && voice.wanted && voice.able;

/** Say the outcome of something a person did; it goes before what is being said of alarms. */
export function sayAloud(text) {
  if (!speaks()) return;
  voice.hush();
  voice.say(text);
}

export function prepareEars() {
  speaker.onChange = showEars;
  voice.onChange = showEars;
  voice.wanted = setting("voice", "on") === "on";
  pacing.on = setting("pacing", "off") === "on";
  node("sound-on").addEventListener("click", switchOn);
  node("sound-off").addEventListener("click", () => switchOff());
  node("test-tone").addEventListener("click", switchOn);
  node("sound").addEventListener("change", () => (node("sound").checked ? switchOn() : switchOff()));
  choice("voice", (on) => {
    voice.wanted = on;
    if (!on) voice.hush();
  });
  choice("pacing", (on) => (pacing.on = on));
  // Browsers allow no sound before the page was touched: where it was wanted before, any touch brings it back.
  for (const kind of ["pointerup", "keydown"]) document.addEventListener(kind, bringBack, { capture: true });
  bringBack();
  setInterval(() => caller.turn(), TURN_MS);
  pacing.start();
  showEars();
}

function choice(name, take) {
  const box = node(name);
  box.checked = setting(name, name === "voice" ? "on" : "off") === "on";
  box.addEventListener("change", () => {
    keep(name, box.checked ? "on" : "off");
    take(box.checked);
    showEars();
  });
}

function bringBack() {
  if (setting("sound", "") === "on" && !speaker.running) speaker.open();
}

async function switchOn() {
  keep("sound", "on");
  await speaker.open();
  speaker.play(["test"]);
  showEars();
}

function switchOff() {
  keep("sound", "off");
  caller.hush();
  speaker.close();
  showEars();
}

function showEars() {
  const off = setting("sound", "") === "off";
  node("ears").hidden = speaker.running && !off;
  node("ears").classList.toggle("chosen", off);
  node("ears-why").textContent = !speaker.able
    ? "This browser can make none: look at the page."
    : off
      ? "It was switched off on this device."
      : "Alarms are only shown: the browser allows no sound before you touch it.";
  node("sound-on").hidden = !speaker.able;
  node("sound-off").hidden = off || !speaker.able;
  node("sound").checked = speaker.running && !off;
  node("voice-none").hidden = voice.able;
  node("said-last").setAttribute("aria-live", speaks() ? "off" : "polite"); // what is said aloud is not read out too
}

/** What a new snapshot tells to hear. */
export function hear(snapshot) {
  manyStations = list(snapshot.stations).length > 1;
  caller.take(list(snapshot.alarms));
  pacing.take(list(snapshot.stations));
}

/** The daemon is lost or stands still: said once, and nothing is called until figures come again. */
export function hearHealth({ lost, stale, ageS }) {
  const gone = (lost || stale) && ageS !== null;
  if (gone && !caller.held) {
    caller.hold(true);
    const ms = speaker.play(["lost"]);
    setTimeout(() => caller.held && speaks() && voice.say(lost ? LOST : STILL), ms + 150);
  } else if (!gone && caller.held) caller.hold(false);
}
