// What the pages beside the live board share: asking the daemon, the head, and trouble in words.

import { Units } from "./figures.js";
import { renew } from "./link.js";
import { clean, put } from "./nodes.js";

/** Ask the API; a session that ended is renewed once. Throws an Error whose message a person can read. */
export async function ask(path) {
  let answer = await asked(path);
  if (answer.status === 401) {
    await renew();
    answer = await asked(path);
  }
  const told = await answer.json().catch(() => null);
  if (!answer.ok) throw new Error(told?.detail ? `${told.detail} ${told.do ?? ""}` : `The daemon answers ${answer.status}.`);
  return told;
}

async function asked(path) {
  try {
    return await fetch(path, { cache: "no-store", signal: AbortSignal.timeout(60000) });
  } catch {
    throw new Error("No word from the daemon. See to it, then load this page again.");
  }
}

/** The bay's name, unit and clock; fills the head of the page. */
export async function bay() {
  const state = await ask("/api/v1/state");
  const name = state.bay || "Tallydeck";
  put(document, "bay", name);
  document.title = `${document.title.split(" · ")[0]} · ${name}`;
  return { units: new Units(state.units), zone: state.time_zone || "UTC", state };
}

/** Run the page's work; what fails is said where the page would be. */
export async function begin(work) {
  const box = document.getElementById("trouble");
  try {
    await work();
    document.body.classList.remove("waiting");
  } catch (error) {
    put(box, "what", error.message);
    box.hidden = false;
    document.body.classList.remove("waiting");
  }
}

/** A day and a time as the bay's clock shows them: "30 Nov 14:05". */
export function dayTime(text, zone) {
  const moment = new Date(typeof text === "string" ? text : NaN);
  if (Number.isNaN(moment.getTime())) return "";
  const shape = { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
  try {
    return new Intl.DateTimeFormat("en-GB", { ...shape, timeZone: zone }).format(moment).replace(",", "");
  } catch {
    return `${new Intl.DateTimeFormat("en-GB", { ...shape, timeZone: "UTC" }).format(moment).replace(",", "")} UTC`;
  }
}

/** A row of a table: texts, or {text, href, number, kind}; the first is the row's head. */
export function row(cells) {
  const line = document.createElement("tr");
  cells.forEach((cell, index) => {
    const told = typeof cell === "object" && cell !== null ? cell : { text: cell };
    const node = document.createElement(index === 0 ? "th" : "td");
    if (index === 0) node.scope = "row";
    if (told.number) node.classList.add("n");
    if (told.kind) node.classList.add(told.kind);
    const holder = told.href ? node.appendChild(document.createElement("a")) : node;
    if (told.href) holder.href = told.href;
    holder.textContent = clean(told.text);
    line.append(node);
  });
  return line;
}

/** An element with text in it, e.g. made("p", "words", "faint"). */
export function made(tag, text, kind = "") {
  const node = document.createElement(tag);
  if (kind) node.className = kind;
  node.textContent = clean(text);
  return node;
}
