// The water lines of a station, and how thick its feed comes onto the deck.

import { duration, known, percent, plain } from "./figures.js";
import { copy, keyed, list, put, words } from "./nodes.js";

/** One strip for each line, and one for the solids content where it can be told. */
export function showWater(root, station, units, isMarked) {
  const strips = list(station.water).map((line) => lineStrip(line, units, isMarked(line.name, line.channel)));
  if (station.solids) strips.push(solidsStrip(station.solids));
  root.hidden = strips.length === 0;
  keyed(root, strips, (strip) => strip.key, () => copy("t-water"), show);
}

function show(node, strip) {
  node.classList.toggle("marked", strip.marked);
  node.classList.toggle("unmeasured", !strip.measured);
  for (const slot of ["name", "value", "side", "more"]) put(node, slot, strip[slot]);
  drawBand(node.querySelector(".gauge"), strip);
}

function lineStrip(line, units, marked) {
  const { flow_l_min: flow, low_l_min: low, high_l_min: high, run } = line;
  const measured = known(flow);
  const per = units.perL;
  let side = measured ? "" : SILENT[line.state] ?? "not measured";
  if (measured && known(low) && flow < low) side = "▼ too little";
  if (measured && known(high) && flow > high) side = "▲ too much";
  const band = known(low) && known(high) ? `${plain(low * per, units.waterDigits - 1)} to ${plain(high * per, units.waterDigits - 1)}` : "";
  return {
    key: `line ${line.name}`,
    name: line.to === "feed" ? `${line.name}, with the feed` : line.name,
    value: measured ? `${plain(flow * per, units.waterDigits)} ${units.flow}` : "–",
    side: words(side, band),
    more: words(inRun(run, units), perMass(line, units)),
    measured, marked, now: flow, low, high,
  };
}

const SILENT = { waiting: "no reading yet", silent: "silent: not measured" };

function inRun(run, units) {
  if (!run || !known(run.litres)) return "";
  const unknown = known(run.unknown_s) && run.unknown_s >= 1 ? `, ${duration(run.unknown_s)} not measured` : "";
  return `${plain(run.litres * units.perL, run.litres < 100 ? 1 : 0)} ${units.water} in the run${unknown}`;
}

function perMass(line, units) {
  return known(line.l_per_kg) ? `${plain((line.l_per_kg * units.perL) / units.per, units.waterDigits)} ${units.water}/${units.mass} of feed` : "";
}

function solidsStrip(solids) {
  const { share, u, limit } = solids;
  const measured = known(share);
  return {
    key: "solids",
    name: "solids in the feed",
    value: measured ? percent(share, null, 0) : "–",
    side: words(measured && share > limit ? "▲ too thick" : "", `limit ${percent(limit, null, 0)}`),
    more: measured ? `± ${plain(u * 100, 1)} % by mass · its own moisture not counted` : solids.why,
    measured, marked: false, now: share, low: 0, high: limit, // its alarm marks the feed
  };
}

/** The band keeps the middle half of the track; what lies outside is seen to lie outside. */
function drawBand(svg, { now, low, high }) {
  const has = known(low) && known(high) && high > low;
  svg.classList.toggle("absent", !has);
  if (!has) return;
  const mark = svg.querySelector(".band-now");
  mark.classList.toggle("empty", !known(now));
  const across = Math.min(97, Math.max(3, 25 + (50 * (now - low)) / (high - low)));
  if (known(now)) mark.setAttribute("transform", `translate(${across} 0)`);
}
