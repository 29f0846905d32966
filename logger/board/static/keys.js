// Single keys, for a foot switch or a number pad wrapped in plastic: no second hand, no second key at once.
//
// They are off until they are switched on, once on each device, and can be switched off (WCAG 2.2, 2.1.4). A key
// that is held down counts once; one that comes back within `BOUNCE_MS` is a switch that bounced. In a field, in a
// form and on a button they stay what they are.

import { acknowledgeAll, acknowledgeFirst } from "./alarms.js";
import { askContainer, askEnd, choose, mark, pauseOrResume } from "./hands.js";
import { undo } from "./undo.js";

const BOUNCE_MS = 350;

/** Key cap -> what it does. The pad's keys are known by their place, so that its lock of figures does not matter. */
const KEYS = {
  0: () => acknowledgeFirst(),
  a: () => acknowledgeFirst(),
  Enter: () => acknowledgeFirst(),
  "*": () => askContainer(true),
  c: () => askContainer(true),
  "+": () => pauseOrResume(),
  p: () => pauseOrResume(),
  ".": () => mark(),
  m: () => mark(),
  "-": () => undo(),
  u: () => undo(),
  "/": () => askEnd(),
  e: () => askEnd(),
};
const PAD = {
  NumpadMultiply: "*",
  NumpadAdd: "+",
  NumpadSubtract: "-",
  NumpadDivide: "/",
  NumpadDecimal: ".",
  NumpadComma: ".",
  NumpadEnter: "Enter",
};
const CONTROLS = "button, a, summary, select, input, textarea, [contenteditable]";
const FIELDS = "select, textarea, [contenteditable], input:not([type=checkbox])";

const lastMs = new Map();

export function prepareKeys() {
  const box = document.getElementById("keys");
  const show = () => document.body.classList.toggle("keys-on", box.checked);
  box.checked = localStorage.getItem("tallydeck-keys") === "on";
  show();
  box.addEventListener("change", () => {
    localStorage.setItem("tallydeck-keys", box.checked ? "on" : "off");
    show();
  });
  document.addEventListener("keydown", (event) => box.checked && pressed(event));
}

/** The cap of a key: on the pad by its place; a figure of the upper row also where a layout wants Shift for it. */
export function capOf(event) {
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const pad = /^Numpad(\d)$/.exec(event.code);
  if (pad || event.code in PAD) return pad ? pad[1] : PAD[event.code];
  const upper = /^Digit(\d)$/.exec(event.code);
  return upper && !Object.hasOwn(KEYS, key) && !/^\d$/.test(key) ? upper[1] : key;
}

function pressed(event) {
  if (event.ctrlKey || event.altKey || event.metaKey || document.querySelector("dialog[open]")) return;
  const target = document.activeElement;
  const cap = capOf(event);
  if (target?.closest(FIELDS) || (cap === "Enter" && target?.closest(CONTROLS))) return;
  if (event.shiftKey && event.key === "A") return void (event.repeat || acknowledgeAll());
  const figure = /^[1-9]$/.test(cap);
  if (!figure && !Object.hasOwn(KEYS, cap)) return;
  event.preventDefault(); // "/" is a shortcut of some browsers
  const now = performance.now();
  const bounced = now - (lastMs.get(cap) ?? -Infinity) < BOUNCE_MS;
  lastMs.set(cap, now);
  if (event.repeat || bounced) return;
  if (figure) choose(Number(cap));
  else if (!(cap === "Enter" && choose("Enter"))) KEYS[cap]();
}
