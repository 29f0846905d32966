// A stream: ten minutes of product falling from the deck's edge. Time runs down, the newest is at the top;
// its width is the rate, and the usual rate takes half of the lane.

import { duration, known } from "./figures.js";
import { list } from "./nodes.js";

const ROWS = 60; // steps in a lane
const STEP_S = 10;
const LATE_ROWS = 2; // an answer this many steps old leaves its lane empty from the top
const SVG = "http://www.w3.org/2000/svg";
const sizes = new ResizeObserver((entries) => {
  for (const entry of entries) {
    entry.target.lane = entry.contentRect;
    entry.target.redraw?.();
  }
});

/** What one lane shows: rows newest first, each {rate, estimated}, rate null where nothing is known. */
export function rows(points, estimated, lateS) {
  const guessed = new Set(list(estimated));
  const known = list(points).map((rate, index) => ({ rate, estimated: guessed.has(index) })).reverse();
  const late = Math.floor(lateS / STEP_S);
  const shifted = late < LATE_ROWS ? known : [...Array.from({ length: Math.min(late, ROWS) }, () => NOTHING), ...known];
  while (shifted.length < ROWS) shifted.push(NOTHING);
  return shifted.slice(0, ROWS);
}
const NOTHING = { rate: null, estimated: false };

/** The middle one of the rates above nothing; null where there is none. */
export function middle(lane) {
  const rates = lane.map((row) => row.rate).filter((rate) => known(rate) && rate > 0).sort((a, b) => a - b);
  return rates.length ? rates[rates.length >> 1] : null;
}

/** In words, for whoever does not see it. */
export function inWords(lane, usual) {
  if (lane.every((row) => row.rate === null)) return "The last ten minutes: nothing known";
  const least = known(usual) ? 0.1 * usual : 0;
  let still = 0;
  while (still < ROWS && known(lane[still].rate) && lane[still].rate <= least) still += 1;
  if (still > 0) return `The last ten minutes: nothing came for ${duration(still * STEP_S)}`;
  return lane[0].rate === null ? "The last ten minutes: the newest are not known" : "The last ten minutes: product comes";
}

/** Draw a lane: {lane, usual, low, high, marks}; marks are rows at which a container was changed. */
export function drawStream(svg, told) {
  const key = JSON.stringify(told);
  if (svg.told === key) return;
  svg.told = key;
  svg.setAttribute("aria-label", inWords(told.lane, told.usual));
  svg.redraw = () => svg.replaceChildren(...(svg.lane && svg.lane.width > 0 ? shapes(told, svg.lane) : []));
  if (svg.lane) svg.redraw();
  else sizes.observe(svg);
}

function shapes({ lane, usual, low, high, marks }, { width, height }) {
  const unit = usual ?? middle(lane) ?? 1;
  const half = (rate) => (Math.min(2, Math.max(0, rate / unit)) * width) / 4;
  const at = (row) => (row * height) / ROWS;
  const drawn = [];
  for (const [kind, from, to] of spans(lane)) {
    if (kind === "unknown") drawn.push(shape("rect", { class: "no-data", fill: "url(#dots)", x: 0, y: at(from), width, height: at(to) - at(from) }));
  }
  if (known(low) && known(high)) drawn.push(...edges(half(low), half(high), width, height));
  else if (known(usual)) drawn.push(...edges(half(usual), half(usual), width, height));
  for (const [kind, from, to] of spans(lane)) {
    if (kind === "unknown") continue;
    const fill = kind === "estimated" ? { fill: "url(#hatch)" } : {};
    drawn.push(shape("path", { class: `stream-${kind}`, d: outline(lane, from, to, half, at, width / 2), ...fill }));
  }
  for (const row of marks) drawn.push(shape("path", { class: "change", d: `M${width - 17} ${at(row) - 6}l3 12h8l3-12` }));
  return drawn;
}

/** Rows that belong together: [kind, first, after the last]. */
function spans(lane) {
  const found = [];
  lane.forEach((row, index) => {
    const kind = known(row.rate) ? (row.estimated ? "estimated" : "measured") : "unknown";
    const last = found.at(-1);
    if (last?.[0] === kind) last[2] = index + 1;
    else found.push([kind, index, index + 1]);
  });
  return found;
}

/** Down one edge and up the other, a step for each row; a row without flow leaves a gap. */
function outline(lane, from, to, half, at, x) {
  let d = "";
  for (let start = from; start < to; start += 1) {
    if (half(lane[start].rate) < 0.5) continue;
    let end = start;
    while (end < to && half(lane[end].rate) >= 0.5) end += 1;
    const down = [], up = [];
    for (let row = start; row < end; row += 1) {
      const w = half(lane[row].rate);
      down.push(`${x + w} ${at(row)}`, `${x + w} ${at(row + 1)}`);
      up.unshift(`${x - w} ${at(row + 1)}`, `${x - w} ${at(row)}`);
    }
    d += `M${down.join("L")}L${up.join("L")}Z`;
    start = end;
  }
  return d;
}

/** The width that is expected, to both sides of the middle; with a band, the room between its limits. */
function edges(inner, outer, width, height) {
  const x = width / 2;
  const zone = (at) => shape("rect", { class: "expected-zone", x: at, y: 0, width: Math.max(0, outer - inner), height });
  const line = (at) => shape("path", { class: "expected", d: `M${at} 0V${height}` });
  if (outer - inner < 1) return [line(x - inner), line(x + inner)];
  return [zone(x - outer), zone(x + inner), line(x - outer), line(x - inner), line(x + inner), line(x + outer)];
}

function shape(name, attributes) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, String(value));
  return node;
}
