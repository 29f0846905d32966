"""How fast readings are entered, against raw rows of the same width in the same run. Run by hand:

    python tests/bench/journal_bench.py [readings]

The floor is one bare table written by `executemany`, same library, same pragmas, same rows a commit, turn
about with the journal, so that the ratio depends little on the machine, its disk and what else runs on it.
Also prints bytes a reading, the tail of the commits' times and the rate of reading back.
"""

from __future__ import annotations

import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import apsw

from logger.core.entries import Reading
from logger.journal.journal import Journal, JournalReader

OFFSET_NS = 1_772_000_000 * 10**9


def shift(count: int) -> list[Reading]:
    """Ten channels at 10 Hz, stamped with the jitter of a real port."""
    rng = random.Random(7)
    records = []
    for index in range(count):
        at_ns = OFFSET_NS + 3_600 * 10**9 + index * 10_000_000 + rng.randrange(2_000_000)
        grams = 5_000 + index // 40 + rng.randrange(-3, 4)
        records.append(
            Reading(at_ns, f"scale-{index % 10}", grams, -3, "kg", bool(rng.randrange(2)), seq=index + 1)
        )
    return records


Times = list[tuple[float, float]]  # (wall, processor) seconds of each commit


def _timed(work: Callable[[], None], times: Times) -> None:
    wall, processor = time.perf_counter(), time.process_time()
    work()
    times.append((time.perf_counter() - wall, time.process_time() - processor))


def side_by_side(folder: Path, records: list[Reading], commit: int) -> tuple[Times, Times, int]:
    """Times of the journal's commits and of the floor's, turn about; the journal's size in bytes."""
    path = folder / f"journal-{commit}.db"
    journal = Journal.open(path, boot_id="bench", offset_ns=OFFSET_NS, ballast_bytes=0)
    floor = apsw.Connection(str(folder / f"floor-{commit}.db"))
    floor.pragma("journal_mode", "wal")
    floor.pragma("synchronous", "full")
    floor.execute(
        "CREATE TABLE bare (seq INTEGER PRIMARY KEY, a INTEGER, b INTEGER, c INTEGER, d INTEGER, e BLOB)"
        " STRICT"
    )
    ours: Times = []
    floors: Times = []

    def enter_bare(rows: list[tuple[int | None, ...]]) -> None:
        floor.execute("BEGIN IMMEDIATE")
        floor.executemany("INSERT INTO bare VALUES (?, ?, ?, ?, ?, ?)", rows)
        floor.execute("COMMIT")

    for start in range(0, len(records), commit):
        part = records[start : start + commit]
        rows = [(r.seq, 1, r.at_ns - OFFSET_NS, r.seq % 20, r.number, None) for r in part]
        _timed(partial(journal.append, part), ours)
        _timed(partial(enter_bare, rows), floors)
    journal.close()
    floor.close()
    return ours, floors, path.stat().st_size


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    records = shift(count)
    print(f"SQLite {apsw.sqlite_lib_version()}, {count} readings")
    with tempfile.TemporaryDirectory(prefix="journal-bench-") as name:
        folder = Path(name)
        for commit in (100, 1000):
            ours, floors, size = side_by_side(folder, records, commit)
            journal, floor = ([sum(each) for each in zip(*times, strict=True)] for times in (ours, floors))
            walls = [each[0] for each in ours]
            p50, p99 = statistics.median(walls) * 1e3, statistics.quantiles(walls, n=100)[98] * 1e3
            print(f"{commit} a commit: journal {count / journal[0]:,.0f}/s, floor {count / floor[0]:,.0f}/s")
            print(f"  {floor[0] / journal[0]:.2f} of the floor's rate")
            print(
                f"  {journal[1] / floor[1]:.2f} of its processor time, {journal[1] / count * 1e6:.2f} us each"
            )
            print(f"  commit p50 {p50:.1f} ms, p99 {p99:.1f} ms; {size / count:.1f} bytes a reading")
        before = time.perf_counter()
        with JournalReader(folder / "journal-1000.db") as reader:
            same = all(a == b for a, b in zip(reader.read(), records, strict=True))
        rate = count / (time.perf_counter() - before)
        print(f"read back {rate:,.0f}/s, {'equal' if same else 'NOT EQUAL'}")
        before = time.perf_counter()
        Journal.open(
            folder / "journal-1000.db", boot_id="bench", offset_ns=OFFSET_NS, ballast_bytes=0, check_s=600
        ).close()
        print(f"opened with the whole check in {time.perf_counter() - before:.2f} s")


if __name__ == "__main__":
    main()
