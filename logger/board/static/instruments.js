// The instruments as they stand, and their check weights. Looked up again every two seconds.

import { duration, known, plain } from "./figures.js";
import { list, words } from "./nodes.js";
import { ask, bay, begin, dayTime, row } from "./pages.js";

const AGAIN_MS = 2000;
const LINKS = { up: "connected", down: "✕ not connected", none: "" };

function serves(state) {
  const told = new Map();
  const add = (channel, what) => channel && told.set(channel, words(told.get(channel), what));
  for (const station of list(state.stations)) {
    add(station.feed?.channel, `feed of ${station.name}`);
    for (const outlet of list(station.outlets)) add(outlet.channel, `${outlet.name} of ${station.name}`);
    for (const line of list(station.water)) add(line.channel, `${line.name}, water of ${station.name}`);
  }
  return told;
}

function shows(item, units) {
  if (!known(item.value)) return "no reading";
  if (item.unit === "kg") return units.massText(item.value, null, 3);
  return item.unit === "L/min" ? `${plain(item.value * units.perL, 2)} ${units.flow}` : `${plain(item.value, 3)} ${item.unit ?? ""}`;
}

function showNow(state, units) {
  const served = serves(state);
  document.getElementById("instruments").replaceChildren(
    ...list(state.instruments).map((item) =>
      row([
        item.name, served.get(item.name) ?? "nothing", { text: LINKS[item.link] ?? item.link, kind: item.link === "down" ? "marked" : "" },
        { text: shows(item, units), number: true },
        { text: known(item.age_s) ? `${duration(item.age_s)} ago` : "never", number: true },
        words(item.status === "ok" ? "" : item.status, item.message),
      ]),
    ),
  );
}

function showScales(scales, here) {
  document.getElementById("scales").replaceChildren(
    ...scales.map((scale) => {
      const check = list(scale.checks)[0];
      const mass = (kg) => (known(kg) ? here.units.massText(kg, null, 3) : "");
      return row([
        scale.scale, { text: mass(scale.resolution_kg), number: true }, check ? dayTime(check.time, here.zone) : "never",
        { text: mass(check?.nominal_kg), number: true }, { text: mass(check?.error_kg), number: true },
        check?.verdict ?? "", words(...list(scale.warnings)),
      ]);
    }),
  );
}

begin(async () => {
  const here = await bay();
  showNow(here.state, here.units);
  showScales(await ask("/api/v1/scales"), here);
  let busy = false;
  setInterval(async () => {
    if (busy || document.hidden) return;
    busy = true;
    try {
      showNow(await ask("/api/v1/state"), here.units);
      document.getElementById("trouble").hidden = true;
    } catch (error) {
      document.querySelector("#trouble [data-f=what]").textContent = error.message;
      document.getElementById("trouble").hidden = false;
    }
    busy = false;
  }, AGAIN_MS);
});
