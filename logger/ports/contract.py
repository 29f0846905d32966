"""What every port promises."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol, TypeAlias

from logger.core.entries import Circumstance, Garbage, Reading

Put: TypeAlias = Callable[[Reading | Garbage | Circumstance], None]
"""Hands an item to the loop. Thread-safe, never blocks for long, never raises."""

Now: TypeAlias = Callable[[], int]
"""Station time in ns."""


@dataclass(frozen=True, slots=True)
class PortHealth:
    """A port as it stands; plain counters since the daemon started."""

    name: str
    url: str
    link: str  # "up", "down" or "starting"
    message: str  # the last trouble, for a person: what, where, what to do
    opened: int
    bytes_in: int
    frames: int  # readings handed on
    rejected: int  # garbage handed on
    last_item_ns: int  # station time of the last item, 0 none


class Port(Protocol):
    name: str

    @property
    def handing(self) -> AbstractContextManager[bool]:
        """Held while an item is counted and handed on: who holds it sees both done or neither.

        `health` may be asked meanwhile. Ports on one wire may share one.
        """

    def start(self) -> None:
        """Begin; returns at once. A wire that is not there is retried for ever, with back-off."""

    def stop(self, timeout_s: float = 2.0) -> None:
        """End the thread and close the wire; safe to call twice."""

    def health(self) -> PortHealth: ...

    @property
    def alive(self) -> bool:
        """Whether its thread runs, however its wire stands: one that ended will never read again."""
