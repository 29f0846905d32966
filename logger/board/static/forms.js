// The forms: plain HTML, sent by fetch, faults shown beside what they are about.

import { clean, list } from "./nodes.js";
import { announceTaken, send, tell } from "./actions.js";

let newest = { stations: [] };
let unit = "kg";
let nowMs = () => Date.now();

/** The forms offer the stations, outlets and settings of the newest snapshot. */
export function offer(snapshot, massUnit, daemonNowMs) {
  newest = snapshot;
  unit = massUnit;
  nowMs = daemonNowMs;
}

export function prepareForms() {
  for (const form of document.querySelectorAll("dialog form")) {
    const end = form.dataset.ends ? `t-form-end-${form.dataset.ends}` : "t-form-end";
    form.append(document.getElementById(end).content.cloneNode(true));
    form.addEventListener("submit", (event) => enter(event, form));
    form.addEventListener("input", () => (form.sendId = crypto.randomUUID()));
    form.querySelector(".cancel").addEventListener("click", () => form.closest("dialog").close());
    form.elements.station?.addEventListener("change", () => offerStation(form));
  }
  for (const button of document.querySelectorAll("[data-opens]")) {
    button.addEventListener("click", () => openForm(document.getElementById(`d-${button.dataset.opens}`)));
  }
}

export function openForm(dialog) {
  const form = dialog.querySelector("form");
  form.reset();
  form.sendId = crypto.randomUUID();
  showFaults(form, []);
  for (const node of form.querySelectorAll("[data-unit]")) node.textContent = unit;
  if (form.elements.station) {
    choices(form.elements.station, list(newest.stations).map((station) => station.name));
    form.querySelector("[data-station]").hidden = list(newest.stations).length < 2;
    offerStation(form);
  }
  if (form.dataset.action === "start-run") offerLots(form);
  dialog.showModal();
}

function station(form) {
  return list(newest.stations).find((known) => known.name === form.elements.station.value);
}

function offerStation(form) {
  if (form.elements.outlet) {
    choices(form.elements.outlet, list(station(form)?.outlets).filter((o) => o.weighed).map((o) => o.name));
  }
  if (form.dataset.action === "settings") settingRows(Object.entries(station(form)?.settings || {}));
}

function choices(select, names) {
  select.replaceChildren(...names.map((name) => new Option(name, name)));
}

async function offerLots(form) {
  try {
    const answer = await fetch("/api/v1/lots", { cache: "no-store" });
    const names = list(await answer.json()).slice(0, 50).map((lot) => lot.lot);
    document.getElementById("lots").replaceChildren(...names.map((name) => new Option(name, name)));
    if (names.length && form.elements.lot.value === "") form.elements.lot.placeholder = names[0];
  } catch {
    // the name can still be typed
  }
}

function settingRows(pairs) {
  const rows = [...pairs, ["", ""], ["", ""], ["", ""]].map(([name, value], index) => {
    const row = document.createElement("div");
    row.className = "setting";
    row.append(field("Name", `name-${index}`, name), field("Value", `value-${index}`, value));
    return row;
  });
  document.getElementById("setting-rows").replaceChildren(...rows);
}

function field(title, name, value) {
  const label = document.createElement("label");
  const input = document.createElement("input");
  input.dataset.part = name;
  input.maxLength = 80;
  input.value = value;
  input.autocomplete = "off";
  label.append(title, " ", input);
  return label;
}

async function enter(event, form) {
  event.preventDefault();
  const buttons = form.querySelectorAll("[type=submit]");
  const chosen = form.dataset.action ? null : event.submitter || buttons[0]; // a form with a choice at its end
  const action = { id: form.sendId, ...collect(form), ...(chosen ? { action: chosen.value } : {}) };
  for (const button of buttons) button.disabled = true;
  const outcome = await send(action);
  for (const button of buttons) button.disabled = false;
  if (outcome.ok) {
    const what = chosen ? chosen.textContent : form.querySelector("h2").textContent;
    tell(`${what}: ${outcome.text}`);
    form.closest("dialog").close();
    announceTaken(action, what, outcome.answer);
  } else {
    if (outcome.ok === false) form.sendId = crypto.randomUUID();
    showFaults(form, outcome.errors, outcome.text);
  }
}

function collect(form) {
  const action = { action: form.dataset.action };
  for (const node of form.querySelectorAll("input, select, textarea")) {
    const text = node.value.trim();
    if (node.dataset.part || text === "") continue;
    if (node.dataset.kind === "ago") {
      const minutes = Number(text.replace(",", "."));
      action.time = minutes > 0 ? new Date(nowMs() - minutes * 60000).toISOString() : text;
      if (minutes === 0) delete action.time;
    } else action[node.name] = quantity(text, node.dataset.kind);
  }
  if (form.dataset.action === "settings") action.values = settings(form);
  return action;
}

/** A bare number is in the unit the label says; anything else goes as it was typed. */
function quantity(text, kind) {
  if (!kind || !/^[-+]?\d*[.,]?\d+$/.test(text)) return text;
  return `${text.replace(",", ".")} ${kind === "mass" ? unit : "%"}`;
}

function settings(form) {
  const values = {};
  for (const name of form.querySelectorAll("[data-part^=name-]")) {
    const value = form.querySelector(`[data-part="${name.dataset.part.replace("name", "value")}"]`).value.trim();
    if (name.value.trim()) values[name.value.trim()] = value;
  }
  return values;
}

function showFaults(form, errors, text = "") {
  const lines = errors.length ? errors.map((error) => `${error.place}: ${error.message}. Remedy: ${error.remedy}.`) : [text];
  const box = form.querySelector(".form-faults");
  box.replaceChildren(
    ...lines.filter(Boolean).map((line) => {
      const node = document.createElement("p");
      node.textContent = clean(line);
      return node;
    }),
  );
  const places = new Set(errors.map((error) => error.place));
  for (const node of form.querySelectorAll("[name]")) {
    if (places.has(node.name)) node.setAttribute("aria-invalid", "true");
    else node.removeAttribute("aria-invalid");
  }
}
