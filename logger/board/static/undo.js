// A slip is taken back within ten seconds: what was done, one large button, and the way it is corrected.
//
// Nothing is erased: what was said stays in the record, and so does that it was taken back.

import { say, tell, whenTaken } from "./actions.js";
import { sayAloud } from "./ears.js";
import { clean, put } from "./nodes.js";
import { forEar } from "./speech.js";

const LASTS_S = 10;
const withdraw = (action, answer) => ({ action: "withdraw", entry: answer.seq, why: "undone at the board" });
const booked = (words) => ({ words, back: withdraw });
const never = (words, why) => ({ words, why });

/** Action -> what it is called, how it is taken back, or why it cannot be. */
const ACTIONS = {
  "container-changed": booked((a) => `Container of ${a.outlet} changed`),
  "container-away": booked((a) => `Container of ${a.outlet} taken away`),
  "container-set": {
    words: (a) => `Fresh container at ${a.outlet}`,
    back: (_, answer) => ({ action: "correct", recognised: answer.data["container-set"].id, was: "nothing" }),
  },
  decanted: booked((a) => `Water poured off ${a.outlet}`),
  mark: booked(() => "Mark"),
  note: booked(() => "Note"),
  settings: booked(() => "Settings written down"),
  "pause-feed": booked(() => "Feed paused"),
  "resume-feed": booked(() => "Feed goes on"),
  "start-run": booked(() => "Run started"),
  "end-run": booked(() => "Run ended"),
  "open-lot": booked((a) => `Lot ${a.lot} opened`),
  correct: booked(() => "Corrected"),
  acknowledge: never(() => "Acknowledged", "What was seen stays seen"),
  "reset-alarm": never(() => "Put right", "It cannot be taken back"),
  shelve: { words: () => "Quiet for a while", back: (a) => ({ action: "unshelve", alarm: a.alarm }) },
  unshelve: never(() => "The silence ended", "Make it quiet again where it stands"),
  "return-to-service": never(() => "Back in service", "It cannot be taken back here"),
};

let undoing = false;
let open = null; // {words, back, untilMs}

export function prepareUndo() {
  whenTaken(offerUndo);
  document.getElementById("undo-do").addEventListener("click", undo);
  setInterval(count, 250);
}

function offerUndo(action, what, answer) {
  const known = Object.hasOwn(ACTIONS, action.action) ? ACTIONS[action.action] : null;
  if (!known || undoing || answer.repeated || answer.data?.repeated) return;
  const words = known.words(action);
  open = { words, back: known.back?.(action, answer) ?? null, why: known.why ?? "", untilMs: performance.now() + LASTS_S * 1000 };
  sayAloud(`${known.words({ ...action, outlet: forEar(action.outlet), lot: forEar(action.lot) })}.`);
  const box = document.getElementById("undo");
  put(box, "what", `${words}.${open.why ? ` ${open.why}.` : ""}`);
  document.getElementById("undo-do").hidden = !open.back;
  document.getElementById("undo-do").setAttribute("aria-label", clean(`Undo: ${words}`));
  box.hidden = false;
  count();
}

function count() {
  if (!open) return;
  const left = Math.ceil((open.untilMs - performance.now()) / 1000);
  if (left <= 0) close();
  else put(document.getElementById("undo"), "left", `Undo (${left} s)`);
}

function close() {
  open = null;
  const box = document.getElementById("undo");
  const had = box.contains(document.activeElement);
  box.hidden = true;
  if (had) document.getElementById("alarms-title").focus();
}

/** Take back what was said last, while that is offered. */
export async function undo() {
  if (!open?.back) {
    sayAloud("There is nothing to undo.");
    tell("There is nothing to undo.");
    return;
  }
  const { words, back } = open;
  close();
  undoing = true;
  const outcome = await say(back, `Undone: ${words}`);
  undoing = false;
  sayAloud(outcome.ok ? `Undone: ${forEar(words)}.` : "It could not be undone. Look at the page.");
}
