"""What a follower needs of the daemon, and what the daemon may ask of a follower."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from logger.core.entries import Circumstance
from logger.core.tagging import Tagging
from logger.followers.progress import Ledger
from logger.journal.cursors import Cursor


class Home(Protocol):
    """The loop, as a follower sees it. Everything may be called from any thread."""

    def put(self, item: Circumstance) -> None:
        """Enter something about the surroundings: kind ``follower``, see `worker.Trouble`."""

    def keep(self, cursor: Cursor) -> None:
        """Keep a cursor, with the next commit."""

    def tagging(self) -> Tagging | None:
        """What tags a reading now; None while that is not known yet. Blocks for an instant; TimeoutError."""

    def snapshot(self) -> Mapping[str, Any]:
        """The newest picture of the bay (`core.picture`)."""

    def alarms(self) -> Mapping[str, Any]:
        """Every alarm there could be (`core.alarm_list.listed`). Blocks for an instant; TimeoutError."""

    def watch(self, wake: Callable[[], None]) -> Callable[[], None]:
        """Call ``wake`` after each commit; the answer ends it."""


@dataclass(frozen=True, slots=True)
class Standing:
    """A follower as it stands, for people and for `/metrics`.

    ``state``: ``starting``, ``live`` (what comes is sent within seconds), ``behind`` (a backlog drains),
    ``retrying`` (the other side does not take it now), ``paused`` (it refuses us; somebody must act).
    ``lag_s``: age of the oldest entry of now that is not delivered, the backlog left out; ``behind_s``
    the same with the backlog. ``message``: the last trouble, what, where, what to do; "" while all is well.
    """

    name: str
    url: str
    state: str
    lag_s: float
    behind_s: float
    message: str
    ledger: Ledger
    counts: Mapping[str, int]
    """What else it counts since the start, e.g. points, retries, bytes; names end in no unit."""


class Follower(Protocol):
    name: str

    def start(self) -> None:
        """Begin; returns at once. A receiver that is not there is tried for ever."""

    def stop(self, timeout_s: float = 5.0) -> None:
        """End after what is in hand; safe to call twice."""

    @property
    def alive(self) -> bool:
        """Whether its thread runs, however its receiver stands."""

    def standing(self) -> Standing: ...

    def again(self, first: int, last: int) -> int:
        """Send a range of entries (seq, both included) again; answers how many were put back."""
