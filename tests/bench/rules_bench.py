"""What the rules beside `outlet-not-delivering` say on simulated bays, and how often they are wrong.

``python tests/bench/rules_bench.py [seeds] [hours] [first seed] [--faults] [--calm] [--feed hopper|tub]
[--cache FOLDER] [-v]``

For each kind: alarms raised, and false ones by what happened near them. Product astray: how many plugs whose
product crossed were told, how soon, and the mass told at the end against the truth: what the neighbour got
in this bay less what it gets in the same bay without the plug. Surges: what a plug let go, and whether it
was told.
All physics is assumed; no recording of a real table was used.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from math import sqrt
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from logger.core.bay import Bay
from logger.simulator.bay import Event, SimulatedBay
from logger.simulator.draw import ALL, GREAT, SMALL
from logger.simulator.trace import Trace
from logger.simulator.troubles import Clog
from tests.bench.notice_bench import Alarm, cached, fold, last

CAUSES: dict[str, tuple[str, ...]] = {
    "outlet-surging": ("clog",),
    "product-astray": ("clog",),
    "feed-drift": ("feed-drift", "feed-stop", "pulsing"),
    "feed-stopped": ("feed-stop",),
    "feed-pulsing": ("pulsing",),
    "feed-contradicted": ("frozen",),
    "feed-too-thick": ("water", "feed-drift"),
    "water-out-of-band": ("water",),
    "flow-stuck": ("frozen",),
    "masses-not-closing": ("clog", "frozen", "unit-changed"),
    "container-missing": ("change",),
    "zero-drifted": (),
}
"""What may rightly cause each kind; any other alarm of it counts as false."""
AFTER_S = 300.0


@dataclass
class Score:
    hours: float = 0.0
    raised: Counter[str] = field(default_factory=Counter)
    false: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    crossed: int = 0
    told: int = 0
    delays: list[float] = field(default_factory=list)
    pulls: list[float] = field(default_factory=list)  # (told - true) / u
    errors: list[float] = field(default_factory=list)  # (told - true) / true
    missed: list[str] = field(default_factory=list)
    pile_kg: list[tuple[float, bool]] = field(default_factory=list)


def without(trace: Trace, clog: Event) -> dict[str, list[float]]:
    """What each outlet would have delivered, second by second, had that plug not been."""
    scenario = trace.scenario
    kept = tuple(
        t for t in scenario.troubles
        if not (isinstance(t, Clog) and t.outlet == clog.subject and abs(t.at_s - clog.at_s) < 1.0)
    )  # fmt: skip
    bay = SimulatedBay(replace(scenario, troubles=kept), trace.seed)
    until = min((clog.until_s or trace.duration_s) + 60.0, trace.duration_s)
    while bay.now_s < until:
        bay.step()
    return bay.truth.delivered_kg


def near(trace: Trace, alarm: Alarm) -> bool:
    """Whether something happened that rightly raises this kind."""
    return any(
        event.kind in CAUSES.get(alarm.kind, ())
        and event.at_s - 5.0 <= alarm.at_s <= (event.until_s or 1e9) + AFTER_S
        for event in trace.events
    )


def score(trace: Trace, alarms: list[Alarm], bay: Bay, total: Score, verbose: bool) -> None:
    for alarm in alarms:
        standing = bay.alarms.get(f"table/{alarm.kind}/{alarm.subject}") if alarm.kind in CAUSES else None
        if standing is not None and not alarm.ended and standing.judged.active:
            alarm.ended = standing.judged.evidence  # it stands still: as it was last told
    total.hours += trace.duration_s / 3600.0
    for alarm in alarms:
        total.raised[alarm.kind] += 1
        if alarm.kind in CAUSES and not near(trace, alarm):
            total.false[alarm.kind].append(f"{trace.seed}")
            print(f"  seed {trace.seed} FALSE {alarm.kind} {alarm.subject} at {alarm.at_s:.0f}: "
                  f"{alarm.what} {alarm.evidence} [{last(trace, alarm)}]")  # fmt: skip
    for clog in [event for event in trace.events if event.kind == "clog"]:
        judge_plug(trace, clog, alarms, total, verbose)


def judge_plug(trace: Trace, clog: Event, alarms: list[Alarm], total: Score, verbose: bool) -> None:
    until = min(clog.until_s or trace.duration_s, trace.duration_s)
    there = without(trace, clog)
    weighed = {o.name for o in trace.scenario.outlets if o.scale is not None}
    a, b = int(clog.at_s), int(min(until, trace.duration_s - 1))
    here = trace.truth.delivered_kg  # product alone, without the water that some containers keep
    true = {
        name: (here[name][b] - here[name][a]) - (there[name][b] - there[name][a])
        for name in weighed
        if name != clog.subject
    }
    crossed = sum(mass for mass in true.values() if mass > 0.02)
    end = int(min(until + 40, trace.duration_s - 1))
    late = trace.truth.delivered_kg[clog.subject]
    would = there[clog.subject]
    pile = (late[end] - late[b]) - (would[end] - would[b])
    surged = [x for x in alarms if x.kind == "outlet-surging" and x.subject == clog.subject
              and until - 2 <= x.at_s <= until + 120]  # fmt: skip
    total.pile_kg.append((pile, bool(surged)))
    said = [x for x in alarms if x.kind == "product-astray" and x.subject == clog.subject
            and clog.at_s <= x.at_s <= until + 30]  # fmt: skip
    verdict = "nothing crossed"
    if crossed > 0.05:
        total.crossed += 1
        verdict = "MISSED"
        if said:
            first = said[0]
            total.told += 1
            total.delays.append(first.at_s - clog.at_s)
            finals = [each.ended or each.evidence for each in said]
            kg = sum(float(final["astray_kg"]) for final in finals)
            u = sqrt(sum(float(final["u_kg"]) ** 2 for final in finals))
            named = sum(mass for name, mass in true.items() if any(f"to_{name}_kg" in f for f in finals))
            total.pulls.append((kg - named) / u)
            total.errors.append((kg - named) / crossed)
            verdict = f"after {first.at_s - clog.at_s:.0f} s; told {kg:.3f} u {u:.3f}, true there {named:.3f}"
        else:
            total.missed.append(f"{trace.seed}:{clog.subject}")
    if verbose:
        print(f"  seed {trace.seed} {clog.subject} {clog.at_s:.0f}-{until:.0f} {clog.data} "
              f"crossed {crossed:.3f} {verdict}; pile {pile:.2f} "
              f"surge {[x.evidence for x in surged]}")  # fmt: skip


def report(total: Score) -> None:
    print(f"{total.hours:.0f} h")
    for kind in sorted(total.raised):
        n = len(total.false.get(kind, []))
        note = "" if kind not in CAUSES else f"  false {n} ({100.0 * n / total.hours:.2f} in 100 h)"
        print(f"  {kind:22} {total.raised[kind]:4}{note}")
    if total.crossed:
        print(f"product astray: {total.told} of {total.crossed} told, missed {total.missed}")
    if total.delays:
        inside = sum(abs(pull) <= 2.0 for pull in total.pulls) / len(total.pulls)
        rms = sqrt(sum(p * p for p in total.pulls) / len(total.pulls))
        print(f"  after {median(total.delays):.0f} s (median); error / crossed {median(total.errors):+.0%}, "
              f"within 2 u {inside:.0%}, rms pull {rms:.2f}")  # fmt: skip
    if total.pile_kg:
        told = [pile for pile, surged in total.pile_kg if surged]
        untold = [pile for pile, surged in total.pile_kg if not surged]
        print(f"plugs let go: {len(told)} told as surges ({', '.join(f'{p:.2f}' for p in sorted(told))} kg)")
        print(f"  not told: {', '.join(f'{p:.2f}' for p in sorted(untold))} kg")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("seeds", type=int, nargs="?", default=10)
    parser.add_argument("hours", type=float, nargs="?", default=1.0)
    parser.add_argument("first", type=int, nargs="?", default=0)
    parser.add_argument("--faults", action="store_true")
    parser.add_argument("--calm", action="store_true")
    parser.add_argument("--feed", choices=("hopper", "tub"))
    parser.add_argument("--cache")
    parser.add_argument("-v", action="store_true")
    told = parser.parse_args()
    kinds = () if told.calm else ALL if told.faults else GREAT + SMALL
    total, begin = Score(), time.perf_counter()
    for seed in range(told.first, told.first + told.seeds):
        trace = cached(seed, told.hours, kinds, told.feed, told.cache)
        alarms, bay, _ = fold(trace, told=False)
        score(trace, alarms, bay, total, told.v)
    report(total)
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
