"""How far followers have come: kept in the journal beside what they read, and written by the loop."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import apsw

ASIDE_KEPT = 10_000
"""Points set aside that are kept of each follower, to be listed; older ones are only counted."""


class Aside(NamedTuple):
    """One point that its receiver will never take: the entry it comes from, why, and the point as sent.

    ``at_ns`` is the station time of the entry.
    """

    seq: int
    at_ns: int
    reason: str
    text: str


class Cursor(NamedTuple):
    """What a follower has the journal keep: how far it has come, and its state as it likes to write it.

    ``cleared`` are ranges of seq, both ends included, whose points are set aside no more (they are sent
    again); they are taken away before those of ``aside`` are entered.
    """

    name: str
    seq: int
    state: str = ""
    aside: tuple[Aside, ...] = ()
    cleared: tuple[tuple[int, int], ...] = ()


def save(connection: apsw.Connection, cursors: Iterable[Cursor]) -> None:
    """Write them, inside the caller's transaction."""
    for name, seq, state, aside, cleared in cursors:
        connection.execute("INSERT OR REPLACE INTO cursors VALUES (?, ?, ?)", (name, seq, state))
        for first, last in cleared:
            connection.execute(
                "DELETE FROM aside WHERE follower = ? AND seq >= ? AND seq <= ?", (name, first, last)
            )
        if aside:
            connection.executemany(
                "INSERT INTO aside (follower, seq, at_ns, reason, text) VALUES (?, ?, ?, ?, ?)",
                [(name, *each) for each in aside],
            )
            connection.execute(
                "DELETE FROM aside WHERE follower = ? AND id NOT IN "
                "(SELECT id FROM aside WHERE follower = ? ORDER BY id DESC LIMIT ?)",
                (name, name, ASIDE_KEPT),
            )
