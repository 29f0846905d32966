"""Numbers records, holds them until they are written, and goes on holding while the journal can't write."""

from __future__ import annotations

import logging
from bisect import bisect_left
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple, TypeVar

from logger.clock import stopwatch_ns
from logger.core.entries import Action, Circumstance, Finding, Garbage, Reading, Record, Tick
from logger.journal import lifeboat
from logger.journal.cursors import Cursor
from logger.journal.journal import Journal, JournalError

log = logging.getLogger("tallydeck.journal")

HELD_LIMIT = 500_000
"""Records kept in memory while the journal can't write (about 100 MB, 80 minutes of ten scales at 10 Hz);
beyond it readings are lost, loudly and counted; what people said and what was concluded is kept."""

R = TypeVar("R", bound=Reading | Garbage | Action | Circumstance | Tick | Finding)


COMMIT_BOUNDS_S = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
"""Upper bounds of the classes in which the duration of commits is counted."""


@dataclass(slots=True)
class Counts:
    """Since the start of the daemon; read by anyone, written by the loop.

    ``readings`` and ``garbage`` are those entered, the latter by (channel, reason without a number behind),
    ``others`` the rest by type. ``took`` counts commits by duration: up to each of `COMMIT_BOUNDS_S`, and
    longer; ``took_s`` is their sum. ``lost_frames`` are the readings and garbage among the lost records.
    """

    committed: int = 0
    commits: int = 0
    lost: int = 0
    lost_frames: int = 0
    readings: int = 0
    garbage: dict[tuple[str, str], int] = field(default_factory=dict)
    others: dict[str, int] = field(default_factory=dict)
    took: list[int] = field(default_factory=lambda: [0] * (len(COMMIT_BOUNDS_S) + 1))
    took_s: float = 0.0

    def enter(self, records: list[Record], took_s: float) -> None:
        """A commit of these records succeeded."""
        self.commits += 1
        self.committed += len(records)
        for record in records:
            if type(record) is Reading:
                self.readings += 1
            elif type(record) is Garbage:
                key = record.channel, record.reason.rstrip("0123456789").rstrip("-")
                self.garbage[key] = self.garbage.get(key, 0) + 1
            else:
                name = type(record).__name__.lower()
                self.others[name] = self.others.get(name, 0) + 1
        self.took[bisect_left(COMMIT_BOUNDS_S, took_s)] += 1
        self.took_s += took_s


class Word(NamedTuple):
    """What is said of the record itself, for a ``journal`` Circumstance; ``do`` is a remedy, if known."""

    state: str
    message: str
    do: str = ""


class Recorder:
    """The way into the journal. One thread uses it."""

    def __init__(self, journal: Journal) -> None:
        self.journal = journal
        self.seq = journal.last_seq
        self.held: list[Record] = []
        self.failing = ""  # why the journal can't write now; empty while it can
        self.counts = Counts()
        self._kept: dict[str, Cursor] = {}
        self.trouble = ""  # the same without the remedy; kept when it is over
        self._reason = ""  # which failure was said last
        self._set_aside: Path | None = None

    def hold(self, record: R) -> R:
        """Give a record the next number and keep it for the next write."""
        self.seq += 1
        numbered: R = record._replace(seq=self.seq)  # type: ignore[assignment]  # same class as given
        self.held.append(numbered)
        return numbered

    def keep(self, cursor: Cursor) -> None:
        """Keep how far a follower has come with the next write; a newer word takes the older's place."""
        older = self._kept.get(cursor.name)
        if older is not None:
            if cursor.cleared:  # what is cleared now may be among what waits to be entered
                still = tuple(a for a in older.aside if not _within(a.seq, cursor.cleared))
                older = older._replace(aside=still)
            cursor = cursor._replace(aside=older.aside + cursor.aside, cleared=older.cleared + cursor.cleared)
        self._kept[cursor.name] = cursor

    def write(self) -> list[Word]:
        """Write what is held, durably, or go on holding it.

        Answers what is to be said of the record itself: ``not-recorded`` when writing begins to fail or
        fails for another reason, ``recorded`` when it works again, ``set-aside`` when a file was set aside.
        """
        if not self.held and not self._kept:
            return []
        begin_ns = stopwatch_ns()
        try:
            self.journal.append(self.held, tuple(self._kept.values()))
        except JournalError as error:
            return self._fail(error)
        self.counts.enter(self.held, (stopwatch_ns() - begin_ns) / 1e9)
        self.held, self._kept = [], {}
        return self._well()

    def _well(self) -> list[Word]:
        said: list[Word] = []
        if self.failing:
            self.failing = self._reason = ""
            log.warning("the journal writes again", extra={"tallydeck": {"kind": "recorded-again"}})
            self.journal.restore_ballast()
            said.append(Word("recorded", ""))
        if self.journal.set_aside != self._set_aside:
            self._set_aside = self.journal.set_aside
            why = self.journal.why_set_aside
            said.append(Word("set-aside", f"{why}; what is left is {self._set_aside}"))
        return said

    def _fail(self, error: JournalError) -> list[Word]:
        first, self.failing, self.trouble = not self.failing, str(error), error.what
        same, self._reason = self._reason == (reason := f"{error.kind}: {error.do}"), reason
        if len(self.held) > HELD_LIMIT:
            self._let_readings_go()
        if same:
            return []
        log.error("NOT RECORDED: %s", error, extra={"tallydeck": {"kind": "not-recorded"}})
        if first:
            self.journal.release_ballast()
        return [Word("not-recorded", error.what, error.do)]

    def rescue(self) -> None:
        """At the end, what the journal still can't take is saved elsewhere, or its loss is said."""
        held = len(self.held)
        if not held:
            return
        try:
            saved = lifeboat.save(self.held, self.journal)
        except JournalError as error:
            log.critical("%d RECORDS ARE LOST: %s; %s", held, self.trouble, error)
        else:
            self.held = []
            log.critical(
                "the journal could not be written (%s); %d records were saved to %s. The next start enters "
                "them, if it finds that file there or beside the journal; keep it until then",
                self.trouble,
                held,
                saved,
                extra={"tallydeck": {"kind": "rescued", "file": saved}},
            )
        past = lifeboat.save_past(self.journal)
        if past is not None:
            log.critical(
                "%s was removed or moved, and could not be copied back. The record up to entry %d was copied "
                "to %s: put that file back under the old name before the next start",
                self.journal.path,
                self.journal.last_seq,
                past,
                extra={"tallydeck": {"kind": "rescued", "file": past}},
            )

    def _let_readings_go(self) -> None:
        """Give up readings for want of memory, and close the holes that they leave in the numbers."""
        kept: list[Record] = [r for r in self.held if not isinstance(r, Reading | Garbage | Tick)]
        self.counts.lost += len(self.held) - len(kept)
        self.counts.lost_frames += sum(isinstance(r, Reading | Garbage) for r in self.held)
        log.critical("%d readings are lost: the journal can't write and memory is full", self.counts.lost)
        fresh = {record.seq: self.journal.last_seq + 1 + i for i, record in enumerate(kept)}
        self.seq = self.journal.last_seq + len(kept)
        self.held = [
            record._replace(seq=fresh[record.seq], cause=fresh.get(record.cause, 0))
            if isinstance(record, Finding)
            else record._replace(seq=fresh[record.seq])
            for record in kept
        ]


def _within(seq: int, ranges: tuple[tuple[int, int], ...]) -> bool:
    return any(first <= seq <= last for first, last in ranges)
