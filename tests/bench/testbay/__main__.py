"""The test bay: seeded bays with a physics of their own, played through Tallydeck, scored, as a table.

Run by hand: ``python -m tests.bench.testbay --set tuning --seeds 0:20 [--classes hopper,busy] [--jobs 2]
[--json FILE] [--worst 3] [--write FOLDER] [-v]``; ``--read FILE ...`` prints what was written by ``--json``.

Detection is tuned on the set ``tuning`` alone and reported on ``report``, whose physics has other ranges
and shapes. All physics is assumed; no recording of a real table stands behind it.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.bench.testbay.plan import CLASSES
from tests.bench.testbay.play import play, write
from tests.bench.testbay.score import Scored, from_json, score
from tests.bench.testbay.table import text, together
from tests.bench.testbay.trace import make
from tests.bench.testbay.worst import worst

Job = tuple[int, str, str, bool]


def one(job: Job) -> Scored:
    seed, regime, what, told = job
    trace = make(seed, regime, what)
    return score(trace, play(trace, told))


def run(jobs: list[Job], processes: int, verbose: bool) -> Iterator[Scored]:
    pool = None if processes < 2 else ProcessPoolExecutor(processes)
    found = map(one, jobs) if pool is None else pool.map(one, jobs)
    for job, scored in zip(jobs, found, strict=True):
        if verbose:
            _say(job, scored)
        yield scored
    if pool is not None:
        pool.shutdown()


def _say(job: Job, scored: Scored) -> None:
    head = f"{job[2]} {job[0]}"
    for c in scored.clogs:
        n = c.note
        delay = "MISSED" if n["delay_s"] is None else f"{n['delay_s']:.0f} s"
        bound = "-" if n["bound_s"] is None else f"{n['bound_s']:.0f}"
        print(f"{head} {n['kind']} {c.subject} at {c.at_s:.0f}: {delay}, bound {bound}, {n['kg_h']} kg/h")
    for f in scored.false:
        print(
            f"{head} FALSE {f.note['kind']} {f.subject} at {f.at_s:.0f} "
            f"({f.note['cause']}) truly {f.note['flowed']} of usual {f.note['evidence']}"
        )
    for o in scored.others:
        print(
            f"{head} FALSE {o.note['kind']} {o.subject} at {o.at_s:.0f}, fed {o.note['fed']} of the target "
            f"[{o.note['near']}] {o.note['what']}"
        )
    for d in scored.drifts:
        print(f"{head} drift {d.note}")
    for z in scored.frozen:
        print(f"{head} frozen {z.subject} at {z.at_s:.0f} {z.note}")
    sys.stdout.flush()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", choices=("tuning", "report"), default="tuning")
    parser.add_argument("--seeds", default="0:6", help="A:B, for each class")
    parser.add_argument("--classes", default=",".join(CLASSES))
    parser.add_argument("--told", action="store_true", help="tell the kind of feed where it is a tub")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", type=Path, help="write every record to this file")
    parser.add_argument("--read", type=Path, nargs="+", help="print the table of such files")
    parser.add_argument("--worst", type=int, default=0, help="print so many of the worst of each sort")
    parser.add_argument(
        "--write", type=Path, help="folder for the worst ones' readings, configuration and truth"
    )
    parser.add_argument("-v", action="store_true", help="print each clog and false alarm")
    args = parser.parse_args()
    if args.read:
        parts = [from_json(each) for path in args.read for each in json.loads(path.read_text())]
    else:
        first, last = (int(x) for x in args.seeds.split(":"))
        classes = args.classes.split(",")
        jobs = [(seed, args.set, what, args.told) for what in classes for seed in range(first, last)]
        parts = list(run(jobs, args.jobs, args.v))
    if args.json:
        args.json.write_text(json.dumps([p.to_json() for p in parts]))
    total = together(parts)
    print(text(total))
    for line, record in worst(total, args.worst):
        print(line)
        if args.write:
            bay = make(record.seed, args.set, record.what)
            write(bay, args.write / f"{args.set}-{record.what}-{record.seed}", args.told)


if __name__ == "__main__":
    main()
