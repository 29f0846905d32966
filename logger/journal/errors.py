"""The one error of the journal, and what each failure of SQLite means to the person."""

from __future__ import annotations

import errno
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

    def __init__(self, message: str, kind: str = "other", do: str = "") -> None:
        """``message`` says what and where; ``do`` the remedy, where it is not in the message already."""
        super().__init__(f"{message}; {do}" if do else message)
        self.what = message
        self.kind = kind
        self.do = do


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


_HELD = "what is held in memory is entered as soon as that is done"
_SYSTEM: dict[int, tuple[str, str, str]] = {
    errno.EACCES: (
        "io",
        "the daemon's user is not allowed to use the file or its folder",
        f"give both back to that user (chown, chmod), or name another folder under [journal]; {_HELD}",
    ),
    errno.ENOENT: (
        "io",
        "its folder is not there",
        f"put the folder back (is a disk not mounted?), or name another under [journal]; {_HELD}",
    ),
    errno.ENOTDIR: (
        "io",
        "a part of its path is a file where a folder was expected",
        f"take that file away, or name another folder under [journal]; {_HELD}",
    ),
    errno.EROFS: (
        "io",
        "the disk can be read only",
        f"look at the disk (a failing one is often locked so) and mount it to be written; {_HELD}",
    ),
    errno.EIO: ("io", "the disk answers with an error", f"check the disk and its cable; {_HELD}"),
    errno.ENOSPC: ("full", "the disk is full", "free some space; what is held in memory is entered then"),
    errno.EMFILE: ("io", "the daemon has too many files open", "restart the daemon, and report this"),
}
_SYSTEM[errno.EEXIST] = _SYSTEM[errno.ENOTDIR]  # what making the folder again meets
_SYSTEM[errno.EPERM] = _SYSTEM[errno.EACCES]
_SYSTEM[errno.EDQUOT] = _SYSTEM[errno.ENOSPC]


def _no_room(folder: Path) -> bool:
    try:
        state = os.statvfs(folder)
    except OSError:
        return False
    return state.f_bavail * state.f_frsize < _SMALLEST_ROOM


def _system_reason(error: Exception, path: Path) -> int | None:
    """The system's own reason; where SQLite only says that it can't open or write, by looking there."""
    if isinstance(error, OSError):
        return error.errno
    if not isinstance(error, apsw.CantOpenError | apsw.ReadOnlyError | apsw.PermissionsError):
        return None
    try:
        if not path.parent.is_dir():
            return errno.ENOTDIR if path.parent.exists() else errno.ENOENT
        if os.statvfs(path.parent).f_flag & os.ST_RDONLY:
            return errno.EROFS
        writable = os.access(path.parent, os.W_OK | os.X_OK)
        return None if writable and (not path.exists() or os.access(path, os.W_OK)) else errno.EACCES
    except OSError as found:
        return found.errno


def explain(error: Exception, path: Path, doing: str) -> JournalError:
    """The JournalError for what SQLite or the system said while doing something to that file."""
    # where the index of the log cannot grow, a full disk is reported as an input/output error
    full = isinstance(error, apsw.IOError | apsw.CantOpenError) and _no_room(path.parent)
    reason = _SYSTEM.get(_system_reason(error, path) or 0)
    if reason is not None and not full:
        kind, what, remedy = reason
        return JournalError(f"{doing}: {what} ({path}: {error})", kind, remedy)
    for classes, kind, what, remedy in _MEANING:
        if isinstance(error, classes) or full:
            return JournalError(f"{doing}: {what} ({path}: {error})", kind, remedy)
    return JournalError(f"{doing}: {path}: {type(error).__name__}: {error}", "other", "see the log")


@contextmanager
def explained(path: Path, doing: str) -> Iterator[None]:
    """Turn what SQLite or the system raises inside into a JournalError."""
    try:
        yield
    except (apsw.Error, OSError) as error:
        raise explain(error, path, doing) from error
