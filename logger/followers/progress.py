"""What one follower has delivered of the journal and what it has still to do: a ledger that must balance.

Every entry counts once, whether there is something to send of it or not:

    known + again = delivered + pending + aside + gone

``known`` is the newest entry of the journal; ``again`` counts entries that were put back to be sent once
more; ``aside`` those of which the receiver will never take a point; ``gone`` those that the journal has no
more (its file was damaged, or begun anew). Delivered, aside and gone are counted as work is settled, pending
is a set of ranges: they balance only if nothing was forgotten. All of it is kept in the journal together.

What is new goes before what is old: once much is pending, the newest entry is where *live* begins, and what
lies before it is the *backlog*.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Sequence
from typing import NamedTuple

from logger.followers.ranges import Ranges
from logger.journal.cursors import Aside, Cursor

log = logging.getLogger("tallydeck.followers")

MUCH = 5_000
"""Entries; when more than these are pending the newest of them are not to wait for the oldest."""


class Ledger(NamedTuple):
    """Numbers of entries; see the module."""

    known: int
    again: int
    delivered: int
    pending: int
    aside: int
    gone: int

    @property
    def balanced(self) -> bool:
        return self.known + self.again == self.delivered + self.pending + self.aside + self.gone


class Progress:
    """``cursor`` is what `cursor` gave before, None for a new follower. Thread-safe."""

    def __init__(self, name: str, cursor: tuple[int, str] | None = None, much: int = MUCH) -> None:
        self._name = name
        self._much = much
        self._lock = threading.Lock()
        self._pending = Ranges()
        self._known = self._again = self._delivered = self._aside = self._gone = 0
        self._split = 0  # what is above it is live
        self._cleared: list[tuple[int, int]] = []
        if cursor is not None and cursor[1]:
            self._take_up(cursor[1])

    def _take_up(self, state: str) -> None:
        """Go on where an earlier life was; a state that can't be read is begun anew: all is sent again."""
        try:
            told = json.loads(state)
            pending = Ranges([(int(first), int(last)) for first, last in told["pending"]])
            names = ("known", "again", "delivered", "aside", "gone")
            known, again, delivered, aside, gone = (int(told[name]) for name in names)
            ledger = Ledger(known, again, delivered, len(pending), aside, gone)
            if not ledger.balanced or min(ledger) < 0:
                raise ValueError(f"the ledger does not balance: {ledger}")
            if any(first < 1 or last > known for first, last in pending):
                raise ValueError(f"entries are pending that are not among the {known} that are known")
        except (ValueError, KeyError, TypeError, OverflowError) as error:
            log.error("%s: its cursor can't be used, so all is sent again: %s", self._name, error)
            return
        self._pending = pending
        self._known, self._again, self._delivered, self._aside, self._gone = (
            known,
            again,
            delivered,
            aside,
            gone,
        )

    def ledger(self, last_seq: int | None = None) -> Ledger:
        """As it stands; ``last_seq``: the journal's newest entry, which may not have been seen yet."""
        with self._lock:
            unseen = 0 if last_seq is None else max(0, last_seq - self._known)
            return Ledger(
                self._known + unseen,
                self._again,
                self._delivered,
                len(self._pending) + unseen,
                self._aside,
                self._gone,
            )

    def cursor(self) -> Cursor:
        """What is to be kept now. Points set aside are told to `settle`'s caller to add."""
        with self._lock:
            state = {
                "known": self._known,
                "again": self._again,
                "delivered": self._delivered,
                "aside": self._aside,
                "gone": self._gone,
                "pending": list(self._pending),
            }
            cleared, self._cleared = tuple(self._cleared), []
            return Cursor(self._name, self._known, json.dumps(state), cleared=cleared)

    def see(self, last_seq: int) -> None:
        """The journal has come as far as this."""
        with self._lock:
            if last_seq > self._known:
                self._pending.add(self._known + 1, last_seq)
                self._known = last_seq

    def live(self, limit: int) -> tuple[int, int] | None:
        """The next entries of now, both ends included; where too many have gathered, live begins anew."""
        with self._lock:
            if self._pending.count_after(self._split) > self._much:
                self._split = self._known
            return self._pending.next(self._split, limit)

    def backlog(self, limit: int) -> tuple[int, int] | None:
        """The oldest entries that are not live, both ends included; None: there is no backlog."""
        with self._lock:
            found = self._pending.next(0, limit)
            if found is None or found[0] > self._split:
                return None
            return found[0], min(found[1], self._split)

    @property
    def behind(self) -> bool:
        """Whether there is a backlog."""
        return self.backlog(1) is not None

    def settle(self, first: int, last: int, read: int, aside: Sequence[Aside] = ()) -> None:
        """These entries are done with: ``read`` of them were in the journal, some of these set aside."""
        refused = len({each.seq for each in aside})
        with self._lock:
            if not self._pending.holds(first, last):
                raise ValueError(f"entries {first} to {last} were not all pending")
            self._pending.remove(first, last)
            self._delivered += read - refused
            self._aside += refused
            self._gone += last - first + 1 - read

    def put_back(self, first: int, last: int) -> int:
        """Send these again; answers how many were not pending anyway. What is not known yet is left out."""
        with self._lock:
            first, last = max(first, 1), min(last, self._known)
            new = self._pending.add(first, last)
            self._again += new
            if new:
                self._cleared.append((first, last))
                self._split = max(self._split, last)  # it is old, however little it is
            return new

    def pending_in(self, first: int, last: int) -> bool:
        """Whether any of these is still to be sent."""
        with self._lock:
            found = self._pending.next(first - 1, 1)
            return found is not None and found[0] <= last
