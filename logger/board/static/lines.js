// Lines over time as SVG: each line has its own dashes and its name at its end, so that none needs a colour.

import { clean } from "./nodes.js";

const NS = "http://www.w3.org/2000/svg";
const LEFT = 56, RIGHT = 150, TOP = 14, UNDER = 30;

function made(tag, attributes, text = "") {
  const node = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (text) node.textContent = clean(text);
  return node;
}

/** Steps of 1, 2 or 5 times a power of ten that cut a span into at most `most` parts. */
export function step(span, most) {
  if (!(span > 0)) return 1;
  const power = 10 ** Math.floor(Math.log10(span / most));
  return [1, 2, 5, 10].map((each) => each * power).find((each) => span / each <= most);
}

const TIME_STEPS = [60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400];

/**
 * A chart: {title, unit, from, to (ms), lines: [{name, times (ms), values}], band: [low, high] or null,
 * marks: [{at (ms), kind: "call" or "note", name}], clock: ms -> text, wide, tall (px)}.
 */
export function chart({ title, unit, from, to, lines, band = null, marks = [], clock, wide, tall = 240 }) {
  const figure = document.createElement("figure");
  figure.className = "chart";
  const values = lines.flatMap((line) => line.values).filter((value) => value !== null);
  const high = Math.max(...values, ...(band ?? []), 0) * 1.06 || 1;
  const low = Math.min(0, ...values);
  const end = Math.max(LEFT + 100, wide - RIGHT);
  const x = (ms) => LEFT + ((ms - from) / Math.max(1, to - from)) * (end - LEFT);
  const y = (value) => TOP + (1 - (value - low) / (high - low)) * (tall - TOP - UNDER);
  const svg = made("svg", { viewBox: `0 0 ${end + RIGHT} ${tall}`, role: "img" });
  svg.setAttribute("aria-label", clean(`${title}, ${unit}: ${lines.map((line) => spoken(line, unit)).join("; ")}`));
  if (band) {
    svg.append(made("rect", { class: "band", x: LEFT, width: end - LEFT, y: y(band[1]), height: y(band[0]) - y(band[1]) }));
  }
  axes(svg, { from, to, low, high, x, y, end, tall, clock });
  for (const mark of marks) marked(svg, mark, x, end, tall);
  named(svg, end, lines.map((line, index) => drawn(svg, line, index, x, y)).filter(Boolean));
  const caption = document.createElement("figcaption");
  caption.textContent = clean(`${title}, ${unit}`);
  figure.append(caption, svg);
  return figure;
}

function spoken(line, unit) {
  const known = line.values.filter((value) => value !== null);
  if (!known.length) return `${line.name} not known`;
  const text = (value) => Number(value.toPrecision(3));
  return `${line.name} ${text(Math.min(...known))} to ${text(Math.max(...known))}, at the end ${text(known.at(-1))} ${unit}`;
}

function axes(svg, { from, to, low, high, x, y, end, tall, clock }) {
  const by = step(high - low, 5);
  for (let value = Math.ceil(low / by) * by; value <= high; value += by) {
    svg.append(made("line", { class: "faint-line", x1: LEFT, x2: end, y1: y(value), y2: y(value) }));
    svg.append(made("text", { class: "axis", x: LEFT - 8, y: y(value) + 5, "text-anchor": "end" }, String(Number(value.toPrecision(6)))));
  }
  const every = (TIME_STEPS.find((each) => (to - from) / 1000 / each <= (end - LEFT) / 80) ?? 86400) * 1000;
  for (let ms = Math.ceil(from / every) * every; ms <= to; ms += every) {
    svg.append(made("line", { class: "faint-line", x1: x(ms), x2: x(ms), y1: tall - UNDER, y2: tall - UNDER + 6 }));
    svg.append(made("text", { class: "axis", x: x(ms), y: tall - 6, "text-anchor": "middle" }, clock(ms)));
  }
}

function marked(svg, mark, x, end, tall) {
  const at = x(mark.at);
  if (at < LEFT || at > end) return;
  const group = made("g", {});
  group.append(made("title", {}, mark.name));
  group.append(made("line", { class: mark.kind === "call" ? "mark-line" : "note-line", x1: at, x2: at, y1: TOP, y2: tall - UNDER }));
  if (mark.kind === "call") group.append(made("path", { class: "mark-tip", d: `M${at - 6} ${TOP - 10}h12l-6 10z` }));
  svg.append(group);
}

/** Draws one line; answers where its name belongs. */
function drawn(svg, line, index, x, y) {
  let way = "", pen = false, last = null;
  line.values.forEach((value, number) => {
    if (value === null) {
      pen = false;
      return;
    }
    way += `${pen ? "L" : "M"}${x(line.times[number]).toFixed(1)} ${y(value).toFixed(1)}`;
    pen = true;
    last = { y: y(value), name: line.name, kind: index % 5 };
  });
  if (way) svg.append(made("path", { class: `line d${index % 5}`, d: way }));
  return last;
}

/** Names at the ends of the lines, moved apart where they would cover each other. */
function named(svg, edge, ends) {
  let before = -Infinity;
  for (const end of ends.sort((a, b) => a.y - b.y)) {
    const at = Math.max(end.y + 5, before + 17);
    before = at;
    svg.append(made("path", { class: `line d${end.kind}`, d: `M${edge + 4} ${at - 5}h26` }));
    svg.append(made("text", { x: edge + 36, y: at }, end.name));
  }
}
