"""Numbers records, holds them until they are written, and goes on holding while the journal can't write."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, TypeVar

from logger.core.entries import Action, Circumstance, Finding, Garbage, Reading, Record, Tick
from logger.journal import lifeboat
from logger.journal.journal import Journal, JournalError

log = logging.getLogger("tallydeck.journal")

HELD_LIMIT = 500_000
"""Records kept in memory while the journal can't write (about 100 MB, 80 minutes of ten scales at 10 Hz);
beyond it readings are lost, loudly and counted; what people said and what was concluded is kept."""

R = TypeVar("R", bound=Reading | Garbage | Action | Circumstance | Tick | Finding)


@dataclass(slots=True)
class Counts:
    """Since the start of the daemon; read by anyone, written by the loop."""

    committed: int = 0
    commits: int = 0
    lost: int = 0


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
        self.trouble = ""  # the same without the remedy; kept when it is over
        self._reason = ""  # which failure was said last
        self._set_aside: Path | None = None

    def hold(self, record: R) -> R:
        """Give a record the next number and keep it for the next write."""
        self.seq += 1
        numbered: R = record._replace(seq=self.seq)  # type: ignore[assignment]  # same class as given
        self.held.append(numbered)
        return numbered

    def write(self) -> list[Word]:
        """Write what is held, durably, or go on holding it.

        Answers what is to be said of the record itself: ``not-recorded`` when writing begins to fail or
        fails for another reason, ``recorded`` when it works again, ``set-aside`` when a file was set aside.
        """
        if not self.held:
            return []
        try:
            self.journal.append(self.held)
        except JournalError as error:
            return self._fail(error)
        self.counts.commits += 1
        self.counts.committed += len(self.held)
        self.held = []
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

    def rescue(self) -> Path | None:
        """Save what is still held, at the end, somewhere else; None where there is nothing held.

        Raises JournalError where no place can be written: then it is lost.
        """
        if not self.held:
            return None
        saved = lifeboat.save(self.held, self.journal)
        self.held = []
        return saved

    def rescue_past(self) -> Path | None:
        """Copy the journal elsewhere, at the end, if it was removed and could not be put back."""
        return lifeboat.save_past(self.journal)

    def _let_readings_go(self) -> None:
        """Give up readings for want of memory, and close the holes that they leave in the numbers."""
        kept: list[Record] = [r for r in self.held if not isinstance(r, Reading | Garbage | Tick)]
        self.counts.lost += len(self.held) - len(kept)
        log.critical("%d readings are lost: the journal can't write and memory is full", self.counts.lost)
        fresh = {record.seq: self.journal.last_seq + 1 + i for i, record in enumerate(kept)}
        self.seq = self.journal.last_seq + len(kept)
        self.held = [
            record._replace(seq=fresh[record.seq], cause=fresh.get(record.cause, 0))
            if isinstance(record, Finding)
            else record._replace(seq=fresh[record.seq])
            for record in kept
        ]
