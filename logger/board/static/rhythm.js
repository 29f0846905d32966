// How often an outlet plugs, and how far feeding by hand is ahead or behind.

import { known } from "./figures.js";
import { put } from "./nodes.js";

const sentence = (text) => (text ? `${text.charAt(0).toUpperCase()}${text.slice(1)}.` : "");

/** Silent until an outlet has plugged: what never happened is no news. */
export function showRhythm(node, rhythm) {
  const told = Boolean(rhythm) && rhythm.stops > 0;
  node.querySelector(".rhythm").hidden = !told;
  put(node, "rhythm", told ? sentence(rhythm.sentence) : "");
  put(node, "rhythm-cost", told ? sentence(rhythm.cost) : "");
}

/** A gauge with its words: the middle is on pace, left is behind, right is ahead. */
export function showPace(node, pace) {
  const box = node.querySelector(".pace");
  box.hidden = !pace;
  if (!pace) return;
  const mark = { behind: "▼ ", ahead: "▲ " }[pace.state] ?? "";
  put(box, "pace", `${mark}${pace.words}`);
  const now = box.querySelector(".band-now");
  const owes = pace.state !== "paused" && known(pace.tone);
  now.classList.toggle("empty", !owes);
  if (owes) now.setAttribute("transform", `translate(${across(pace)} 0)`);
}

/** Within the dead band the mark moves in the zone; beyond it by what a tone would say. */
function across({ tone, ahead_kg: ahead, dead_band_kg: band }) {
  if (tone !== 0) return 50 + Math.sign(tone) * (6 + 41 * Math.min(1, Math.abs(tone)));
  return 50 + (known(band) && band > 0 && known(ahead) ? 6 * Math.max(-1, Math.min(1, ahead / band)) : 0);
}
