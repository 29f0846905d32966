// The weigh-up of a run, product by product, with the balance growing beside it.

import { send } from "./actions.js";
import { showBalance, surer } from "./balance.js";
import { known, percent } from "./figures.js";
import { list, put, words } from "./nodes.js";
import { ask, bay, begin, made } from "./pages.js";

let here;
let run; // as the API has it
let tally;
let chosen = 0;
let working = Promise.resolve(); // one balance at a time, the newest last

/** The feed, then each product. */
function products() {
  const feed = { name: "feed", feed: true, delivered_kg: tally.feed_kg, u_kg: tally.feed_u_kg, says: "" };
  return [feed, ...Object.values(tally.outlets ?? {})];
}

const belongs = (told, product) => (product.feed ? !told.outlet : told.outlet === product.name);
const moisturesOf = (product) => [
  ...list(run.moistures).filter((each) => belongs(each, product)),
  ...samplesOf(product).flatMap((sample) => list(sample.moistures)),
];
const samplesOf = (product) => list(run.samples).filter((sample) => belongs(sample, product));

/** What is known of a product: its three ticks. */
function ticks(product) {
  return {
    mass: known(product.delivered_kg) || list(run.products?.[product.name]).length > 0,
    moisture: moisturesOf(product).length > 0,
    sample: samplesOf(product).some((sample) => list(sample.results).length > 0),
  };
}

function showProducts() {
  document.getElementById("products").replaceChildren(
    ...products().map((product, index) => {
      const line = document.createElement("li");
      const button = made("button", product.name, index === chosen ? "now" : "");
      button.type = "button";
      button.setAttribute("aria-pressed", String(index === chosen));
      button.addEventListener("click", () => choose(index));
      const done = Object.entries(ticks(product)).map(([what, yes]) => `${yes ? "✓" : "–"} ${what}`);
      line.append(button, " ", made("span", done.join("  "), "faint"));
      return line;
    }),
  );
}

function choose(index) {
  chosen = index;
  put(document, "outcome", "");
  showProducts();
  showProduct();
}

function showProduct() {
  const product = products()[chosen];
  const box = document.getElementById("product");
  put(box, "name", product.name);
  const mass = known(product.delivered_kg) ? here.units.massText(product.delivered_kg, product.u_kg) : "not weighed";
  put(box, "mass", words(product.feed ? `fed ${mass}` : mass, product.says));
  document.getElementById("weigh").hidden = product.feed === true;
  document.getElementById("told").replaceChildren(...told(product).map((text) => made("li", text)));
  showParts();
}

/** What was said of a product so far, line by line. */
function told(product) {
  const containers = list(run.products?.[product.name]).map((each) => {
    const net = known(each.net_kg) ? `net ${here.units.massText(each.net_kg, null, 3)}` : "gross or tare is missing";
    return words(`container ${each.container}`, net);
  });
  const moistures = moisturesOf(product).map((each) => {
    const share = known(each.share) ? `${percent(each.share, each.u)} of the ${each.basis} mass` : `pan ${each.container}`;
    return words("moisture", share);
  });
  const samples = samplesOf(product).map((sample) => {
    const results = list(sample.results).map((each) => found(each));
    return words(`sample ${sample.sample}`, ...(results.length ? results : ["no result yet"]));
  });
  return [...containers, ...moistures, ...samples];
}

function found(result) {
  if (result.assay) return Object.entries(result.assay).map(([name, share]) => `${name} ${percent(share, null)}`).join(", ");
  if (result.sorted) return Object.entries(result.sorted).map(([name, kg]) => `${name} ${(kg * 1000).toPrecision(4)} g`).join(", ");
  return Object.entries(result.counted ?? {}).map(([name, count]) => `${name} ${count} pieces`).join(", ");
}

/** A field for each component. */
function showParts() {
  const component = list(here.state.stations).find((one) => one.name === run.station)?.component ?? "";
  const way = document.getElementById("result").elements.way.value;
  for (const node of document.querySelectorAll("[data-way]")) node.hidden = node.dataset.way !== way;
  const names = way === "assay" ? [component] : [component, "the rest"];
  document.getElementById("parts").replaceChildren(...names.map((name, index) => part(name, index + 1)));
}

function part(name, number) {
  const box = document.createElement("span");
  box.className = "part";
  for (const [value, title] of [[name, `component ${number}`], ["", `found of component ${number}`]]) {
    const input = document.createElement("input");
    input.value = value;
    input.autocomplete = "off";
    input.maxLength = 80;
    input.setAttribute("aria-label", title);
    box.append(input, " ");
  }
  return box;
}

const number = (text) => text.trim().replace(",", ".");
const of = () => (products()[chosen].feed ? { run: run.run } : { run: run.run, outlet: products()[chosen].name });

function weighed(form) {
  const mass = (name) => `${number(form.elements[name].value)} ${here.units.mass}`;
  const container = form.elements.container.value;
  return [{ action: "weigh-product", ...of(), container, gross: mass("gross"), tare: mass("tare") }];
}

function moist(form) {
  const u = number(form.elements.u.value);
  return [{ action: "moisture", ...of(), share: `${number(form.elements.share.value)} %`, ...(u ? { u: `${u} %` } : {}) }];
}

function resulted(form) {
  const way = form.elements.way.value;
  const parts = {};
  for (const box of document.querySelectorAll("#parts .part")) {
    const [name, value] = [...box.querySelectorAll("input")].map((input) => input.value.trim());
    if (name && value) parts[name] = way === "counted" ? Number(number(value)) : `${number(value)} ${way === "assay" ? "%" : "g"}`;
  }
  const u = way === "assay" ? number(form.elements.u.value) : "";
  const sample = form.elements.sample.value.trim();
  const isKnown = samplesOf(products()[chosen]).some((each) => each.sample === sample);
  const register = isKnown ? [] : [{ action: "register-sample", ...of(), sample }];
  return [...register, { action: "sample-result", ...of(), sample, [way]: parts, ...(u ? { u: `${u} %` } : {}) }];
}

async function enter(event, actionsOf) {
  event.preventDefault();
  const form = event.currentTarget;
  const button = form.querySelector("button");
  button.disabled = true;
  let outcome;
  for (const action of actionsOf(form)) {
    outcome = await send({ id: crypto.randomUUID(), ...action });
    if (!outcome.ok) break;
  }
  button.disabled = false;
  put(document, "outcome", words(outcome.text, ...outcome.errors.map((fault) => fault.message)));
  if (outcome.ok) form.reset();
  await again();
}

/** Look the run up anew, then its balance. */
async function again() {
  run = (await ask("/api/v1/runs")).find((one) => one.run === run.run);
  tally = await ask(`/api/v1/runs/${encodeURIComponent(run.run)}/tally`);
  showProducts();
  showProduct();
  working = working.then(async () => {
    const sure = surer(await showBalance(run.run, here));
    const told = sure.length ? sure : ["Nothing more is known of that."];
    document.getElementById("surer").replaceChildren(...told.map((text) => made("li", text)));
  });
  await working;
}

begin(async () => {
  here = await bay();
  const runs = await ask("/api/v1/runs");
  const name = new URLSearchParams(location.search).get("run") ?? runs[0]?.run;
  run = runs.find((one) => one.run === name);
  if (!run) throw new Error(name ? `There is no run named "${name}".` : "There is no run yet: nothing to weigh up.");
  put(document, "run", run.run);
  const choice = document.getElementById("run");
  choice.replaceChildren(...runs.map((each) => new Option(words(each.run, each.lot), each.run, false, each.run === name)));
  choice.addEventListener("change", () => (location.search = `?run=${encodeURIComponent(choice.value)}`));
  for (const node of document.querySelectorAll("[data-unit]")) node.textContent = here.units.mass;
  tally = await ask(`/api/v1/runs/${encodeURIComponent(name)}/tally`);
  for (const [id, actionsOf] of [["weigh", weighed], ["moisture", moist], ["result", resulted]]) {
    document.getElementById(id).addEventListener("submit", (event) => enter(event, actionsOf));
  }
  document.getElementById("result").elements.way.addEventListener("change", showParts);
  document.getElementById("next").addEventListener("click", () => choose((chosen + 1) % products().length));
  choose(1 % products().length);
  await again();
});
