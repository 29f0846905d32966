"""How fast readings become lines of line protocol, against the floor of only formatting such a text. By hand.

    .venv/bin/python tests/bench/points_bench.py [--minutes 30] [--rate 10] [--seed 1] [--rounds 7]

Prints processor time, the best of some rounds, as a busy machine only makes it longer; and ratios of one run.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from influxdb_client import Point

from logger.core.entries import Reading
from logger.core.tagging import Changed, Clockwork, Run, Spans, Tag
from logger.followers.store.places import Places
from logger.followers.store.points import Line, Meaning
from logger.followers.store.times import Times
from logger.simulator.foundry import foundry_scenario
from logger.simulator.trace import make_trace
from tests.core.folding import T0, configuration, entries

NS = 10**9
MANY_RUNS = 50


def best(work: Callable[[], object], rounds: int) -> float:
    """Seconds of processor time of the fastest round."""
    taken = []
    for _ in range(rounds):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return min(taken)


def floor(readings: list[Reading], like: str) -> list[Line]:
    """The same with a text of the same length and the same numbers, which means nothing."""
    end = like.rindex(" ")
    head, value, tail = like[: end - 30], 30 * "x", like[end - 30 : end]
    head = head[: len(like) - len(tail) - len(value)]
    return [Line(r.seq, r.at_ns, f"{head}{r.number / 1000!r}{tail} {r.at_ns + r.seq}") for r in readings]


def whole_point(reading: Reading) -> str:
    point = Point("reading").tag("bay", "foundry").tag("channel", reading.channel).tag("lot", "none")
    point.tag("outlet", reading.channel).tag("run", "run-1").tag("station", "table")
    point.field("kg", reading.number / 1000).field("withdrawn", 0).time(reading.at_ns)
    return str(point.to_line_protocol())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--rate", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=7)
    options = parser.parse_args()
    trace = make_trace(foundry_scenario(), options.seed, options.minutes * 60, options.rate)
    readings = [entry for entry in entries(trace) if type(entry) is Reading]
    count, last_ns = len(readings), readings[-1].at_ns
    step_ns = (last_ns - T0) // MANY_RUNS
    runs: dict[str, Run] = {
        f"run-{n}": ("table", f"lot {n}", T0 + n * step_ns, T0 + (n + 1) * step_ns) for n in range(MANY_RUNS)
    }
    times = Times()
    times.update([Clockwork(0, 3600 * NS, True)], 0)
    places = Places([(1, configuration().bay)])
    meaning = Meaning("foundry", Spans(runs), places, times)
    lines = meaning.lines(readings)
    print(f"{count} readings in {MANY_RUNS} runs; a line has {len(lines[0].text)} characters")

    floor_s = best(lambda: floor(readings, lines[0].text), options.rounds)
    lines_s = best(lambda: meaning.lines(readings), options.rounds)
    print(f"lines           {count / lines_s:12,.0f} readings/s of a core")
    print(f"text (floor)    {count / floor_s:12,.0f} readings/s;  lines / floor {lines_s / floor_s:.2f}")

    some = readings[:5000]
    batches_s = best(lambda: [Meaning("foundry", Spans(runs), places, times).lines(some)], options.rounds)
    print(f"a new meaning   {len(some) / batches_s:12,.0f} readings/s in a batch of {len(some)}")
    changed = [Changed("table", T0, last_ns, Tag("run-0", "lot 0"))]
    withdrawn_s = best(lambda: meaning.withdrawn(some, changed), options.rounds)
    print(f"withdrawn       {len(some) / withdrawn_s:12,.0f} readings/s")
    points_s = best(lambda: [whole_point(reading) for reading in some], options.rounds)
    print(f"whole Points    {len(some) / points_s:12,.0f} readings/s, by the library, one by one")


if __name__ == "__main__":
    main()
