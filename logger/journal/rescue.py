"""What can be saved of a damaged file, or of one that was removed or replaced under a running daemon."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import apsw

from logger.journal.errors import DAMAGE, JournalError
from logger.journal.reader import JournalReader
from logger.journal.room import COMPANIONS, beside, set_aside, sync_folder
from logger.journal.rows import Row

# Small tables that go over into a new journal: the newest state, cursors and configurations carry on.
_KEPT = ("configurations", "cursors", "checkpoints", "aside")


@dataclass
class Salvage:
    """The last seq (0: not to be read) and the rows of the small tables."""

    last_seq: int = 0
    tables: dict[str, list[Row]] = field(default_factory=dict)


def salvage(path: Path) -> Salvage:
    """Read what still can be read; never raises for damage."""
    found = Salvage()
    try:
        with JournalReader(path, limit_s=1.0) as reader:
            try:
                first, last = reader._ends()
                # noise must not send the count sky-high: a row takes more than one byte
                if last - first <= path.stat().st_size and first < 1 << 50:
                    found.last_seq = last
            except JournalError:
                pass
            for table in _KEPT:
                try:
                    found.tables[table] = reader._all(f"SELECT * FROM {table}")  # noqa: S608
                except JournalError:
                    continue
    except JournalError:
        pass
    return found


def put_in(connection: apsw.Connection, found: Salvage) -> None:
    """Enter it into a new journal, inside the caller's transaction."""
    for table, kept in found.tables.items():
        for row in kept:
            marks = ", ".join("?" * len(row))
            connection.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row)  # noqa: S608
    if found.last_seq:
        connection.execute("INSERT OR REPLACE INTO meta VALUES ('seq-before', ?)", (found.last_seq,))


def put_back(connection: apsw.Connection, path: Path) -> Path | None:
    """Copy what an open connection still holds to ``path``, whose file was removed or replaced.

    The connection is closed. A file that stands there is set aside; its new name is the answer. Where
    the old file cannot be read any more (its disk is gone), nothing stands at ``path`` afterwards.
    """
    copy = beside(path, ".copy")
    readable = copied(connection, copy)
    away = set_aside(path) if path.exists() else None
    for suffix in COMPANIONS:  # left without their file, they would be taken for the copy's own
        beside(path, suffix).unlink(missing_ok=True)
    if readable:
        copy.rename(path)
    sync_folder(path.parent)
    connection.close(True)
    return away


def copied(connection: apsw.Connection, copy: Path) -> bool:
    """Copy what an open connection reads to a new file; False where it can't be read any more."""
    for suffix in ("", *COMPANIONS, "-journal"):
        beside(copy, suffix).unlink(missing_ok=True)
    target = apsw.Connection(str(copy))
    try:
        with target.backup("main", connection, "main") as backup:
            while not backup.done:
                backup.step(1000)
    except (apsw.IOError, *DAMAGE):
        return False
    finally:
        target.close(True)
    return True
