"""A process that writes numbered records until it is killed, and says each seq whose commit returned.

Run by the tests: ``python journal_writer.py JOURNAL SEED``.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

from logger.journal.journal import Journal
from tests.journal.journal_samples import OFFSET_NS, records

if __name__ == "__main__":
    rng = random.Random(int(sys.argv[2]))
    journal = Journal.open(
        Path(sys.argv[1]), boot_id=f"boot-{sys.argv[2]}", offset_ns=OFFSET_NS, ballast_bytes=0
    )
    while True:
        first = journal.last_seq + 1
        last = first + rng.randrange(60)
        print(f"begin {last}", flush=True)
        journal.append(records(first, last))
        print(f"done {last}", flush=True)
        if rng.random() < 0.1:
            journal.save_checkpoint(last, "fold", last.to_bytes(8, "big") * rng.randrange(1, 4000))
