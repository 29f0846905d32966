"""How fast a record is folded again, against the floor of only walking through it. By hand; no test.

    .venv/bin/python tests/bench/replay_bench.py [--minutes 60] [--rate 10] [--seed 1]

Prints processor time, so that a busy machine tells nearly the same, and ratios of one run.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from logger.core.bay import Bay
from logger.core.entries import Reading
from logger.journal.journal import Journal, JournalReader
from logger.replay import read_csv
from logger.simulator.foundry import foundry_scenario
from logger.simulator.trace import make_trace, write_csv
from tests.core.folding import T0, configuration, entries


def timed(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--rate", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    trace = make_trace(foundry_scenario(), options.seed, options.minutes * 60, options.rate)
    listed = entries(trace)
    count = sum(type(entry) is Reading for entry in listed)
    channels = len(configuration().bay.channels)
    print(f"{count} readings of {channels} channels at {options.rate:g} Hz, {options.minutes:g} minutes")

    bay = Bay(configuration().bay)
    floor_s = timed(lambda: [entry.at_ns for entry in listed if type(entry) is Reading])
    fold_s = timed(lambda: [bay.apply(entry) for entry in listed])
    seconds = options.minutes * 60
    print(f"fold            {count / fold_s:12,.0f} readings/s of a core")
    print(f"                {1e6 * fold_s / seconds:12,.0f} us of it for a second of life")
    print(f"walk (floor)    {count / floor_s:12,.0f} readings/s;  fold / floor {fold_s / floor_s:.0f}")

    quiet = Bay(configuration().bay)
    for fold in quiet.stations.values():
        fold.rules = []
    for each in quiet.channels.values():
        each.rules = []
    tracks_s = timed(lambda: [quiet.apply(entry) for entry in listed])
    print(f"without rules   {count / tracks_s:12,.0f} readings/s;  rules take {1 - tracks_s / fold_s:.0%}")

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        write_csv(trace, path)
        csv_s = timed(lambda: read_csv(path, []))
        both = count / (csv_s + fold_s)
        print(f"read the CSV    {count / csv_s:12,.0f} readings/s;  CSV and fold {both:,.0f}")
        journal = Journal.open(Path(folder) / "journal.sqlite", boot_id="b", offset_ns=T0 - 10**15)
        for start in range(0, len(listed), 1000):
            journal.append(listed[start : start + 1000])
        journal.close()
        with JournalReader(Path(folder) / "journal.sqlite") as reader:
            read_s = timed(lambda: list(reader.read()))
        both = count / (read_s + fold_s)
        print(f"read a journal  {count / read_s:12,.0f} readings/s;  journal and fold {both:,.0f}")


if __name__ == "__main__":
    main()
