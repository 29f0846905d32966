// Lots and runs: what there is, the newest first, found by a word.

import { duration, known } from "./figures.js";
import { list, words } from "./nodes.js";
import { ask, bay, begin, dayTime, made, row } from "./pages.js";

const runHref = (run) => `/run?run=${encodeURIComponent(run)}`;

function took(run) {
  const s = (Date.parse(run.end) - Date.parse(run.start)) / 1000;
  return known(s) ? duration(s) : "";
}

function settings(run) {
  const latest = list(run.settings).at(-1)?.values ?? {};
  return words(...Object.entries(latest).map(([name, value]) => `${name} ${value}`));
}

function holds(text, words) {
  const low = text.toLowerCase();
  return words.every((word) => low.includes(word));
}

begin(async () => {
  const here = await bay();
  const [runs, lots] = await Promise.all([ask("/api/v1/runs"), ask("/api/v1/lots")]);
  const byLot = new Map(lots.map((lot) => [lot.lot, lot]));

  function show(query) {
    const wanted = query.toLowerCase().split(/\s+/).filter(Boolean);
    const about = (lot) => words(lot?.lot, lot?.material, lot?.owner);
    const someRuns = runs.filter((run) => holds(words(run.run, run.station, run.lot, about(byLot.get(run.lot))), wanted));
    const someLots = lots.filter((lot) => holds(words(about(lot), ...runs.filter((r) => r.lot === lot.lot).map((r) => r.run)), wanted));
    document.getElementById("runs").replaceChildren(
      ...someRuns.map((run) =>
        row([
          { text: run.run, href: runHref(run.run) }, run.lot ?? "none", run.station, dayTime(run.start, here.zone),
          run.end ? dayTime(run.end, here.zone) : { text: "open", kind: "open" },
          { text: took(run), number: true }, settings(run),
        ]),
      ),
    );
    document.getElementById("lots").replaceChildren(
      ...someLots.map((lot) => {
        const line = row([
          lot.lot, lot.material || "", lot.owner || "", { text: here.units.massText(lot.net_kg, lot.u_net_kg), number: true }, "",
        ]);
        for (const run of runs.filter((one) => one.lot === lot.lot)) {
          const way = made("a", run.run);
          way.href = runHref(run.run);
          line.lastElementChild.append(way, " ");
        }
        return line;
      }),
    );
    const all = someRuns.length === runs.length && someLots.length === lots.length;
    const many = (n, of, word) => `${n}${all ? "" : ` of ${of}`} ${word}${of === 1 ? "" : "s"}`;
    document.getElementById("found").textContent = `${many(someRuns.length, runs.length, "run")}, ${many(someLots.length, lots.length, "lot")}`;
  }

  const find = document.getElementById("find");
  find.addEventListener("input", () => show(find.value));
  find.form.addEventListener("submit", (event) => event.preventDefault());
  show("");
});
