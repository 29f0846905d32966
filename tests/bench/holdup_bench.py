"""How often the stated interval of the hold-up holds the truth, on whole simulated bays.

    python -m tests.bench.holdup_bench [bays] [first seed] [tuning|report]

Bays of `tests.bench.testbay` (their physics is not the one that the hold-up was thought out for) are played
through the fold; every ten seconds what truly lies on the deck (feed used less what was delivered, scoops in
the hand included) is compared; where the bay's lumps brought a little more than was fed, nothing lies there.
Prints, for start-up (to 400 s), steady feed, feed stopped or just on again, and plugs: coverage of the 95 %
interval, error (root mean square) and stated uncertainty in kg. Moments of one bay hang together: +- is by
bays (standard error of their means).
"""

from __future__ import annotations

import sys
from collections import defaultdict
from math import sqrt
from statistics import mean, stdev

from logger.core import actions
from logger.core.bay import Bay
from logger.core.entries import Action
from tests.bench.testbay.play import described
from tests.bench.testbay.trace import EPOCH_S, Trace, make

NS = 10**9
EVERY_S = 10
START_S = 400
CLASSES = ("mass", "hopper", "tub", "busy")
AFTER_S = 120
Row = tuple[str, bool, float, float]  # state, held, error, stated uncertainty


def state_at(trace: Trace, second: int) -> str:
    """What was going on at a second."""
    for kind, word in (("clog", "plugged"), ("feed-stop", "stopped")):
        if any(e.kind == kind and e.at_s <= second <= e.until_s + AFTER_S for e in trace.events):
            return word
    return "start" if second < START_S else "steady"


def rows(trace: Trace) -> list[Row]:
    """Every ten seconds of one bay."""
    bay = Bay(described(trace))
    station = bay.stations["table"]
    bay.apply(Action(EPOCH_S * NS, actions.StartRun()))
    names = [spec.name for spec in trace.plan.outlets]
    found: list[Row] = []
    due = round(trace.plan.feed_from_s) + EVERY_S
    for reading in trace.readings():
        bay.apply(reading)
        second = bay.at_ns // NS - EPOCH_S
        if second < due:
            continue
        due = second + EVERY_S
        deck = station.deck()
        if deck is not None:
            true_kg = trace.mass_kg("feed", 0, second) - sum(trace.mass_kg(n, 0, second) for n in names)
            true_kg = max(true_kg, 0.0)
            held = deck.low_kg - 1e-9 <= true_kg <= deck.high_kg
            found.append((state_at(trace, second), held, true_kg - deck.kg, deck.u_kg))
    return found


def main(count: int, first: int, regime: str) -> None:
    """Print the table."""
    print(f"{count} bays of each class from seed {first}, {regime}")
    print("class    state     moments  bays  coverage     +-  error kg   u kg")
    for what in CLASSES:
        bays: dict[str, list[list[Row]]] = defaultdict(list)
        for seed in range(first, first + count):
            told: dict[str, list[Row]] = defaultdict(list)
            for row in rows(make(seed, regime, what)):
                told[row[0]].append(row)
            for state, listed in told.items():
                bays[state].append(listed)
        for state, each in sorted(bays.items()):
            every = [row for listed in each for row in listed]
            covers = [mean(row[1] for row in listed) for listed in each]
            error = sqrt(mean(row[2] ** 2 for row in every))
            spread = stdev(covers) / sqrt(len(covers)) if len(covers) > 1 else float("nan")
            share, u = mean(row[1] for row in every), mean(row[3] for row in every)
            head = f"{what:8} {state:8} {len(every):8} {len(each):5}"
            print(f"{head} {share:9.3f} {spread:6.3f} {error:9.3f} {u:6.3f}")


if __name__ == "__main__":
    numbers = [int(each) for each in sys.argv[1:3]]
    main(
        numbers[0] if numbers else 4,
        numbers[1] if len(numbers) > 1 else 1,
        sys.argv[3] if len(sys.argv) > 3 else "report",
    )
