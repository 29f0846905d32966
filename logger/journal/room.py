"""What stands beside the journal's file: a lock, a ballast, and damaged files set aside."""

from __future__ import annotations

import contextlib
import fcntl
import os
from enum import StrEnum
from pathlib import Path

from logger.journal.errors import JournalError

COMPANIONS = ("-wal", "-shm")


def beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def identity(path: Path) -> tuple[int, int] | None:
    """Device and inode: tells whether a name still means the same file. None: there is none."""
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_dev, state.st_ino


class Standing(StrEnum):
    """What has become of a name that stood for a file."""

    SAME = "same"
    GONE = "gone"  # removed, or another file stands there
    HIDDEN = "hidden"  # can't be looked at: not allowed, or the disk does not answer


def standing(path: Path, known: tuple[int, int] | None) -> Standing:
    """Whether a name still means the file of that identity."""
    try:
        state = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return Standing.GONE
    except OSError:
        return Standing.HIDDEN
    return Standing.SAME if (state.st_dev, state.st_ino) == known else Standing.GONE


def was_used(path: Path) -> list[str]:
    """What lies beside a journal's name and shows that there was a record once; names of files."""
    signs = [beside(path, suffix) for suffix in (".ballast", "-wal")] + [path.with_name("token")]
    return [sign.name for sign in signs if sign.exists() and sign.stat().st_size > 0]


def sync_folder(folder: Path) -> None:
    """Make new and renamed names in a folder durable."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class Lock:
    """One daemon a journal. The kernel lets go of it when the process dies, however it dies."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._descriptor = -1
        self.take()

    def take(self) -> None:
        """Take it; again, where its own file was removed: another daemon must meet it under the name."""
        if self._descriptor >= 0 and _same_file(self._descriptor, beside(self._path, ".lock")):
            return
        self.release()
        path = self._path
        self._descriptor = os.open(beside(path, ".lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            other = os.pread(self._descriptor, 20, 0).decode("ascii", "replace").strip()
            self.release()
            who = f"another daemon (process {other})" if other.isdigit() else "another daemon"
            raise JournalError(
                f"{path} is being written by {who}; stop that one, or name another file", "busy"
            ) from error
        except OSError:
            self.release()
            raise
        with contextlib.suppress(OSError):  # on a full disk the lock holds all the same
            os.ftruncate(self._descriptor, 0)
            os.pwrite(self._descriptor, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def _same_file(descriptor: int, path: Path) -> bool:
    state = os.fstat(descriptor)
    return identity(path) == (state.st_dev, state.st_ino)


class Ballast:
    """A file that can be given up when the disk is full, so that there is room to put things right."""

    def __init__(self, path: Path, size: int) -> None:
        self.path, self.size = beside(path, ".ballast"), size

    def release(self) -> bool:
        """True where that gave room."""
        try:
            held = self.path.stat().st_size
            self.path.unlink()
        except OSError:
            return False
        return held > 0

    def restore(self) -> bool:
        """True where it stands. Never takes the last room: as much again must stay free."""
        if self.size <= 0:
            return False
        with contextlib.suppress(OSError):
            if self.path.stat().st_size >= self.size:
                return True
        try:
            if free_bytes(self.path.parent) < 2 * self.size:
                return False
            with self.path.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, self.size)
        except OSError:
            self.release()
            return False
        return True


def free_bytes(folder: Path) -> int:
    """Room on the disk for this user."""
    state = os.statvfs(folder)
    return state.f_bavail * state.f_frsize


def set_aside(path: Path) -> Path:
    """Rename a damaged file and its companions; they stay readable together. The new name."""
    number = 1
    while (away := path.with_name(f"{path.stem}.damaged-{number}{path.suffix}")).exists():
        number += 1
    # the log goes first: one left behind by a crash in here would be taken for the new file's own
    for suffix in COMPANIONS:
        with contextlib.suppress(FileNotFoundError):
            beside(path, suffix).rename(beside(away, suffix))
    path.rename(away)
    sync_folder(path.parent)
    return away
