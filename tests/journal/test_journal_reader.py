"""Reading beside a daemon that writes, was killed, or is not there."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.journal.journal import Journal, JournalError, JournalReader
from tests.journal.journal_samples import record, records

Opened = Callable[..., Journal]


def test_a_reader_sees_each_commit_and_nothing_between(opened: Opened, path: Path) -> None:
    """New channels and stretches of time are known to a reader that was opened before them."""
    journal = opened()
    with JournalReader(path) as reader:
        assert (reader.last_seq, reader.last_at_ns) == (0, 0)
        for last in (3, 20, 90):
            journal.append(records(journal.last_seq + 1, last))
            assert reader.last_seq == last
            assert reader.last_at_ns == record(last).at_ns
            assert list(reader.read()) == records(1, last)


def test_a_reader_in_another_thread_never_sees_half_a_commit(opened: Opened, path: Path) -> None:
    """While 200 commits of 10 are made, every look gives whole tens, in order, without holes."""
    journal = opened()
    journal.append(records(1, 10))
    looks: list[int] = []
    faults: list[str] = []
    done = threading.Event()

    def look() -> None:
        with JournalReader(path) as reader:
            while not (done.is_set() and looks and looks[-1] == 2010):
                seqs = [item.seq for item in reader.read(after=looks[-1] if looks else 0, chunk=64)]
                start = looks[-1] if looks else 0
                if seqs != list(range(start + 1, start + 1 + len(seqs))) or len(seqs) % 10:
                    faults.append(f"after {start}: {seqs[:3]}…{seqs[-3:]}")
                    return
                looks.append(start + len(seqs))

    thread = threading.Thread(target=look)
    thread.start()
    for first in range(11, 2011, 10):
        journal.append(records(first, first + 9))
    done.set()
    thread.join(timeout=60)
    assert not thread.is_alive()
    assert faults == []
    assert looks[-1] == 2010


def test_an_unfinished_reader_does_not_grow_the_log(opened: Opened, path: Path) -> None:
    """A `read` left standing holds no query open: the log stays as small as without it."""
    journal = opened()
    journal.append(records(1, 100))
    with JournalReader(path) as reader:
        standing = [reader.read(chunk=10), journal.read(chunk=10)]
        assert [next(each).seq for each in standing] == [1, 1]
        for first in range(101, 60_001, 100):
            journal.append(records(first, first + 99))
        assert journal.wal_bytes() < 6 << 20
        assert [next(each).seq for each in standing] == [2, 2]


def test_a_query_left_open_would_grow_the_log(opened: Opened, path: Path) -> None:
    """The test above can fail: with a query really left open, the same writing grows the log."""
    journal = opened()
    journal.append(records(1, 3000))
    with JournalReader(path) as reader:
        left_open = reader._connection.execute("SELECT seq FROM readings")
        assert next(left_open)
        for first in range(3001, 63_001, 100):
            journal.append(records(first, first + 99))
        grown = journal.wal_bytes()
        left_open.close()
        journal.append(records(63_001, 63_100))  # this commit folds the whole log in
        journal.append(records(63_101, 63_200))  # and this one begins it again
        assert grown > 6 << 20
    journal.close()
    assert journal.wal_bytes() == 0


def test_a_query_is_bounded_in_time(opened: Opened, path: Path) -> None:
    """A question that takes too long ends with an error, and the reader can be used again."""
    journal = opened()
    journal.append(records(1, 5000))
    with JournalReader(path, limit_s=0.05) as reader:
        with pytest.raises(JournalError, match="longer than allowed") as caught:
            reader._all("SELECT count(*) FROM readings a, readings b, readings c")
        assert caught.value.kind == "slow"
        assert reader.last_seq == 5000


def test_a_reader_cannot_write(opened: Opened, path: Path) -> None:
    journal = opened()
    with JournalReader(path) as reader, pytest.raises(JournalError):
        reader._all("DELETE FROM entries")
    assert journal.last_seq == 0


def test_the_files_of_a_killed_daemon_can_be_read_as_they_lie(opened: Opened, path: Path) -> None:
    """The log is read, and reading leaves file and log as they were."""
    journal = opened()
    journal.append(records(1, 300))
    crashed = path.parent / "crashed"
    crashed.mkdir()
    for name in ("journal.db", "journal.db-wal"):
        shutil.copy(path.with_name(name), crashed / name)
    before = [(crashed / name).read_bytes() for name in ("journal.db", "journal.db-wal")]
    with JournalReader(crashed / "journal.db") as reader:
        assert list(reader.read()) == records(1, 300)
    assert [(crashed / name).read_bytes() for name in ("journal.db", "journal.db-wal")] == before


@contextlib.contextmanager
def _unprivileged() -> Iterator[None]:
    """As a user whom the modes of files bind, also where the tests are run by root."""
    user = os.geteuid()
    os.seteuid(65534 if user == 0 else user)
    try:
        yield
    finally:
        os.seteuid(user)


@pytest.mark.parametrize("with_log", [False, True])
def test_a_copy_in_a_folder_that_cannot_be_written(opened: Opened, path: Path, with_log: bool) -> None:
    """As on a read-only medium: it can be read, and where a log waits beside it that cannot be, says so."""
    journal = opened()
    journal.append(records(1, 50))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "read only #1?"
        folder.mkdir()
        if with_log:
            shutil.copy(path.with_name("journal.db-wal"), folder / "journal.db-wal")
        else:
            journal.close()
        shutil.copy(path, folder / "journal.db")
        Path(name).chmod(0o755)
        folder.chmod(0o555)
        expected = pytest.raises(JournalError) if with_log else contextlib.nullcontext()
        with _unprivileged(), expected, JournalReader(folder / "journal.db") as reader:
            assert list(reader.read()) == records(1, 50)
        folder.chmod(0o755)


@pytest.mark.parametrize("content", [None, b"", b"no database" * 999])
def test_no_journal_is_an_error_with_a_remedy(path: Path, content: bytes | None) -> None:
    """Missing, empty, or something else altogether; nothing is made or changed by looking."""
    before = set()
    if content is not None:
        path.write_bytes(content)
        before = {path.name}
    with pytest.raises(JournalError):
        JournalReader(path)
    assert {file.name for file in path.parent.iterdir()} == before


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ("UPDATE entries SET data = replace(data, 'note', 'sing') WHERE type = 'action'", "does not fit"),
        ("UPDATE entries SET type = 'song' WHERE type = 'action'", "'song' is not known"),
    ],
)
def test_a_record_of_a_version_to_come_is_named_by_its_seq(opened: Opened, change: str, message: str) -> None:
    """An action or a type that this version does not know is an error with a remedy, not a wrong record."""
    journal = opened()
    journal.append(records(1, 10))
    journal._all(change)
    with pytest.raises(JournalError, match=f"seq 5: .*{message}") as caught:
        list(journal.read())
    assert caught.value.kind == "schema"
    assert list(journal.read(after=5)) == records(6, 10)
