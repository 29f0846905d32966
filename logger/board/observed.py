"""What the daemon tells of itself: values of one moment, for `/metrics` and `/readyz`.

Frames are counted twice and independently: by the ports, which read them, and by the recorder, which has
them written. What was read must be written, held or lost, to the piece: `Observed.frames_difference`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Instrument:
    """What its port counts, since the start: readings (``frames``) and garbage (``rejected``) handed on."""

    name: str
    up: bool
    bytes_in: int
    frames: int
    rejected: int


@dataclass(frozen=True, slots=True)
class Written:
    """What the recorder counts, since the start. ``garbage`` by (instrument, reason), ``others`` by type.

    ``held`` entries wait to be written, ``held_frames`` of them are readings and garbage. ``commits`` are
    counted by duration, one count for each of ``bounds_s`` and one for longer ones.
    """

    readings: int
    garbage: Mapping[tuple[str, str], int]
    others: Mapping[str, int]
    held: int
    held_frames: int
    lost: int
    lost_frames: int
    bounds_s: tuple[float, ...]
    commits: tuple[int, ...]
    commits_s: float
    newest_seq: int
    failing: bool


@dataclass(frozen=True, slots=True)
class FollowerSeen:
    """A follower as it stands; the numbers of entries are `followers.progress.Ledger`'s."""

    name: str
    state: str
    lag_s: float
    behind_s: float
    known: int
    again: int
    delivered: int
    pending: int
    aside: int
    gone: int
    counts: Mapping[str, int]

    @property
    def difference(self) -> int:
        """Entries that are neither delivered nor accounted for; 0, or the program is wrong."""
        return self.known + self.again - self.delivered - self.pending - self.aside - self.gone


@dataclass(frozen=True, slots=True)
class Observed:
    """``alarms``: how many by (kind, state); None while they are not known. ``raised``: since the start, by
    kind. Sizes are None where they can't be looked up."""

    version: str
    instruments: tuple[Instrument, ...]
    written: Written
    inbox: int
    live: bool
    followers: tuple[FollowerSeen, ...]
    alarms: Mapping[tuple[str, str], int] | None
    raised: Mapping[str, int]
    journal_bytes: int | None
    wal_bytes: int | None
    free_bytes: int | None

    @property
    def frames_difference(self) -> int:
        """Frames read less frames written, held and lost; 0, or the program is wrong."""
        read = sum(each.frames + each.rejected for each in self.instruments)
        written = self.written
        return (
            read
            - written.readings
            - sum(written.garbage.values())
            - written.held_frames
            - written.lost_frames
        )


class Observer(Protocol):
    def observe(self) -> Observed:
        """Everything, as it stood at one moment. Blocks: call in a thread. TimeoutError: the loop hangs."""
