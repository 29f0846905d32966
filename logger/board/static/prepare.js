// Before a run: step by step, each with its own tick. Nothing here is forced; a run can always be started.

import { send } from "./actions.js";
import { duration, known } from "./figures.js";
import { clean, list, put, words } from "./nodes.js";
import { ask, bay, begin, dayTime, made, row } from "./pages.js";

const AGAIN_MS = 1000;
const FRESH_S = 5;
const CHECKED_H = 24;
const WAIT_MS = 130_000; // the daemon gives up waiting for a stable weight after two minutes

let here;
let wanted = null; // the station that is prepared
let waited = ""; // the scale that a check weight is waited for on

const step = (name) => document.querySelector(`[data-step="${name}"]`);
const inWords = (outcome) => words(outcome.text, ...outcome.errors.map((fault) => fault.message));

function tick(name, done, text) {
  const box = step(name);
  box.classList.toggle("done", done);
  put(box, "says", text);
}

/** Channel -> what it serves at the station. */
function channels(station) {
  const told = new Map();
  const add = (channel, what) => channel && told.set(channel, words(told.get(channel), what));
  add(station.feed?.channel, "feed");
  for (const outlet of list(station.outlets)) add(outlet.channel, outlet.name);
  for (const line of list(station.water)) add(line.channel, line.name);
  return told;
}

function showNow(state) {
  const station = list(state.stations).find((one) => one.name === wanted);
  if (!station) return;
  const serves = channels(station);
  const mine = list(state.instruments).filter((item) => serves.has(item.name));
  const bad = mine.filter((item) => item.link === "down" || !known(item.age_s) || item.age_s > FRESH_S);
  const says = bad.length ? `${bad.length} of ${mine.length} say nothing` : `All ${mine.length} are heard.`;
  tick("alive", mine.length > 0 && !bad.length, says);
  step("alive").querySelector("[data-list]").replaceChildren(
    ...bad.map((item) => {
      const heard = known(item.age_s) ? `last heard ${duration(item.age_s)} ago` : "never heard";
      return made("li", words(`${item.name} (${serves.get(item.name)})`, heard, item.message));
    }),
  );
  showZero(mine.filter((item) => item.unit === "kg"), serves);
  showFeed(station.feed);
  if (station.run) tick("start", true, `Run ${station.run.run} is open.`);
  else if (step("start").classList.contains("done")) tick("start", false, "");
}

function showZero(scales, serves) {
  tick("zero", false, "Empty each pan and press zero at the scale; then put its container on.");
  step("zero").querySelector("[data-rows]").replaceChildren(
    ...scales.map((item) => {
      const shows = known(item.value) ? here.units.massText(item.value, null, 3) : "no reading";
      return row([item.name, { text: shows, number: true }, serves.get(item.name)]);
    }),
  );
}

function showFeed(feed) {
  if (!known(feed?.target_kg_h)) {
    tick("feed", false, "None is set: a feed that drifts goes unnoticed. Set target in the configuration.");
    return;
  }
  const rate = (value) => here.units.rateText(value, null);
  tick("feed", true, `${rate(feed.target_kg_h)}, between ${rate(feed.band_low_kg_h)} and ${rate(feed.band_high_kg_h)}. It stands in the configuration.`);
}

async function showChecks() {
  const scales = await ask("/api/v1/scales");
  const choice = document.querySelector("#check-form select");
  if (!choice.options.length) choice.replaceChildren(...scales.map((scale) => new Option(scale.scale, scale.scale)));
  const last = (scale) => list(scale.checks)[0];
  const now = Date.parse(here.state.at);
  const names = (some) => some.map((scale) => scale.scale).join(", ");
  const late = scales.filter((scale) => !(now - Date.parse(last(scale)?.time) < CHECKED_H * 3.6e6));
  const failed = scales.filter((scale) => last(scale)?.verdict === "fails");
  let says = "All were checked lately.";
  if (late.length) says = `Not checked in the last ${CHECKED_H} hours: ${names(late)}`;
  if (failed.length) says = `The last check failed: ${names(failed)}`;
  if (waited) says = `Waiting for a stable weight on ${waited} …`;
  tick("check", !late.length && !failed.length && !waited, says);
  step("check").querySelector("[data-list]").replaceChildren(
    ...scales.map((scale) => {
      const check = last(scale);
      return made("li", words(scale.scale, check ? words(dayTime(check.time, here.zone), check.says) : "never checked"));
    }),
  );
  return (name) => list(scales.find((scale) => scale.scale === name)?.checks).length;
}

async function check(event) {
  event.preventDefault();
  const fields = event.currentTarget.elements;
  const scale = fields.scale.value;
  const before = (await showChecks())(scale);
  const nominal = `${fields.nominal.value.replace(",", ".")} ${here.units.mass}`;
  const outcome = await send({ id: crypto.randomUUID(), action: "check-weight", scale, nominal });
  if (!outcome.ok) {
    put(step("check"), "says", inWords(outcome));
    return;
  }
  waited = scale;
  const begun = performance.now();
  while ((await showChecks())(scale) <= before && performance.now() - begun < WAIT_MS) {
    await new Promise((done) => setTimeout(done, AGAIN_MS));
  }
  waited = "";
  await showChecks();
}

async function showSettings() {
  const station = list(here.state.stations).find((one) => one.name === wanted);
  const runs = (await ask("/api/v1/runs")).filter((run) => run.station === wanted && list(run.settings).length);
  const last = runs[0] ? list(runs[0].settings).at(-1).values : {};
  const now = station?.settings ?? {};
  document.querySelector("#settings-form .pairs").replaceChildren(
    ...[...Object.entries({ ...last, ...now }), ["", ""], ["", ""]].map(([name, value]) => {
      const line = document.createElement("p");
      line.append(field("Name", name), field("Value", value));
      return line;
    }),
  );
  const says = runs[0] ? `As in ${runs[0].run}; change what is different today.` : "None was written down yet: tilt, stroke, speed, wash water …";
  tick("settings", Object.keys(now).length > 0, says);
}

function field(title, value) {
  const label = document.createElement("label");
  const input = document.createElement("input");
  input.value = value;
  input.maxLength = 80;
  input.autocomplete = "off";
  label.append(`${title} `, input);
  return label;
}

async function writeSettings(event) {
  event.preventDefault();
  const values = {};
  for (const line of event.currentTarget.querySelectorAll(".pairs p")) {
    const [name, value] = [...line.querySelectorAll("input")].map((input) => input.value.trim());
    if (name && value) values[name] = value;
  }
  const outcome = await send({ id: crypto.randomUUID(), action: "settings", station: wanted, values });
  tick("settings", outcome.ok === true, inWords(outcome));
}

async function start(event) {
  event.preventDefault();
  const lot = event.currentTarget.elements.lot.value.trim();
  const told = lot ? { lot } : {};
  const outcome = await send({ id: crypto.randomUUID(), action: "start-run", station: wanted, ...told });
  tick("start", outcome.ok === true, inWords(outcome));
  if (outcome.ok) location.href = "/";
}

function prepareStations() {
  const names = list(here.state.stations).map((station) => station.name);
  wanted = names[0];
  const choice = document.getElementById("station");
  choice.replaceChildren(...names.map((name) => new Option(name, name)));
  document.getElementById("which").hidden = names.length < 2;
  choice.addEventListener("change", () => {
    wanted = choice.value;
    showNow(here.state);
    showSettings();
  });
}

async function again() {
  if (document.hidden) return;
  const box = document.getElementById("trouble");
  try {
    here.state = await ask("/api/v1/state");
    showNow(here.state);
    box.hidden = true;
  } catch (error) {
    put(box, "what", error.message);
    box.hidden = false;
  }
}

begin(async () => {
  here = await bay();
  prepareStations();
  for (const node of document.querySelectorAll("[data-unit]")) node.textContent = here.units.mass;
  document.getElementById("check-form").addEventListener("submit", check);
  document.getElementById("settings-form").addEventListener("submit", writeSettings);
  document.getElementById("start-form").addEventListener("submit", start);
  const lots = (await ask("/api/v1/lots")).slice(0, 50);
  document.getElementById("lots").replaceChildren(...lots.map((lot) => new Option(clean(lot.lot))));
  showNow(here.state);
  await Promise.all([showChecks(), showSettings()]);
  setInterval(again, AGAIN_MS);
});
