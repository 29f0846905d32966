// Below the deck: what was recognised from the weight, and the instruments.

import { duration, known, plain, wallTime } from "./figures.js";
import { clean, copy, keyed, list, put, words } from "./nodes.js";
import { say } from "./actions.js";

const WHAT = {
  "container-changed": "container changed",
  "container-off": "container taken away",
  "container-back": "container back",
  "tare-pressed": "tare pressed at the scale",
  "step-down": "weight stepped down",
  "step-up": "weight stepped up",
  "caught-product": "product caught meanwhile",
  "container-set": "fresh container, as said",
  "container-away": "container away, as said: not caught",
  "decanted": "water poured off, as said",
  "sample-taken": "sample taken, as said",
};

/** What a channel serves, in a person's words. */
function served(item, stations) {
  if (item.outlet) return item.outlet;
  for (const station of list(stations)) {
    const outlet = list(station.outlets).find((one) => one.channel === item.channel);
    if (outlet) return outlet.name;
    if (station.feed?.channel === item.channel) return "feed";
  }
  return item.channel;
}

export function showRecognised(snapshot, units) {
  const items = list(snapshot.recognised);
  document.getElementById("recognised-none").hidden = items.length > 0;
  keyed(document.getElementById("recognised"), items, (item) => item.id, makeRecognised, (node, item) => {
    node.item = item;
    const what = words(served(item, snapshot.stations), WHAT[item.what] ?? item.what);
    put(node, "what", what);
    const moved = known(item.step_kg) && item.step_kg !== 0;
    const step = moved ? `step ${units.massText(item.step_kg, null)}` : "";
    const credit = known(item.credit_kg) ? `${units.massText(item.credit_kg, null)} credited` : "";
    put(
      node, "more",
      words(
        wallTime(item.at, snapshot.time_zone), item.sample || "", step,
        credit + (credit && item.estimated ? ", estimated" : ""), apart(item, units), said(item),
      ),
    );
    for (const button of node.querySelectorAll("button")) {
      button.setAttribute("aria-label", clean(`${button.textContent}: ${what}`));
    }
  });
}

/** Mass that is not counted as delivered: fallen beside, poured off, or out in a bag. */
function apart(item, units) {
  if (known(item.not_caught_kg)) return `${units.massText(item.not_caught_kg, null)} not caught`;
  if (known(item.water_kg)) return `${units.massText(item.water_kg, null)} of water`;
  return known(item.mass_kg) ? `sample of ${units.massText(item.mass_kg, null)}` : "";
}

function said(item) {
  return item.looked_like ? `looked like: ${WHAT[item.looked_like] ?? item.looked_like}` : "";
}

function makeRecognised() {
  const node = copy("t-recognised");
  for (const button of node.querySelectorAll("button")) {
    button.addEventListener("click", () =>
      say({ action: "correct", recognised: node.item.id, was: button.dataset.was }, `${node.item.id}: ${button.textContent}`),
    );
  }
  return node;
}

function shown(item, units) {
  if (!known(item.value)) return "no reading";
  if (item.unit === "kg") return units.massText(item.value, null);
  if (item.unit === "L/min") return `${plain(item.value * units.perL, 2)} ${units.flow}`;
  return `${plain(item.value, 2)} ${item.unit || ""}`;
}

export function showInstruments(snapshot, units, marked) {
  const items = list(snapshot.instruments);
  document.getElementById("instruments-none").hidden = items.length > 0;
  keyed(
    document.getElementById("instruments"), items, (item) => item.name, () => copy("t-instrument"),
    (node, item) => {
      const down = item.link === "down";
      node.classList.toggle("marked", down || marked.has(`/ ${item.name}`));
      put(node, "name", item.name);
      put(node, "value", shown(item, units));
      const late = known(item.age_s) && item.age_s >= 2 ? `${duration(item.age_s)} old` : "";
      put(node, "more", words(down ? "✕ not connected" : "", late, item.status === "ok" ? "" : item.status, item.message));
    },
  );
}
