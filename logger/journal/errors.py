"""The one error of the journal, and what each failure of SQLite means to the person."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import apsw


class JournalError(Exception):
    """The journal could not do it. The message says what, where, and what to do.

    ``kind``: ``full`` (no room), ``io`` (the disk answers with an error), ``busy`` (another program
    holds the file), ``damaged``, ``schema`` (not a journal, or a newer one), ``missing``, ``slow``
    (a bounded read ran out of time), ``order`` (wrong seq), ``checkpoint``, ``other``.
    """

    def __init__(self, message: str, kind: str = "other") -> None:
        super().__init__(message)
        self.kind = kind


_SMALLEST_ROOM = 1 << 16  # bytes: two steps of the log's index
DAMAGE = (apsw.CorruptError, apsw.NotADBError)

_MEANING: tuple[tuple[tuple[type[Exception], ...], str, str, str], ...] = (
    (
        (apsw.FullError,),
        "full",
        "the disk is full",
        "free some space; what is held in memory is entered as soon as there is room",
    ),
    (DAMAGE, "damaged", "the file is damaged", "restart: it is then set aside and a new one begun"),
    ((apsw.BusyError, apsw.LockedError), "busy", "another program holds the file", "close that program"),
    (
        (apsw.CantOpenError, apsw.ReadOnlyError, apsw.PermissionsError),
        "io",
        "the file cannot be opened or written",
        "check that its folder exists and belongs to the daemon's user",
    ),
    ((apsw.IOError,), "io", "the disk answers with an error", "check the disk and its file system"),
    ((apsw.InterruptError,), "slow", "it took longer than allowed", "ask for less, or try again later"),
)


def _no_room(folder: Path) -> bool:
    try:
        state = os.statvfs(folder)
    except OSError:
        return False
    return state.f_bavail * state.f_frsize < _SMALLEST_ROOM


def explain(error: Exception, path: Path, doing: str) -> JournalError:
    """The JournalError for what SQLite said while doing something to that file."""
    # where the index of the log cannot grow, a full disk is reported as an input/output error
    full = isinstance(error, apsw.IOError | apsw.CantOpenError) and _no_room(path.parent)
    for classes, kind, what, remedy in _MEANING:
        if isinstance(error, classes) or full:
            return JournalError(f"{doing}: {what} ({path}: {error}); {remedy}", kind)
    return JournalError(f"{doing}: {path}: {type(error).__name__}: {error}; see the log", "other")


@contextmanager
def explained(path: Path, doing: str) -> Iterator[None]:
    """Turn what SQLite or the system raises inside into a JournalError."""
    try:
        yield
    except (apsw.Error, OSError) as error:
        raise explain(error, path, doing) from error
