// What a person says with one touch: a mark, and the feed paused on purpose or going on.

import { say } from "./actions.js";
import { openForm } from "./forms.js";
import { list } from "./nodes.js";

let stations = [];

const only = () => (stations.length === 1 ? stations[0] : null);
const paused = () => Boolean(only()?.paused_since);

export function prepareHands() {
  document.getElementById("mark").addEventListener("click", () => {
    const station = only() ? { station: only().name } : {};
    say({ action: "mark", ...station }, "Mark");
  });
  document.getElementById("feed-pause").addEventListener("click", pauseOrResume);
}

/** With one station a touch is enough; with more, which one is asked. */
function pauseOrResume() {
  if (only() === null) openForm(document.getElementById("d-feed"));
  else if (paused()) say({ action: "resume-feed", station: only().name }, "The feed goes on");
  else say({ action: "pause-feed", station: only().name }, "The feed is paused");
}

/** The feed's button says what it would do now. */
export function offerHands(snapshot) {
  stations = list(snapshot.stations);
  const text = stations.length > 1 ? "Feed paused …" : paused() ? "The feed goes on" : "Pause the feed";
  const button = document.getElementById("feed-pause");
  if (button.textContent !== text) button.textContent = text;
}
