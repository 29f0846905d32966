// Snapshots in, page out. Everything else is a hand of this.

import { acknowledgeAll, showAlarms, troubled } from "./alarms.js";
import { hearHealth } from "./ears.js";
import { Units, duration, known, wallTime } from "./figures.js";
import { offer, prepareForms } from "./forms.js";
import { offerHands, prepareHands } from "./hands.js";
import { prepareKeys } from "./keys.js";
import { Link } from "./link.js";
import { showInstruments, showRecognised } from "./lists.js";
import { put } from "./nodes.js";
import { showStations, showStreams, tickStation } from "./station.js";
import { askStrips } from "./strips.js";
import { showVerdicts } from "./verdict.js";

let arrivedMs = 0; // on this page's own steady clock
let atMs = NaN; // the daemon's time of the newest snapshot
let zone = "UTC";
let version = null;
let old = false;
let leaving = false; // for a page of another version; asked for once, or it would never come

const daemonNowMs = () => (Number.isNaN(atMs) ? Date.now() : atMs + performance.now() - arrivedMs);

function show(snapshot) {
  if (leaving || !Array.isArray(snapshot.stations)) return; // the daemon has only just started
  if (version !== null && version !== snapshot.version && !document.querySelector("dialog[open]")) {
    leaving = true;
    location.reload();
    return;
  }
  version = snapshot.version;
  arrivedMs = performance.now();
  atMs = Date.parse(snapshot.at);
  zone = snapshot.time_zone;
  const units = new Units(snapshot.units);
  const marked = troubled(snapshot.alarms);
  document.body.classList.remove("waiting");
  put(document, "bay", snapshot.bay || "Tallydeck");
  put(document, "version", `Tallydeck ${snapshot.version ?? ""}`);
  put(document, "step", step(snapshot.wall_step_s));
  showRecord(snapshot.recording || {});
  showAlarms(snapshot, units);
  showVerdicts(snapshot);
  showStations(snapshot, units, marked);
  askStrips(snapshot, () => showStreams(snapshot));
  showRecognised(snapshot, units);
  showInstruments(snapshot, units, marked);
  offer(snapshot, units.mass, daemonNowMs);
  offerHands(snapshot);
  tick();
}

function showRecord(recording) {
  const fine = recording.state === "recorded";
  const node = put(document, "record", fine ? "● recorded" : notRecorded(recording));
  node.classList.toggle("marked", !fine);
}

function notRecorded(recording) {
  const held = known(recording.held) ? `, ${recording.held} entries held in memory` : "";
  return `✕ NOT RECORDED${held}${recording.message ? `: ${recording.message}` : ""}`;
}

function step(s) {
  return known(s) && Math.abs(s) >= 1 ? `The machine's clock was changed by ${duration(Math.abs(s))}.` : "";
}

/** Clocks go on between snapshots, and stand still when the daemon is lost. */
function tick() {
  if (old || !arrivedMs) return;
  put(document, "time", wallTime(new Date(daemonNowMs()).toISOString(), zone, true));
  for (const node of document.querySelectorAll(".station")) tickStation(node, (performance.now() - arrivedMs) / 1000);
}

function health({ lost, stale, ageS, why }) {
  hearHealth({ lost, stale, ageS });
  old = lost || stale;
  const box = document.getElementById("lost");
  document.body.classList.toggle("old", old);
  if (old) {
    put(box, "what", lost ? "No word from the daemon" : "The daemon stands still");
    put(box, "age", ageS === null ? "No figures yet" : `These figures are old: ${duration(ageS)}`);
    put(box, "do", `${why ? `${why} ` : ""}Nobody watches the outlets now: watch them yourself, and see to the daemon. This page comes back by itself.`);
  }
  box.hidden = !old;
}

prepareForms();
prepareHands();
prepareKeys();
document.getElementById("ack-all").addEventListener("click", acknowledgeAll);
new Link(show, health).start();
setInterval(tick, 500);
