// The screen stays lit while a run is open: nobody wakes it with wet hands.

import { list } from "./nodes.js";

const HOW =
  "This screen may go dark in the middle of a run: the browser keeps it lit only where the board is opened by https or, " +
  "on its own computer, by localhost. Set the device's own screen time-out to never.";
const REFUSED = "The browser did not keep this screen lit: its battery may be low. Touch the page to try again.";

let wanted = false;
let lock = null;
let asking = false;

export function prepareAwake() {
  document.addEventListener("visibilitychange", hold); // a lock ends when the page is hidden
  document.addEventListener("pointerup", hold);
}

/** A run is open: hold the screen; none is: let it go. */
export function keepAwake(snapshot) {
  const open = list(snapshot.stations).some((station) => station.run);
  if (open === wanted) return;
  wanted = open;
  if (open) hold();
  else {
    lock?.release();
    tell("");
  }
}

async function hold() {
  if (!wanted || lock || asking || document.visibilityState !== "visible") return;
  if (!window.isSecureContext || !navigator.wakeLock) {
    tell(HOW);
    return;
  }
  asking = true;
  try {
    lock = await navigator.wakeLock.request("screen");
    lock.addEventListener("release", () => (lock = null));
    if (!wanted) await lock.release();
    tell("");
  } catch {
    tell(REFUSED);
  }
  asking = false;
}

function tell(text) {
  const node = document.getElementById("awake");
  if (node.textContent !== text) node.textContent = text;
}
