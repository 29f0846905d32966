"""A follower that delivers into a list: all that a real one does, but for the wire it delivers by."""

from __future__ import annotations

from pathlib import Path

from logger.followers.contract import Home, Standing
from logger.followers.progress import Progress
from logger.followers.worker import Worker
from logger.journal.cursors import Aside
from logger.journal.journal import JournalReader


class MemoryFollower:
    """``taking`` False: its receiver takes nothing. ``poison``: entries that it will never take."""

    def __init__(self, name: str, home: Home, journal: Path, poison: frozenset[int] = frozenset()) -> None:
        self.name = name
        self.delivered: list[int] = []
        self.taking = True
        self.poison = poison
        self._home, self._journal = home, journal
        self._reader: JournalReader | None = None
        self._progress = Progress(name)
        self._worker = Worker(f"follower {name}", self._turn)

    def start(self) -> None:
        self._reader = JournalReader(self._journal)
        cursor = self._reader.cursor(self.name)
        self._progress = Progress(self.name, cursor if cursor[1] else None)
        self._worker.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        self._worker.stop(timeout_s)

    @property
    def alive(self) -> bool:
        return self._worker.alive

    def standing(self) -> Standing:
        ledger = self._progress.ledger()
        state = "live" if self.taking else "retrying"
        message = "" if self.taking else "it takes nothing; tell it to"
        return Standing(
            self.name, "memory:", state, 0.25, 1.5, message, ledger, {"points": len(self.delivered)}
        )

    def again(self, first: int, last: int) -> int:
        new = self._progress.put_back(first, last)
        self._home.keep(self._progress.cursor())
        self._worker.wake()
        return new

    def _turn(self) -> float:
        assert self._reader is not None
        self._progress.see(self._reader.last_seq)
        batch = self._progress.live(1000) or self._progress.backlog(1000)
        if batch is None or not self.taking:
            return 0.05
        first, last = batch
        seqs = [record.seq for record in self._reader.read(first - 1, last)]
        aside = tuple(
            Aside(seq, 10**18 + seq, "it is poison", f"p {seq}") for seq in seqs if seq in self.poison
        )
        self.delivered += [seq for seq in seqs if seq not in self.poison]
        self._progress.settle(first, last, len(seqs), aside)
        self._home.keep(self._progress.cursor()._replace(aside=aside))
        return 0.0
