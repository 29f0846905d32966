"""How fast a backlog drains into a store, against the bare client library in the same run. Run by hand:

    python -m tests.bench.drain_bench [readings] [victoria|influx]

A journal of readings (five channels at 100 Hz together) is drained by the follower into a real store: read,
tagged, made into lines, written, its cursor kept. The floor is the client library alone, which writes the
very same lines in the same batches, made beforehand, into another store of that kind, started afresh. Turn
about, twice; the ratio is that of the medians. Seconds of processor are those of this process: on a machine
that is busy they tell more than the clock on the wall.
"""

from __future__ import annotations

import logging
import os
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any, NamedTuple

from influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS

from logger.core.tagging import Spans
from logger.followers.store.follower import StoreFollower
from logger.followers.store.places import Places
from logger.followers.store.points import Meaning
from logger.followers.store.times import Times
from logger.journal.journal import JournalReader
from logger.settings.secret import Secret
from logger.settings.values import StoreSettings
from tests.app.fleet import numbers_of
from tests.followers.store.homes import BAY, NS, Home
from tests.servers import TOKEN, running_store, until_held

READINGS = 500_000
BATCH = 5_000
ROUNDS = 2


class Cost(NamedTuple):
    wall_s: float
    cpu_s: float
    grown_mb: float


class Memory:
    """The largest growth of this process within ``with``, looked at every 20 ms."""

    def __enter__(self) -> Memory:
        self._before = self._most = self._now()
        self._enough = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._enough.set()
        self._thread.join()

    @property
    def grown_mb(self) -> float:
        return self._most - self._before

    def _watch(self) -> None:
        while not self._enough.wait(0.02):
            self._most = max(self._most, self._now())

    def _now(self) -> float:
        return float(numbers_of(os.getpid())["rss_mb"])


def written_journal(folder: Path, count: int) -> Home:
    home = Home(folder)
    home.runs["run-1"] = ("table", "lot-1", home.clock.at_ns, None)
    for done in range(0, count, 50_000):
        home.readings(min(50_000, count - done), NS // 100)
    return home


def by_the_follower(home: Home, store: Any) -> Cost:
    settings = StoreSettings(store.url, "", store.bucket, Secret(TOKEN))
    clock: Any = home.clock
    follower = StoreFollower(settings, BAY, home, home.path, clock)
    with Memory() as memory:
        wall_s, cpu_s = time.perf_counter(), time.process_time()
        follower.start()
        last = home.journal.last_seq
        while follower.standing().ledger.delivered < last:
            home.commit()
            time.sleep(0.1)
        cost = time.perf_counter() - wall_s, time.process_time() - cpu_s
    follower.stop()
    assert follower.standing().ledger.balanced
    return Cost(*cost, memory.grown_mb)


def batches(home: Home) -> list[list[str]]:
    meaning = Meaning(BAY.name, Spans(home.runs), Places([(0, BAY)]), Times())
    with JournalReader(home.path) as reader:
        lines = [line.text for line in meaning.lines(list(reader.read()))]
    return [lines[start : start + BATCH] for start in range(0, len(lines), BATCH)]


def by_the_library(made: list[list[str]], store: Any) -> Cost:
    with (
        Memory() as memory,
        InfluxDBClient(store.url, TOKEN, "", timeout=30_000, enable_gzip=True) as client,
        client.write_api(write_options=SYNCHRONOUS) as api,
    ):
        wall_s, cpu_s = time.perf_counter(), time.process_time()
        for batch in made:
            api.write(store.bucket, "", batch)
        cost = time.perf_counter() - wall_s, time.process_time() - cpu_s
    return Cost(*cost, memory.grown_mb)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else READINGS
    kind = sys.argv[2] if len(sys.argv) > 2 else "victoria"
    logging.disable(logging.WARNING)
    ours: list[Cost] = []
    floor: list[Cost] = []
    for _ in range(ROUNDS):
        with tempfile.TemporaryDirectory() as folder:
            home = written_journal(Path(folder), count)
            with running_store(kind, Path(folder) / "ours") as store:
                ours.append(by_the_follower(home, store))
                until_held(store, count, 120.0)
            made = batches(home)
            points = sum(map(len, made))
            with running_store(kind, Path(folder) / "floor") as store:
                floor.append(by_the_library(made, store))
            home.close()
    print(f"{count} readings, {points} points into {kind}")
    for name, costs in (("follower", ours), ("library", floor)):
        wall_s = statistics.median(cost.wall_s for cost in costs)
        cpu_s = statistics.median(cost.cpu_s for cost in costs)
        grown_mb = max(cost.grown_mb for cost in costs)
        print(
            f"{name:9} {points / wall_s:9.0f} points/s  {points / cpu_s:9.0f} points a second of processor  "
            f"memory grew by {grown_mb:.0f} MB at the most"
        )
    for what in ("wall_s", "cpu_s"):
        ratio = statistics.median(getattr(c, what) for c in floor) / statistics.median(
            getattr(c, what) for c in ours
        )
        print(f"follower / library by {what}: {ratio:.2f}")


if __name__ == "__main__":
    main()
