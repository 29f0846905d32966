// The last minutes of each station, asked for once in each of their steps.

import { list } from "./nodes.js";

const STEP_MS = 10000; // of station time; the daemon's own step
const LEAST_MS = 1000; // between two questions, however fast a demo's time runs
const AGAIN_MS = 5000; // after a question that failed

const newest = new Map();
let asked = null; // the step of the last answer
let nextMs = 0;
let busy = false;

/** What is known of a station's last minutes; undefined before the first answer. */
export const stripsOf = (station) => newest.get(station);

/** Ask anew when a step has passed; `onNew` is called when something came. */
export async function askStrips(snapshot, onNew) {
  const step = Math.floor(Date.parse(snapshot.at) / STEP_MS);
  if (busy || Object.is(step, asked) || performance.now() < nextMs) return;
  busy = true;
  try {
    const names = list(snapshot.stations).map((station) => station.name);
    for (const [index, answer] of (await Promise.all(names.map(ask))).entries()) newest.set(names[index], answer);
    asked = step;
    nextMs = performance.now() + LEAST_MS;
    onNew();
  } catch {
    nextMs = performance.now() + AGAIN_MS; // the streams grow old meanwhile, and show it
  } finally {
    busy = false;
  }
}

async function ask(station) {
  const answer = await fetch(`/api/v1/stations/${encodeURIComponent(station)}/strips?minutes=10`, {
    cache: "no-store",
    signal: AbortSignal.timeout(4000),
  });
  if (!answer.ok) throw new Error(answer.statusText);
  return answer.json();
}
