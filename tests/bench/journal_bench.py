"""How fast readings are entered, against raw rows of the same width in the same run. Run by hand:

    python tests/bench/journal_bench.py [readings]

The floor is one bare table written by `executemany`, same library, same pragmas, same rows a commit, so
the ratio does not depend on the machine or its disk. Also prints bytes a reading, the size of a commit's
tail and the rate of reading back.
"""

from __future__ import annotations

import random
import statistics
import sys
import tempfile
import time
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


def journal_rate(folder: Path, records: list[Reading], commit: int) -> tuple[float, list[float], int]:
    path = folder / f"journal-{commit}.db"
    journal = Journal.open(path, boot_id="bench", offset_ns=OFFSET_NS, ballast_bytes=0)
    times = []
    begin = time.perf_counter()
    for start in range(0, len(records), commit):
        before = time.perf_counter()
        journal.append(records[start : start + commit])
        times.append(time.perf_counter() - before)
    rate = len(records) / (time.perf_counter() - begin)
    journal.close()
    return rate, times, path.stat().st_size


def floor_rate(folder: Path, records: list[Reading], commit: int) -> float:
    connection = apsw.Connection(str(folder / f"floor-{commit}.db"))
    connection.pragma("journal_mode", "wal")
    connection.pragma("synchronous", "full")
    connection.execute(
        "CREATE TABLE rows (seq INTEGER PRIMARY KEY, a INTEGER, b INTEGER, c INTEGER, d INTEGER, e BLOB)"
        " STRICT"
    )
    table = [
        (record.seq, 1, record.at_ns - OFFSET_NS, index % 20, record.number, None)
        for index, record in enumerate(records)
    ]
    begin = time.perf_counter()
    for start in range(0, len(table), commit):
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany("INSERT INTO rows VALUES (?, ?, ?, ?, ?, ?)", table[start : start + commit])
        connection.execute("COMMIT")
    rate = len(records) / (time.perf_counter() - begin)
    connection.close()
    return rate


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    records = shift(count)
    print(f"SQLite {apsw.sqlite_lib_version()}, {count} readings")
    with tempfile.TemporaryDirectory(prefix="journal-bench-") as name:
        folder = Path(name)
        for commit in (100, 1000):
            floor = floor_rate(folder, records, commit)
            rate, times, size = journal_rate(folder, records, commit)
            p50, p99 = statistics.median(times), statistics.quantiles(times, n=100)[98]
            print(
                f"{commit:5d} a commit: journal {rate:9,.0f}/s, floor {floor:9,.0f}/s, "
                f"ratio {rate / floor:.2f}, commit p50 {p50 * 1e3:.1f} ms p99 {p99 * 1e3:.1f} ms, "
                f"{size / count:.1f} bytes a reading"
            )
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
