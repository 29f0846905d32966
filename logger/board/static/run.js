// One run: its figures, its lines over time, its balance, and what happened.

import { showBalance } from "./balance.js";
import { duration, known, percent, wallTime } from "./figures.js";
import { chart } from "./lines.js";
import { list, put, words } from "./nodes.js";
import { ask, bay, begin, dayTime, made } from "./pages.js";

const SEEN = new Set(["raised", "cleared", "latched"]);

function about(run, here) {
  const end = run.end ? dayTime(run.end, here.zone) : "still open";
  const s = (Date.parse(run.end ?? here.state.at) - Date.parse(run.start)) / 1000;
  const settings = Object.entries(list(run.settings).at(-1)?.values ?? {}).map(([name, value]) => `${name} ${value}`);
  return words(`lot ${run.lot ?? "none"}`, run.station, `${dayTime(run.start, here.zone)} to ${end}`, duration(s), ...settings);
}

function figures(tally, here) {
  const told = list(Object.values(tally.outlets ?? {})).map((outlet) => [
    outlet.name, here.units.massText(outlet.delivered_kg, outlet.u_kg),
    words(`yield ${percent(outlet.yield, outlet.u_yield)}`, outlet.says),
  ]);
  told.unshift(["feed", here.units.massText(tally.feed_kg, tally.feed_u_kg), words(known(tally.hold_up_kg) ? `on the deck ${here.units.massText(tally.hold_up_kg, null)}` : "")]);
  document.getElementById("figures").replaceChildren(
    ...told.map(([name, mass, more]) => {
      const box = document.createElement("div");
      box.append(made("p", name, "faint"), made("b", mass), made("p", more, "faint"));
      return box;
    }),
  );
}

/** The lines whose name begins with a word, without it, in the person's unit. */
function lines(part, begins, per) {
  const times = part.times.map((time) => Date.parse(time));
  return Object.entries(part.lines)
    .filter(([name]) => name === begins || name.startsWith(`${begins} `))
    .map(([name, values]) => ({
      name: name === begins ? name : name.slice(begins.length + 1), times,
      values: values.map((value) => (value === null ? null : value * per)),
    }));
}

function marksOf(record, here) {
  return list(record.events)
    .filter((event) => event.type !== "alarm" || event.state === "raised")
    .map((event) => ({
      at: Date.parse(event.time), kind: event.type === "alarm" ? "call" : "note",
      name: words(wallTime(event.time, here.zone), what(event)),
    }));
}

function what(event) {
  if (event.type === "alarm") return event.what || event.kind;
  return words(event.channel ?? event.outlet, String(event.what ?? event.type).replaceAll("-", " "));
}

function charts(run, record, here) {
  const from = Date.parse(run.start);
  const to = Date.parse(run.end ?? here.state.at);
  const clock = (ms) => wallTime(new Date(ms).toISOString(), here.zone);
  const feed = list(here.state.stations).find((one) => one.name === run.station)?.feed;
  const band = known(feed?.band_low_kg_h) ? [feed.band_low_kg_h * here.units.per, feed.band_high_kg_h * here.units.per] : null;
  const box = document.getElementById("charts");
  const common = { from, to, clock, marks: marksOf(record, here), wide: box.clientWidth - 20 };
  const drawn = [
    { title: "Feed rate", unit: here.units.rate, lines: lines(record.rates, "feed", here.units.per), band },
    { title: "Rate of each outlet", unit: here.units.rate, lines: lines(record.rates, "outlet", here.units.per) },
    { title: "Delivered so far", unit: here.units.mass, lines: lines(record.tally, "outlet", here.units.per) },
    { title: "Water", unit: here.units.flow, lines: lines(record.rates, "water", here.units.perL) },
  ].filter((each) => each.lines.some((line) => line.values.some((value) => value !== null)));
  box.replaceChildren(...drawn.map((each) => chart({ ...common, ...each })));
  if (!drawn.length) box.append(made("p", "No rates were recorded of this run.", "faint"));
}

function events(run, record, here) {
  const told = [
    ...list(record.events).filter((event) => event.type !== "alarm" || SEEN.has(event.state)).map((event) => ({
      at: event.time, call: event.type === "alarm" && event.state === "raised", text: words(event.type === "alarm" && event.state !== "raised" ? "over" : "", what(event)),
    })),
    ...list(run.notes).map((note) => ({ at: note.time, text: `note: ${note.text}` })),
    ...list(run.marks).map((mark) => ({ at: mark.time, text: words(mark.mark, mark.text) })),
    ...list(run.pauses).map((pause) => ({ at: pause.from, text: words("feed paused", pause.why) })),
    ...list(run.settings).map((each) => ({ at: each.time, text: words("settings", ...Object.entries(each.values).map(([n, v]) => `${n} ${v}`)) })),
  ].sort((a, b) => Date.parse(a.at) - Date.parse(b.at));
  document.getElementById("events").replaceChildren(
    ...told.map((event) => {
      const line = document.createElement("li");
      const tip = made("span", event.call ? "▲" : "", "call");
      tip.setAttribute("aria-hidden", "true");
      line.append(made("time", wallTime(event.at, here.zone, true), "faint"), tip, made("span", event.text, event.call ? "call" : ""));
      return line;
    }),
  );
  if (!told.length) document.getElementById("events").append(made("li", "Nothing."));
}

begin(async () => {
  const here = await bay();
  const runs = await ask("/api/v1/runs");
  const name = new URLSearchParams(location.search).get("run") ?? runs[0]?.run;
  const run = runs.find((one) => one.run === name);
  if (!run) throw new Error(name ? `There is no run named "${name}". Look at the lots and runs for those there are.` : "There is no run yet.");
  put(document, "run", run.run);
  document.title = `${run.run} · ${document.title}`;
  put(document, "about", about(run, here));
  document.getElementById("to-weigh-up").href = `/weigh-up?run=${encodeURIComponent(name)}`;
  const way = encodeURIComponent(name);
  for (const [field, kind] of [["report-page", "html"], ["report-print", "pdf"]]) {
    document.querySelector(`[data-f="${field}"]`).href = `/api/v1/runs/${way}/report.${kind}`;
  }
  const [record, tally] = await Promise.all([ask(`/api/v1/runs/${way}/record`), ask(`/api/v1/runs/${way}/tally`)]);
  figures(tally, here);
  charts(run, record, here);
  events(run, record, here);
  await showBalance(name, here);
});
