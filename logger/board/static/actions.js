// What a person says, on its way to the record.

import { renew } from "./link.js";
import { clean } from "./nodes.js";

const listeners = [];

/** Be told of everything that was taken: (action, what it is called, the daemon's answer). */
export function whenTaken(listener) {
  listeners.push(listener);
}

/** Send an action. Answers {ok, text, errors, answer}; ok null means that no answer came. */
export async function send(action) {
  let answer;
  try {
    answer = await post(action);
    if (answer.status === 401) {
      await renew();
      answer = await post(action);
    }
    const told = await answer.json();
    if (answer.ok) return { ok: true, text: taken(told), errors: [], answer: told };
    const unsure = answer.status === 504 ? null : false;
    return { ok: unsure, text: `${told.detail} ${told.do}`, errors: told.errors || [] };
  } catch {
    return { ok: null, text: "No answer came. Enter it again: it is never taken twice.", errors: [] };
  }
}

function post(action) {
  return fetch("/api/v1/actions", {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(action),
    signal: AbortSignal.timeout(8000),
  });
}

function taken(answer) {
  if (answer.repeated) return "Had been entered before; nothing was done.";
  if (!answer.recorded) return "Taken, but not yet recorded.";
  const mark = answer.data?.marked?.mark;
  return mark ? `Recorded as ${mark}.` : "Recorded.";
}

/** Show the outcome of something said by a button outside a form. */
export function tell(text) {
  document.getElementById("said-last").textContent = clean(text);
}

export async function say(action, what) {
  const outcome = await send({ id: crypto.randomUUID(), ...action });
  tell(`${what}: ${outcome.text}`);
  if (outcome.ok) announceTaken(action, what, outcome.answer);
  return outcome;
}

export function announceTaken(action, what, answer) {
  for (const listener of listeners) listener(action, what, answer);
}
