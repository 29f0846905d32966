"""The follower of the store: reads the journal behind a cursor and writes batch by batch.

One turn of its thread, in order: look how far the journal has come and what the books say; then one write:
of what is new where that is due, else of the backlog, else a piece of what is to be taken back. What is
delivered is kept by the loop in its next commit, so a crash sends a little again, which changes nothing.

Two things are kept *before* a point goes out: the spans and times under which it goes (`view`), so that a
later correction knows what to take back.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from pathlib import Path

from logger.clock import Clock
from logger.core.description import Bay
from logger.followers.contract import Home, Standing
from logger.followers.progress import Ledger, Progress
from logger.followers.store import view, writer
from logger.followers.store.lanes import Lane
from logger.followers.store.points import Line
from logger.followers.store.recent import Recent
from logger.followers.store.retract import Job
from logger.followers.store.sender import LIFE, Pace, Sender
from logger.followers.store.taking_back import TakingBack
from logger.followers.store.view import View
from logger.followers.store.writer import Refused, Written
from logger.followers.worker import Worker
from logger.journal.cursors import Aside, Cursor
from logger.journal.errors import JournalError
from logger.journal.reader import JournalReader
from logger.settings.values import StoreSettings

log = logging.getLogger("tallydeck.followers")

NAME = "store"
LOOK_EVERY_S = 60.0
KEEP_EVERY_S = 10.0
"""A cursor that moved over entries of which nothing goes out is kept so often."""
TRUST_FOLDED_S = 5.0
"""That the clock is trusted stands in the books within a second, if they are folded at all."""
UNKEPT = 50_000
"""Entries: no life of the program sends more than these beyond the cursor that it last had kept."""
RETELLS = frozenset({"run-opened", "run-closed", "run-changed", "run-withdrawn", "clock", "boot"})
"""After these the books or the clock may say something else of a reading."""
TRIES = 5
"""A store that fails at one entry alone, and says that the fault is its own, is asked so often."""
IN_ROW = 20
"""So many points set aside, and none taken between: it is not about the points."""
ALL_REFUSED = "see what the store says; once it is mended, send them again: tallydeck follower again store"
RECENT = "store.recent"
"""The cursor that `recent` is kept as."""
_NOT_READ = Ledger(0, 0, 0, 0, 0, 0)


class StoreFollower:
    """Keeps `followers.contract.Follower`."""

    name = NAME

    def __init__(
        self,
        settings: StoreSettings,
        description: Bay,
        home: Home,
        journal: Path,
        clock: Clock,
        *,
        pace: Pace = LIFE,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings, self._home, self._journal, self._clock = settings, home, journal, clock
        self._description = description
        self._pace, self._now_s = pace, now_s
        self._worker = Worker(NAME, self._turn)
        self._reader: JournalReader | None = None
        self._progress: Progress | None = None
        self._view = View(description)
        self._recent = Recent()
        self._live, self._old = Lane(), Lane()
        self._sender = Sender(settings, pace, now_s)
        self._taking_back = TakingBack(settings.retract, description.name, self._sender)
        self._keeping = threading.Lock()
        self._end_watch: Callable[[], None] = lambda: None
        self._last = 0  # the journal's newest entry
        self._looked_s = self._live_s = self._kept_s = float("-inf")
        self._trust_s = now_s() + TRUST_FOLDED_S
        self._unwritten = ""  # the view's state that is on its way into the journal
        self._waits_for = "for its first turn"
        self._oldest: tuple[int, int] = (0, 0)  # station time of the oldest live and of the oldest entry
        self._warned = False
        self._tries = self._in_row = 0  # of one entry; points set aside and nothing taken between
        self._unread = False  # the journal could not be read

    # ------------------------------------------------------------------ from other threads

    def start(self) -> None:
        self._sender.start(NAME, self._home, self._clock.now_ns)
        self._worker.start()
        self._end_watch = self._home.watch(self._worker.wake)

    def stop(self, timeout_s: float = 2.0) -> None:
        """End after the write in hand; one that hangs is broken off, and done again at the next start."""
        self._end_watch()
        end_s = time.monotonic() + timeout_s
        self._worker.stop(timeout_s / 2)
        while self._worker.alive and time.monotonic() < end_s:
            self._sender.interrupt()
            self._worker.stop(0.1)
        if self._worker.alive:
            log.warning("store: a write hangs; the daemon does not wait for it")
            return
        self._keep()
        if self._reader is not None:
            self._reader.close()
            self._reader = None
        self._sender.close()

    @property
    def alive(self) -> bool:
        return self._worker.alive

    def standing(self) -> Standing:
        progress = self._progress
        ledger = _NOT_READ if progress is None else progress.ledger(self._last)
        now_ns = self._clock.now_ns()
        lag_s, behind_s = (max(0, now_ns - at_ns) / 1e9 if at_ns else 0.0 for at_ns in self._oldest)
        message = self._sender.message
        if not message and self._waits_for:
            message = f"waits {self._waits_for}"
        behind_s, counts = max(lag_s, behind_s), dict(self._sender.counts)
        return Standing(NAME, self._settings.url, self._state(), lag_s, behind_s, message, ledger, counts)

    def _state(self) -> str:
        if self._sender.message:
            return "paused" if self._sender.paused else "retrying"
        if self._waits_for:
            return "starting"
        return "behind" if self._progress is not None and self._progress.behind else "live"

    def again(self, first: int, last: int) -> int:
        progress = self._progress
        if progress is None:
            raise TimeoutError("the follower has not read the journal yet")
        count = progress.put_back(first, last)
        if count:
            self._sender.counts["put_back"] += count
            self._keep()
        self._worker.wake()
        return count

    # ------------------------------------------------------------------ one turn

    def _turn(self) -> float:
        try:
            reader = self._open()
            self._waits_for = self._look(reader)
            if self._unread:
                self._unread = False
                self._sender.mended()
            if self._waits_for:
                return 0.1
            rest_s = self._work(reader)
            self._measure(reader)
            return rest_s
        except JournalError as error:
            if self._reader is not None:
                self._reader.close()
                self._reader = None
            self._unread = True
            self._sender.trouble(error.what, error.do or "see the daemon's log")
            return 1.0

    def _open(self) -> JournalReader:
        if self._reader is None:
            self._reader = JournalReader(self._journal)
        if self._progress is None:
            self._progress = Progress(NAME, self._reader.cursor(NAME))
            self._view = View(self._description, self._reader.cursor(view.NAME)[1])
            self._recent = Recent(self._reader.cursor(RECENT)[1])
        return self._reader

    # ------------------------------------------------------------------ what the journal and the books say

    def _look(self, reader: JournalReader) -> str:
        """See what is new; answers what it waits for before anything can be sent, "" for nothing.

        The books are asked before an entry that may have changed them counts as seen, so all that is seen
        is sent as they say now.
        """
        progress = self._progress
        assert progress is not None  # noqa: S101  (made by _open)
        self._last = last = reader.last_seq
        if not self._clock.trusted():
            self._trust_s = self._now_s() + TRUST_FOLDED_S
            return "for the wall clock to be set"
        known = progress.ledger().known
        first = self._view.meaning is None
        told_anew = first or last - known > UNKEPT or RETELLS & reader.kinds(known, last)
        if told_anew or self._now_s() - self._looked_s > LOOK_EVERY_S:
            waits_for = self._ask(reader, min(last, known + UNKEPT) if first else known)
            if waits_for:
                return waits_for
        progress.see(last)
        if self._unwritten:
            if reader.cursor(view.NAME)[1] != self._unwritten:
                return "for the journal"
            self._unwritten = ""
        return ""

    def _ask(self, reader: JournalReader, sent_upto: int) -> str:
        """Ask the books; keep what they say before anything is sent by it."""
        try:
            told = self._home.tagging()
        except TimeoutError:
            return "for the loop"
        if told is None:
            return "until the past is folded"
        if told.clockwork and not told.clockwork[-1].trusted and self._now_s() < self._trust_s:
            return "for the wall clock to be set"
        before = self._view.state()
        for first, last in self._view.look(told, reader, sent_upto):
            self._put_back(first, last)
        self._looked_s = self._now_s()
        after = self._view.state()
        if after != before:
            self._keep()
            self._home.keep(Cursor(view.NAME, 0, after))
            self._unwritten = after
            self._sender.corrected()
            self._watch_series()
        return ""

    def _watch_series(self) -> None:
        count, most = self._view.series(), self._settings.most_series
        if count > most and not self._warned:
            self._warned = True
            log.warning(
                "store: the record makes some %d series, more than the %d of most_series at [store]; "
                "stores pay for each. Let old ones expire there, or raise most_series",
                count,
                most,
            )

    # ------------------------------------------------------------------ what is sent

    def _work(self, reader: JournalReader) -> float:
        """One write at most; answers how long to rest."""
        progress, now_s = self._progress, self._now_s()
        assert progress is not None  # noqa: S101  (made by _open)
        if self._sender.wait_s > 0:
            return self._sender.wait_s
        live, old = progress.live(self._live.size), progress.backlog(self._old.size)
        wait_s = self._live_s + self._pace.live_every_s - now_s
        if live is not None and wait_s <= 0:
            if live[1] - live[0] + 1 < self._live.size:  # all that there is; else go on at once
                self._live_s = now_s
            return self._send(reader, self._live, *live)
        if old is not None:
            return self._send(reader, self._old, *old)
        job = self._taking_back.due(self._view, progress)
        if job is not None:
            return self._take_back(job, reader)
        return wait_s if live is not None else 1.0

    def _take_back(self, job: Job, reader: JournalReader) -> float:
        refused = self._taking_back.step(job, self._view, reader)
        if refused is not None:
            return self._failed(refused)
        if job not in self._view.jobs:
            self._home.keep(Cursor(view.NAME, 0, self._view.state()))
        return 0.0

    def _send(self, reader: JournalReader, lane: Lane, first: int, last: int) -> float:
        """Read and write one batch; what it cost, and what became of it."""
        assert self._view.meaning is not None  # noqa: S101  (made by _look)
        records = list(reader.read(first - 1, last))
        lines = self._view.meaning.lines(records)
        if not lines:
            self._settle(first, last, len(records))
            return 0.0
        outcome = self._sender.write(lines)
        if isinstance(outcome, Written):
            if self._sender.unsure:
                self._forgotten()
            self._in_row = 0
            lane.took(last - first + 1, outcome.took_s, self._now_s())
            self._recent.delivered(first, last, self._now_s())
            self._settle(first, last, len(records), sent=True)
            return 0.0
        if outcome.kind not in (writer.BAD, writer.LARGE):
            return self._failed(outcome)
        if lines[0].seq == lines[-1].seq:
            return self._alone(lines, first, last, len(records))
        self._sender.counts["bisected"] += 1
        if outcome.kind == writer.LARGE:
            lane.too_large(last - first + 1, self._now_s())
        else:
            lane.refused(last - first + 1)
        return 0.0

    def _alone(self, lines: list[Line], first: int, last: int, read: int) -> float:
        """One entry whose lines are not all taken: those that are not are set aside."""
        aside, refused = [], None
        for line in lines:
            outcome = self._sender.write([line])
            if isinstance(outcome, Written):
                continue
            if outcome.kind not in (writer.BAD, writer.LARGE):
                return self._failed(outcome)
            self._tries += 1
            if outcome.status >= 500 and self._tries < TRIES:
                return self._failed(outcome._replace(kind=writer.AWAY))
            refused = outcome
            aside.append(Aside(line.seq, line.at_ns, outcome.said or outcome.what, line.text))
            log.warning("store: a point of entry %d is set aside: %s", line.seq, outcome.what)
        self._settle(first, last, read, tuple(aside), sent=True)
        self._tries, self._in_row = 0, self._in_row + len(aside)
        if refused is not None and self._in_row >= IN_ROW:
            what = f"the store takes nothing; the last {self._in_row} points were set aside: {refused.what}"
            return self._failed(refused._replace(kind=writer.PAUSED, what=what, do=ALL_REFUSED))
        return 0.0

    def _failed(self, outcome: Refused) -> float:
        return 0.0 if self._worker.stopping else self._sender.failed(outcome)

    # ------------------------------------------------------------------ the ledger

    def _settle(
        self, first: int, last: int, read: int, aside: tuple[Aside, ...] = (), *, sent: bool = False
    ) -> None:
        assert self._progress is not None  # noqa: S101  (made by _open)
        self._progress.settle(first, last, read, aside)
        if sent or self._now_s() - self._kept_s > KEEP_EVERY_S:
            self._keep(aside)

    def _forgotten(self) -> None:
        """The store may have lost what it took last."""
        self._sender.unsure = False
        for first, last in self._recent.forgotten():
            self._put_back(first, last)

    def _put_back(self, first: int, last: int) -> None:
        assert self._progress is not None  # noqa: S101  (made by _open)
        self._sender.counts["put_back"] += self._progress.put_back(first, last)

    def _keep(self, aside: tuple[Aside, ...] = ()) -> None:
        """Have the loop keep how far it has come. Two threads may: the newer word must come last."""
        with self._keeping:
            if self._progress is not None:
                self._home.keep(self._progress.cursor()._replace(aside=aside))
                self._home.keep(Cursor(RECENT, 0, self._recent.to_json()))
                self._kept_s = self._now_s()

    def _measure(self, reader: JournalReader) -> None:
        """When what is still to be sent was entered."""
        assert self._progress is not None  # noqa: S101  (made by _open)
        moments = []
        for found in (self._progress.live(1), self._progress.backlog(1)):
            record = None if found is None else next(reader.read(found[0] - 1, found[0]), None)
            moments.append(0 if record is None else record.at_ns)
        self._oldest = moments[0], moments[1]
