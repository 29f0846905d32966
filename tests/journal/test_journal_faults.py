"""Disks that fail and power that goes, simulated below SQLite: nothing half-written, nothing lost.

`Spoiler` stands between SQLite and the real file system (an apsw VFS). It can make any write or sync
fail, and it keeps a log of writes and syncs from which the state of the disk after a power cut is made:
what was synced is there; of what was not, any part, torn at sectors of 512 bytes.
"""

from __future__ import annotations

import contextlib
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import apsw
import pytest

from logger.journal.journal import Journal, JournalError
from tests.journal.journal_samples import OFFSET_NS, records

SECTOR = 512


class Spoiler(apsw.VFS):
    """The default file system while it stands, with faults on demand."""

    def __init__(self) -> None:
        self.log: list[tuple[str, str, int, bytes]] = []  # (file, what, offset or length, data)
        self.gone = False  # nothing of the files that are open can be read any more
        self.fail_after: int | None = None  # so many writes, syncs and truncations more, then all fail
        self._below = apsw.vfs_names()[0]
        super().__init__("spoiler", self._below, makedefault=True)

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:
        return SpoiledFile(self, self._below, name, flags)

    def xDelete(self, filename: str, syncdir: bool) -> None:
        self.touch(Path(filename).name, "delete")
        super().xDelete(filename, syncdir)

    def stand_aside(self) -> None:
        """What is opened from now on is not watched."""
        apsw.set_default_vfs(self._below)

    def touch(self, file: str, what: str, offset: int = 0, data: bytes = b"") -> None:
        """Before each change: log it, or fail."""
        if self.fail_after is not None:
            if self.fail_after <= 0:
                raise apsw.IOError("the disk is gone")
            self.fail_after -= 1
        self.log.append((file, what, offset, data))


class SpoiledFile(apsw.VFSFile):
    def __init__(self, disk: Spoiler, below: str, name: Any, flags: list[int]) -> None:
        text = name.filename() if isinstance(name, apsw.URIFilename) else str(name)
        self._disk, self._name = disk, Path(text).name
        super().__init__(below, name, flags)

    def xRead(self, amount: int, offset: int) -> bytes:
        if self._disk.gone and not self._name.endswith(".copy"):
            raise apsw.IOError("the disk is gone")
        return super().xRead(amount, offset)

    def xWrite(self, data: bytes, offset: int) -> None:
        self._disk.touch(self._name, "write", offset, bytes(data))
        super().xWrite(data, offset)

    def xTruncate(self, size: int) -> None:
        self._disk.touch(self._name, "truncate", size)
        super().xTruncate(size)

    def xSync(self, flags: int) -> None:
        self._disk.touch(self._name, "sync")
        super().xSync(flags)


@pytest.fixture
def disk() -> Iterator[Spoiler]:
    spoiler = Spoiler()
    yield spoiler
    spoiler.stand_aside()
    spoiler.unregister()


def _open(path: Path, **changes: Any) -> Journal:
    told = {"boot_id": "b", "offset_ns": OFFSET_NS, "ballast_bytes": 0} | changes
    return Journal.open(path, **told)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_an_error_at_any_write_leaves_nothing_half_and_is_got_over(disk: Spoiler, path: Path) -> None:
    """Each write and sync of a commit fails in turn; the records then go in, once, whole."""
    journal = _open(path)
    journal.append(records(1, 50))
    failures: list[str] = []
    for allowed in range(25):
        first = journal.last_seq + 1
        held = records(first, first + 199)
        disk.fail_after = allowed
        with contextlib.suppress(JournalError):
            journal.append(held)
        disk.fail_after = None
        whole = journal.last_seq == first + 199
        assert whole or journal.last_seq == first - 1
        assert list(journal.read()) == records(1, journal.last_seq)
        if not whole:
            failures.append(f"after {allowed}")
            journal.append(held)
        assert list(journal.read()) == records(1, first + 199)
    assert len(failures) >= 3
    journal.close()
    again = _open(path)
    assert again.set_aside is None
    assert list(again.read()) == records(1, again.last_seq)
    again.close()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_where_the_old_file_cannot_be_copied_back_a_new_one_is_begun(disk: Spoiler, path: Path) -> None:
    """The name is gone and so is the disk: what is held is recorded under the name, and seq goes on."""
    journal = _open(path)
    journal.append(records(1, 3000))
    journal._connection.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
    journal._connection.pragma("shrink_memory")
    path.unlink()
    with pytest.raises(JournalError, match="removed or replaced"):
        journal.append(records(3001, 3010))
    disk.stand_aside()
    disk.gone = True
    journal.append(records(3001, 3010))
    disk.gone = False
    assert list(journal.read()) == records(3001, 3010)
    journal.close()
    again = _open(path)
    assert again.last_seq == 3010
    again.close()


def _after_a_cut(log: list[tuple[str, str, int, bytes]], rng: random.Random) -> dict[str, bytes]:
    """The files as the disk may hold them when the power goes at the end of that log."""
    files: dict[str, bytearray] = {}
    synced = {file: index for index, (file, what, _, _) in enumerate(log) if what == "sync"}
    mood = rng.choice((0.0, 0.5, 1.0))  # nothing, half or all of what was not synced got there
    for index, (file, what, offset, data) in enumerate(log):
        content = files.setdefault(file, bytearray())
        certain = index <= synced.get(file, -1)
        if what == "delete":  # SQLite syncs the folder at once where it matters
            del files[file]
        elif what == "truncate" and (certain or rng.random() < mood):
            del content[offset:]
        elif what == "write":
            for start in range(0, len(data), SECTOR):
                if certain or rng.random() < mood:
                    sector, begin = data[start : start + SECTOR], offset + start
                    content.extend(bytes(max(begin + len(sector) - len(content), 0)))
                    content[begin : begin + len(sector)] = sector
    return {file: bytes(content) for file, content in files.items()}


def _write_a_while(path: Path, disk: Spoiler, weaken: bool) -> list[tuple[int, int]]:
    """Commits with folding of the log into the file; (length of the disk's log, last seq) after each."""
    journal = _open(path)
    journal._connection.wal_autocheckpoint(12)
    if weaken:
        journal._connection.pragma("synchronous", "normal")
    rng = random.Random(5)
    returned = [(len(disk.log), 0)]
    for _ in range(60):
        first = journal.last_seq + 1
        journal.append(records(first, first + rng.randrange(80)))
        returned.append((len(disk.log), journal.last_seq))
    return returned


def _losses(path: Path, disk: Spoiler, cuts: int, *, weaken: bool = False) -> list[str]:
    """What was found wrong after that many power cuts."""
    returned = _write_a_while(path, disk, weaken)
    disk.stand_aside()
    rng = random.Random(6)
    wrong = []
    for number in range(cuts):
        cut = rng.randrange(len(disk.log))
        promised = max((seq for length, seq in returned if length <= cut), default=0)
        folder = path.parent / f"cut-{number}"
        folder.mkdir()
        for file, content in _after_a_cut(disk.log[:cut], rng).items():
            if not file.endswith("-shm"):
                (folder / file).write_bytes(content)
        journal = _open(folder / path.name, check_s=60)
        found = list(journal.read())
        if journal.set_aside or journal.last_seq < promised or found != records(1, journal.last_seq):
            wrong.append(f"cut at {cut}: {journal.last_seq} of {promised}, aside {journal.set_aside}")
        journal.close()
    return wrong


@pytest.mark.parametrize(
    "cuts", [120, pytest.param(2000, marks=[pytest.mark.full, pytest.mark.timeout(900)])]
)
def test_a_power_cut_takes_nothing_whose_commit_had_returned(disk: Spoiler, path: Path, cuts: int) -> None:
    """At any write, with any part of what was not synced, from the making of the file on."""
    assert _losses(path, disk, cuts) == []


def test_the_simulated_power_cut_finds_a_weaker_setting(disk: Spoiler, path: Path) -> None:
    """The test above can fail: with synchronous=NORMAL, commits that had returned are lost."""
    assert len(_losses(path, disk, 40, weaken=True)) > 5
