// A station drawn along its product edge: what was fed, then each outlet with its stream, its container, its mass.

import { duration, known, percent, plain, runClock, wallTime } from "./figures.js";
import { copy, keyed, list, put, words } from "./nodes.js";
import { showPace, showRhythm } from "./rhythm.js";
import { drawStream, rows } from "./stream.js";
import { stripsOf } from "./strips.js";
import { showWater } from "./water.js";

const STATES = {
  steady: "",
  waiting: "no reading yet",
  disturbed: "being moved",
  off: "no container",
  unweighed: "",
};
const stateWords = (state) => STATES[state] ?? state ?? "";
const FEEDS = { hopper: "from a hopper", tub: "from a tub", unweighed: "not weighed" };
const SAYS = {
  wet: "wet",
  solids: "solids",
  "with water": "with water",
  "as shown": "as the scale shows",
};
const MOST_COLUMNS = 6; // more outlets stand in several rows
let pails = 0;

export function showStations(snapshot, units, marked) {
  keyed(
    document.getElementById("stations"), list(snapshot.stations), (station) => station.name,
    () => copy("t-station"),
    (node, station) => update(node, station, units, marked, snapshot.time_zone),
  );
  showStreams(snapshot);
}

/** Draw every lane as far as its last minutes are known, and empty from the top where they are old. */
export function showStreams(snapshot) {
  const atMs = Date.parse(snapshot.at);
  for (const node of document.getElementById("stations").children) {
    const station = list(snapshot.stations).find((one) => String(one.name) === node.dataset.key);
    if (!station) continue;
    const told = stripsOf(station.name) ?? {};
    const lateS = Math.max(0, (atMs - Date.parse(told.to)) / 1000 || 0);
    const { band_low_kg_h: low, band_high_kg_h: high, target_kg_h: usual } = station.feed ?? {};
    const fed = rows(told.feed, told.estimated?.feed, lateS);
    drawStream(node.querySelector(".feed .stream"), { lane: fed, usual, low, high, marks: [] });
    for (const child of node.querySelector(".outlets").children) {
      const name = child.dataset.key;
      const lane = rows(told.outlets?.[name], told.estimated?.[name], lateS);
      drawStream(child.querySelector(".stream"), { lane, usual: told.usual?.[name] ?? null, marks: changes(snapshot, station, child.outlet, atMs) });
    }
  }
}

/** The rows of a lane at which its container was changed. */
function changes(snapshot, station, outlet, atMs) {
  const here = (item) => item.what === "container-changed" && (item.outlet ? item.station === station.name && item.outlet === outlet.name : item.channel === outlet.channel);
  const ages = list(snapshot.recognised).filter(here).map((item) => Math.round((atMs - Date.parse(item.at)) / 10000));
  return ages.filter((row) => row >= 0 && row < 60);
}

function update(node, station, units, marked, zone) {
  const isMarked = (subject, channel) => marked.has(`${station.name} / ${subject}`) || marked.has(`/ ${channel}`);
  put(node, "name", station.name);
  const lot = station.lot;
  put(node, "lot", lot ? lot.lot : "none open");
  put(node, "lot-more", lot ? words(lot.material, lot.owner, net(lot, units)) : "");
  put(node, "run-label", station.run ? `run ${station.run.run}` : "no run open");
  showRecovery(node, station.recovery);
  showHeld(node, station, units);
  node.elapsedS = station.run ? station.run.elapsed_s : null;
  tickStation(node, 0);
  showFeed(node.querySelector(".feed"), station.feed || {}, units, isMarked, wallTime(station.paused_since, zone));
  node.querySelector(".deck").style.setProperty("--columns", String(1 + list(station.outlets).length));
  node.querySelector(".deck").classList.toggle("crowded", list(station.outlets).length > MOST_COLUMNS);
  keyed(
    node.querySelector(".outlets"), list(station.outlets), (outlet) => outlet.name, makeOutlet,
    (child, outlet) => showOutlet(child, outlet, units, isMarked(outlet.name, outlet.channel), Boolean(station.run)),
  );
  showWater(node.querySelector(".waters"), station, units, isMarked);
  keyed(
    node.querySelector(".station-foot"), foot(station), (item) => item.name,
    () => copy("t-foot"),
    (child, item) => {
      put(child, "name", item.name);
      put(child, "value", item.value);
      put(child, "more", item.more);
    },
  );
}

/** Let the run clock go on between snapshots. */
export function tickStation(node, sinceS) {
  const text = known(node.elapsedS) ? runClock(node.elapsedS + sinceS) : "";
  put(node, "run", text);
}

function net(lot, units) {
  const moisture = known(lot.moisture) ? `${percent(lot.moisture, null)} moist` : "";
  return words(known(lot.net_kg) ? `${units.massText(lot.net_kg, null, 1)} net` : "", moisture);
}

/** Write a key figure; its length sets how large it can stand. */
function putKey(root, slot, text) {
  put(root, slot, text).style.setProperty("--chars", String(Math.max(4, text.length)));
}

function showFeed(node, feed, units, isMarked, pausedSince) {
  node.classList.toggle("unmeasured", !feed.weighed);
  node.classList.toggle("marked", isMarked("feed", feed.channel));
  put(node, "lane-says", feed.weighed ? "" : "not weighed");
  const rate = units.pair(feed.rate_kg_h, feed.u_rate_kg_h, 1);
  const pause = pausedSince ? `paused since ${pausedSince}` : "";
  put(node, "state", feed.weighed ? words(FEEDS[feed.kind] ?? feed.kind, pause || stateWords(feed.state)) : words("not weighed", pause));
  put(node, "level-name", `in the ${feed.kind === "tub" ? "tub" : "hopper"}`);
  putKey(node, "rate", rate.large);
  put(node, "rate-unit", units.rate);
  put(node, "rate-u", rate.u ? `${rate.u} ${units.rate}` : "");
  put(node, "used", units.massText(feed.used_kg, feed.u_used_kg));
  put(node, "level", units.massText(feed.level_kg, null, 1));
  put(node, "band", bandWords(feed, units));
  drawBand(node.querySelector(".band"), feed);
  showPace(node, feed.pace);
}

function bandWords(feed, units) {
  const { rate_kg_h: rate, band_low_kg_h: low, band_high_kg_h: high } = feed;
  if (!known(low) || !known(high)) return feed.weighed ? "no target set" : "feed alarms cannot be given";
  const band = `${plain(low * units.per, 0)} to ${plain(high * units.per, 0)} ${units.rate}`;
  if (!known(rate)) return `band ${band}`;
  if (rate < low) return `▼ below its band, ${band}`;
  return rate > high ? `▲ above its band, ${band}` : `within its band, ${band}`;
}

/** The band keeps the middle half of the track; what lies outside is seen to lie outside. */
function drawBand(svg, feed) {
  const { rate_kg_h: rate, target_kg_h: target, band_low_kg_h: low, band_high_kg_h: high } = feed;
  const has = known(low) && known(high) && high > low;
  svg.classList.toggle("empty", !has);
  if (!has) return;
  const across = (value) => Math.min(97, Math.max(3, 25 + (50 * (value - low)) / (high - low)));
  const zone = svg.querySelector(".band-zone");
  zone.setAttribute("x", "25");
  zone.setAttribute("width", "50");
  const line = svg.querySelector(".band-target");
  const at = String(across(known(target) ? target : (low + high) / 2));
  line.setAttribute("x1", at);
  line.setAttribute("x2", at);
  const now = svg.querySelector(".band-now");
  now.classList.toggle("empty", !known(rate));
  if (known(rate)) now.setAttribute("transform", `translate(${across(rate)} 0)`);
}

function makeOutlet() {
  const node = copy("t-outlet");
  const clip = node.querySelector("clipPath");
  clip.id = `pail-${(pails += 1)}`;
  node.querySelector(".pail-fill").setAttribute("clip-path", `url(#${clip.id})`);
  return node;
}

function showOutlet(node, outlet, units, marked, running) {
  node.outlet = outlet;
  node.classList.toggle("unmeasured", !outlet.weighed);
  node.classList.toggle("marked", marked);
  put(node, "lane-says", outlet.weighed ? "" : "not weighed");
  const tally = units.pair(outlet.delivered_kg, outlet.u_kg);
  put(node, "name", outlet.name);
  put(node, "says", outlet.by_difference ? "by difference" : outlet.weighed ? SAYS[outlet.says] ?? outlet.says : "");
  putKey(node, "delivered", tally.large);
  put(node, "unit", units.mass);
  const estimated = known(outlet.estimated_kg) && outlet.estimated_kg > 0;
  const whole = tally.large === tally.value ? "" : `${tally.value} `; // what the large figure left out
  put(node, "u", whole || tally.u ? `${whole}${tally.u} ${units.mass}` : "");
  put(node, "estimated", estimated ? units.massText(outlet.estimated_kg, null) : "").parentElement.hidden = !estimated;
  put(node, "rate", units.rateText(outlet.rate_kg_h, outlet.u_rate_kg_h));
  put(node, "yield", percent(outlet.yield, outlet.u_yield));
  showPail(node, outlet, units);
  showRhythm(node, outlet.rhythm);
  put(node, "notice", notice(outlet, running));
}

function showPail(node, outlet, units) {
  const share = known(outlet.fill) ? Math.min(1, Math.max(0, outlet.fill)) : 0;
  node.querySelector(".pail-fill").setAttribute("y", String(60 - 56 * share));
  const has = known(outlet.fill);
  const content = known(outlet.content_kg) ? `${units.massText(outlet.content_kg, null, 1)} in it` : "";
  put(node, "full", has ? `${percent(outlet.fill, null, 0)} full${outlet.fill >= 1 ? ": change it" : ""}` : outlet.weighed ? content || "how full: not known" : "Not weighed");
  if (outlet.away_since) put(node, "full", "container away: not caught");
  put(node, "full-in", known(outlet.full_in_s) ? `full in ${soon(outlet.full_in_s)}` : has ? content : "");
}

const soon = (s) => (s < 5400 ? duration(s) : `${plain(s / 3600, 1)} h`);

function notice(outlet, running) {
  if (!outlet.weighed) return "A stop here goes unnoticed";
  const odd = stateWords(outlet.state);
  if (known(outlet.notice_s)) return words(odd, `Stop noticed in ${duration(outlet.notice_s)}`);
  return words(odd, running ? "Cannot be watched for a stop" : "No run is open");
}

/** Between what masses the hold-up lies, 95 times of 100. */
function deck(holdUp, units) {
  if (!holdUp || !known(holdUp.low_kg) || !known(holdUp.high_kg)) return "";
  return `${plain(holdUp.low_kg * units.per, 1)} to ${units.massText(holdUp.high_kg, null, 1)} · estimated`;
}

function showHeld(node, station, units) {
  const has = known(station.hold_up_kg);
  node.querySelector(".held").hidden = !has;
  put(node, "held", has ? units.massText(station.hold_up_kg, null, 1) : "");
  put(node, "held-more", has ? deck(station.hold_up, units) : "");
}

/** Never without its interval and where it comes from: it rests on expected grades. */
function showRecovery(node, recovery) {
  node.querySelector(".recovery").hidden = !recovery;
  if (!recovery) return;
  const range = known(recovery.low) && known(recovery.high)
    ? `${plain(recovery.low * 100, 0)} to ${percent(recovery.high, null, 0)}` : "";
  put(node, "recovery-of", `recovery of ${recovery.component ?? "the component"}`);
  put(node, "recovery", percent(recovery.value, null, 0));
  put(node, "recovery-more", words(range, recovery.estimated ? recovery.expected_from?.words || "estimated" : ""));
}

function foot(station) {
  return Object.entries(station.settings || {}).map(([name, value]) => ({ name: String(name), value, more: "" }));
}
