"""A journal and a home for a follower of the store, without a daemon: the test says what happens and when."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from logger.core.description import Bay, Channel, Feed, Outlet, Station
from logger.core.entries import Circumstance, Finding, Reading, Record
from logger.core.tagging import Clockwork, Run, Spans, Tagging
from logger.followers.store.follower import StoreFollower
from logger.followers.store.places import Places
from logger.followers.store.points import Meaning
from logger.followers.store.sender import Pace
from logger.followers.store.times import Times
from logger.journal.cursors import Cursor
from logger.journal.journal import Journal, JournalReader
from logger.journal.recorder import Recorder
from logger.settings.values import StoreSettings
from tests.followers.store.stub import Held, StoreStub, parsed
from tests.program import until

NS = 10**9
BEGIN_NS = 1_770_000_000 * NS
BAY = Bay(
    "foundry",
    (
        Station("table", Feed(channel="feed"), (Outlet("bronze", "pan"), Outlet("tailings", "tub"))),
        Station("jig", Feed(), (Outlet("hutch", "bin"),)),
    ),
    tuple(Channel(name) for name in ("feed", "pan", "tub", "bin", "bench")),
)
CHANNELS = [channel.name for channel in BAY.channels]


class SteppedClock:
    """Station time as the test says; the wall clock may be trusted, or not yet."""

    def __init__(self) -> None:
        self.at_ns = BEGIN_NS
        self.believed = True

    def now_ns(self) -> int:
        return self.at_ns

    def trusted(self) -> bool:
        return self.believed


class Home:
    """Keeps `followers.contract.Home`. One thread enters records; cursors go into the journal by `commit`,
    which also happens with whatever is entered, as in the loop."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "journal.sqlite"
        self.clock = SteppedClock()
        self.journal = Journal.open(self.path, boot_id="boot", offset_ns=0, ballast_bytes=0)
        self.runs: dict[str, Run] = {}
        self.clockwork: tuple[Clockwork, ...] = (Clockwork(0, 0, True),)
        self.told: Tagging | type[TimeoutError] | None = None
        self.said: list[Circumstance] = []
        self.kept: list[Cursor] = []
        self._watchers: dict[int, Callable[[], None]] = {}
        self._numbers = itertools.count()
        self.lost = False  # as if the program was killed: what is to be kept is not
        self.folded = True

    # ------------------------------------------------------------------ for the follower

    def put(self, item: Circumstance) -> None:
        self.said.append(item)

    def keep(self, cursor: Cursor) -> None:
        self.kept.append(cursor)

    def tagging(self) -> Tagging | None:
        return Tagging(dict(self.runs), self.clockwork) if self.folded else None

    def snapshot(self) -> Mapping[str, Any]:
        return {}

    def watch(self, wake: Callable[[], None]) -> Callable[[], None]:
        number = next(self._numbers)
        self._watchers[number] = wake
        return lambda: self._watchers.pop(number, None) and None

    # ------------------------------------------------------------------ for the test

    def enter(self, records: Sequence[Record]) -> None:
        """Number, commit and tell."""
        first = self.journal.last_seq + 1
        numbered = [record._replace(seq=first + i) for i, record in enumerate(records)]
        self.commit(numbered)
        self.clock.at_ns = max([self.clock.at_ns, *(record.at_ns for record in numbered)])

    def commit(self, records: Sequence[Record] = ()) -> None:
        kept, self.kept = self.kept, []
        recorder = Recorder(self.journal)
        for cursor in [] if self.lost else kept:
            recorder.keep(cursor)
        self.journal.append(list(records), tuple(recorder._kept.values()))
        if not records and not kept:
            return
        for wake in list(self._watchers.values()):
            wake()

    def readings(self, count: int, every_ns: int = NS // 100, channels: Sequence[str] = CHANNELS) -> None:
        self.enter(list(readings(self.clock.at_ns, count, every_ns, channels)))

    def run(self, event: str, run: str, span: Run | None, data: dict[str, Any]) -> None:
        """The books change, and say so."""
        if span is None:
            del self.runs[run]
        else:
            self.runs[run] = span
        self.enter([Finding(self.clock.at_ns, f"run-{event}", run, self.journal.last_seq, data)])

    def until(self, true: Callable[[], Any], what: str, timeout_s: float = 20.0) -> None:
        """Wait for something while cursors are kept, as the loop would."""
        until(lambda: (self.commit(), true())[1], what, timeout_s)

    def close(self) -> None:
        self.journal.close()


def readings(
    from_ns: int, count: int, every_ns: int, channels: Sequence[str] = CHANNELS
) -> Iterator[Reading]:
    for i in range(count):
        channel = channels[i % len(channels)]
        yield Reading(from_ns + (i + 1) * every_ns, channel, 1000 + i % 5000, -3, "kg", True)


BRISK = Pace(live_every_s=0.03, timeout_s=1.0, pause_s=0.3, first_s=0.05, longest_s=1.0)


def follower(
    home: Home, store: StoreStub, pace: Pace = BRISK, *, retract: str = "", most_series: int = 100_000
) -> StoreFollower:
    """With short times, so that a test of faults takes no minutes."""
    settings = StoreSettings(store.url, "", "bay", None, None, retract, most_series)
    clock: Any = home.clock
    return StoreFollower(settings, BAY, home, home.path, clock, pace=pace)


def expected(home: Home, times: Times | None = None) -> Held:
    """What the store is to hold: every line of every entry of the journal, as the books stand now."""
    meaning = Meaning(BAY.name, Spans(home.runs), Places([(0, BAY)]), times or Times())
    held: Held = {}
    with JournalReader(home.path) as reader:
        for line in meaning.lines(list(reader.read())):
            series, fields, at_ns = parsed(line.text)
            held.setdefault((series, at_ns), {}).update(fields)
    return held


def delivered(home: Home, made: StoreFollower, timeout_s: float = 20.0) -> None:
    """Wait until nothing is left to do. The home commits meanwhile, as the loop would."""

    def done() -> bool:
        standing = made.standing()
        return (
            standing.ledger.known == home.journal.last_seq
            and standing.ledger.pending == 0
            and standing.state == "live"
        )

    home.until(done, "the delivery", timeout_s)
    assert made.standing().ledger.balanced, made.standing()
