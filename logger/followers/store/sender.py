"""Writes to the store, counts, and says of a write that failed when to try again."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import NamedTuple

from logger.followers.contract import Home
from logger.followers.store import writer
from logger.followers.store.points import Line
from logger.followers.store.retract import Delete
from logger.followers.store.writer import Outcome, Refused, StoreWriter, Written
from logger.followers.worker import Trouble
from logger.ports.schedule import Backoff
from logger.settings.values import StoreSettings

COUNTS = ("points", "batches", "retries", "bisected", "bytes", "put_back", "retractions")


class Pace(NamedTuple):
    """Times in seconds. ``pause_s``: a store that refuses us is asked again so often; ``first_s`` and
    ``longest_s``: how long to wait after a write that failed."""

    live_every_s: float = 0.5
    timeout_s: float = writer.TIMEOUT_S
    pause_s: float = 60.0
    first_s: float = 0.5
    longest_s: float = 30.0


LIFE = Pace()


class Sender:
    """Its library comes in, and the bay hears of it, with `start`."""

    def __init__(self, settings: StoreSettings, pace: Pace, now_s: Callable[[], float]) -> None:
        self._settings, self._pace, self._now_s = settings, pace, now_s
        self._backoff = Backoff(pace.first_s, pace.longest_s, 0.5, random.random)
        self._not_before_s = float("-inf")
        self._writer: StoreWriter | None = None
        self._trouble: Trouble | None = None
        self._good = ""  # a line that was taken
        self.counts = dict.fromkeys(COUNTS, 0)
        self.unsure = True
        """Whether the store may have forgotten what it took last."""

    def start(self, name: str, home: Home, now_ns: Callable[[], int]) -> None:
        self._trouble = Trouble(name, home.put, now_ns)

    @property
    def message(self) -> str:
        return "" if self._trouble is None else self._trouble.message

    @property
    def paused(self) -> bool:
        return self._trouble is not None and self._trouble.paused

    @property
    def wait_s(self) -> float:
        """How long to wait before the next try."""
        return self._not_before_s - self._now_s()

    def write(self, lines: Sequence[Line]) -> Outcome:
        outcome = self._wired().write("\n".join(line.text for line in lines))
        if isinstance(outcome, Written):
            self.counts["points"] += len(lines)
            self.counts["batches"] += 1
            self.counts["bytes"] += outcome.size
            self._good = lines[0].text
            self._taken(outcome)
        elif outcome.kind == writer.AWAY and outcome.status and self._still_takes():
            return outcome._replace(kind=writer.BAD)
        return outcome

    def _still_takes(self) -> bool:
        """Whether the store takes what it took before: then its fault is about the lines at hand."""
        return bool(self._good) and isinstance(self._wired().write(self._good), Written)

    def corrected(self) -> None:
        """What was right to send before may be so no more."""
        self._good = ""

    def delete(self, what: Delete) -> Outcome:
        outcome = self._wired().delete(*what)
        if isinstance(outcome, Written):
            self._taken(outcome)
        return outcome

    def _taken(self, outcome: Written) -> None:
        self.unsure = self.unsure or outcome.reconnected
        self._backoff.mended()
        if self._trouble is not None:
            self._trouble.well()

    def failed(self, outcome: Refused) -> float:
        """Say it; answers how long to wait."""
        self.counts["retries"] += 1
        if outcome.kind == writer.PAUSED:
            wait_s = self._pace.pause_s
        elif outcome.kind == writer.LATER:
            wait_s = outcome.retry_s
        else:
            wait_s = self._backoff.wait_s()
        self.unsure = self.unsure or outcome.status != 429
        self.trouble(outcome.what, outcome.do, paused=outcome.kind == writer.PAUSED)
        self._not_before_s = self._now_s() + wait_s
        return wait_s

    def trouble(self, what: str, do: str, *, paused: bool = False) -> None:
        if self._trouble is not None:
            self._trouble.failed(what, do, paused=paused)

    def mended(self) -> None:
        """What was in the way was none of the store's."""
        if self._trouble is not None:
            self._trouble.well()

    def _wired(self) -> StoreWriter:
        if self._writer is None:
            self._writer = StoreWriter(self._settings, timeout_s=self._pace.timeout_s)
        return self._writer

    def interrupt(self) -> None:
        """Break off the request in hand; from another thread."""
        if self._writer is not None:
            self._writer.interrupt()

    def close(self) -> None:
        if self._writer is not None:
            self._writer.close()
            self._writer = None
