"""Peers beside Tallydeck on the test bay, all at the same rate of false alarms, in one run.

Run by hand: ``python -m tests.bench.peers --seeds 0:20 [--set report] [--classes hopper,tub,busy] [--jobs 2]
[--json FILE] [--no-ours]``; ``--read FILE`` prints what was written by ``--json``.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from tests.bench.peers.calibrate import BATCHES
from tests.bench.peers.columns import text
from tests.bench.peers.run import Job, from_file, run


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", choices=("tuning", "report"), default="report")
    parser.add_argument("--seeds", default="0:6", help="A:B, for each class")
    parser.add_argument("--classes", default="hopper,tub,busy")
    parser.add_argument(
        "--hours", default="5,3,3", help=f"undisturbed hours of each bay: {', '.join(BATCHES)}"
    )
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", type=Path, help="write every record to this file")
    parser.add_argument("--read", type=Path, help="print the table of such a file")
    parser.add_argument("--no-ours", action="store_true", help="the peers alone")
    args = parser.parse_args()
    if args.read:
        columns = [from_file(each) for each in json.loads(args.read.read_text())]
    else:
        first, last = (int(x) for x in args.seeds.split(":"))
        jobs = [Job(seed, args.set, what) for what in args.classes.split(",") for seed in range(first, last)]
        batches = dict(zip(BATCHES, (int(x) for x in args.hours.split(",")), strict=True))
        columns = run(jobs, batches, args.jobs, not args.no_ours)
    if args.json:
        args.json.write_text(json.dumps([c.to_json() for c in columns]))
    print(text(columns))


if __name__ == "__main__":
    main()
