// The balance of a run as a table, and what would make it surer.

import { percent } from "./figures.js";
import { clean, list, words } from "./nodes.js";
import { ask, made, row } from "./pages.js";

const NAMED = 3; // so many of the largest inputs are named

/** Work it out and show it in #balance; answers the balance, or null where it can't be had (and says why). */
export async function showBalance(name, here) {
  const says = document.getElementById("balance-says");
  let found;
  try {
    found = await ask(`/api/v1/runs/${encodeURIComponent(name)}/balance?method=linear`);
  } catch (error) {
    says.textContent = clean(error.message);
    return null;
  }
  const untested = "Nothing was measured twice, so the figures can't be tested against each other.";
  says.textContent = clean(found.tests?.says ?? untested);
  const wanted = found.wanted;
  const heads = ["stream", "dry mass", "yield", ...(wanted ? [`${wanted}, share`, `recovery of ${wanted}`, "known by"] : [])];
  document.getElementById("balance-head").replaceChildren(headings(heads));
  document.getElementById("balance-rows").replaceChildren(
    ...Object.values(found.streams).map((stream) => row(cells(stream, wanted, here))),
  );
  document.getElementById("balance").hidden = false;
  document.getElementById("balance-notes").replaceChildren(...list(found.notes).map((note) => made("li", note)));
  return found;
}

function cells(stream, wanted, here) {
  const mass = stream.dry ? here.units.massText(stream.dry.value, stream.dry.u) : "not known";
  const share = stream.share && stream.role !== "feed" ? percent(stream.share.value, stream.share.u) : "";
  const told = [stream.name, { text: mass, number: true }, { text: share, number: true }];
  if (!wanted) return told;
  const part = stream.components[wanted];
  const grade = part?.grade ? percent(part.grade.value, part.grade.u) : "not known";
  const recovery = stream.role === "product" ? range(part?.recovery) : "";
  return [...told, { text: grade, number: true }, { text: recovery, number: true }, words(stream.dry?.how, part?.grade?.how)];
}

function range(estimate) {
  if (!estimate) return "not known";
  return `${percent(estimate.value, null)} (${percent(estimate.low, null).replace(" %", "")} to ${percent(estimate.high, null)})`;
}

function headings(texts) {
  const line = document.createElement("tr");
  for (const text of texts) {
    const head = made("th", text, line.childElementCount ? "n" : "");
    head.scope = "col";
    line.append(head);
  }
  return line;
}

/** What makes the recoveries uncertain, the largest first: a sentence for each product. */
export function surer(found) {
  return Object.entries(found?.budgets ?? {})
    .filter(([name]) => name.startsWith("recovery of"))
    .map(([name, parts]) => {
      const largest = parts.slice(0, NAMED).filter((part) => part.share >= 0.05);
      const told = largest.map((part) => `${part.input} ${percent(part.share, null, 0)}`).join(", ");
      return told && `${name}: ${told}`;
    })
    .filter(Boolean);
}
