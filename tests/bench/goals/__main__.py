"""The goals of detection: Tallydeck beside simpler ways and the bound, at one rate of false alarms.

Run by hand: ``python -m tests.bench.goals --set report --seeds 0:24,drift=0:80 [--jobs 2] [--minutes 15]
[--keep FILE] [--json FILE] [--worst 3 --write FOLDER]``. Each trace is made once and goes through all.
``--keep`` writes each bay's record as it is done, so that a run may be cut; ``--read FILE ...`` prints the
table of what was kept. ``--no-peers`` plays Tallydeck alone.
"""

from __future__ import annotations

import argparse
import json
import sys
from itertools import zip_longest
from pathlib import Path

from tests.bench.goals.columns import columns
from tests.bench.goals.jobs import OURS
from tests.bench.goals.kept import Bay, Broken, Calm, Job, Line, read, to_line
from tests.bench.goals.pictures import pictures
from tests.bench.goals.run import Settings, run
from tests.bench.goals.table import text, to_json
from tests.bench.peers.calibrate import BATCHES
from tests.bench.testbay.plan import CLASSES
from tests.bench.testbay.score import Scored
from tests.bench.testbay.table import together


def jobs_of(set_: str, seeds: str, classes: list[str]) -> list[Job]:
    """``seeds``: A:B, for each class, and CLASS=A:B for one of its own. Classes take turns, so that what a
    cut run leaves is even."""
    spans = {}
    for each in seeds.split(","):
        what, _, span = each.rpartition("=")
        first, last = (int(x) for x in span.split(":"))
        spans[what] = range(first, last)
    unknown = set(spans) - {"", *CLASSES}
    if unknown:
        raise ValueError(f"there is no class {', '.join(sorted(unknown))}; there are {', '.join(CLASSES)}")
    of_class = [[Job(seed, set_, what) for seed in spans.get(what, spans.get("", ()))] for what in classes]
    return [job for turn in zip_longest(*of_class) for job in turn if job is not None]


def parsed() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", choices=("tuning", "report"), default="report")
    parser.add_argument("--seeds", default="0:6", help="A:B for each class, CLASS=A:B for one")
    parser.add_argument("--classes", default=",".join(CLASSES))
    parser.add_argument(
        "--hours", default="3,3,2", help=f"undisturbed hours of each bay: {', '.join(BATCHES)}"
    )
    parser.add_argument("--own", type=int, default=1, help="undisturbed hours of each bay through Tallydeck")
    parser.add_argument("--no-peers", action="store_true", help="Tallydeck alone")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=1e6, help="begin no trace after so long")
    parser.add_argument(
        "--calm", type=Path, nargs="+", default=[], help="take undisturbed hours from such kept files"
    )
    parser.add_argument("--keep", type=Path, help="write each record to this new file, as it comes")
    parser.add_argument("--read", type=Path, nargs="+", help="print the table of such files")
    parser.add_argument("--json", type=Path, help="write the table to this file")
    parser.add_argument("--worst", type=int, default=0, help="print so many of the worst of each sort")
    parser.add_argument("--write", type=Path, help="folder for their readings, truth and pictures")
    return parser.parse_args()


def played(args: argparse.Namespace) -> list[Line]:
    jobs = jobs_of(args.set, args.seeds, args.classes.split(","))
    batches = dict(zip(BATCHES, (int(x) for x in args.hours.split(",")), strict=True))
    settings = Settings(None if args.no_peers else batches, args.own, args.jobs, args.minutes)
    known = [each for each in read(args.calm) if isinstance(each, Calm)]
    found: list[Line] = []
    kept = args.keep.open("x") if args.keep else None
    try:
        for record in run(jobs, settings, known):
            found.append(record)
            if kept is not None:
                kept.write(to_line(record) + "\n")
                kept.flush()
    except KeyboardInterrupt:
        print("cut short", file=sys.stderr)
    finally:
        if kept is not None:
            kept.close()
    return found


def own(records: list[Line]) -> Scored:
    return together(p.scored for r in records if isinstance(r, Bay) for p in r.parts if p.way == OURS)


def main() -> None:
    args = parsed()
    records = list(read(args.read)) if args.read else played(args)
    made = columns(records)
    if not made:
        sys.exit("no trace was played to its end; nothing to print")
    print(text(made))
    broken = [each for each in records if isinstance(each, Broken)]
    for each in broken:
        print(f"NOT PLAYED to its end: {each.job.bay}: {each.error}")
    if args.json:
        args.json.write_text(json.dumps(to_json(made), indent=1))
    for line in pictures(own(records), args.worst, args.write):
        print(line)
    sys.exit(1 if broken else 0)


if __name__ == "__main__":
    main()
