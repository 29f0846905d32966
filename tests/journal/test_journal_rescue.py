"""What happens to the file under a running daemon: damage, removal, another file in its place."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import apsw
import pytest

from logger.journal.journal import Journal, JournalError, JournalReader
from tests.journal.journal_samples import records

Opened = Callable[..., Journal]


def _spoil(journal: Journal, start: int = 0) -> bytes:
    """Overwrite the file from a byte on and make SQLite look at it again."""
    journal._connection.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
    content = journal.path.read_bytes()
    spoiled = content[:start] + random.Random(1).randbytes(len(content) - start)
    with journal.path.open("r+b") as file:
        file.write(spoiled)
    journal._connection.pragma("shrink_memory")
    return spoiled


def test_damage_under_a_running_daemon_is_told_once_and_got_over(opened: Opened, path: Path) -> None:
    """The damaged file goes aside, a new one takes what is held, and seq goes on."""
    journal = opened()
    journal.append(records(1, 4000))
    spoiled = _spoil(journal)
    with pytest.raises(JournalError, match="damaged") as caught:
        journal.append(records(4001, 4050))
    assert caught.value.kind == "damaged"
    assert (journal.last_seq, journal.set_aside) == (4000, None)
    journal.append(records(4001, 4050))
    assert journal.set_aside is not None
    assert journal.set_aside.read_bytes() == spoiled
    assert list(journal.read()) == records(4001, 4050)
    journal.close()
    again = opened()
    assert again.set_aside is None
    assert again.last_seq == 4050


def test_small_tables_are_carried_over_a_damage(opened: Opened) -> None:
    """Damage among the readings: cursors, configurations and the newest state come along."""
    journal = opened()
    journal.remember_configuration("d", "[bay]")
    journal.save_cursor("store", 17, "x")
    journal.save_checkpoint(1, "fold", b"state")
    journal.append(records(1, 4000))
    _spoil(journal, start=30 * 4096)
    journal.close()
    again = opened()
    assert again.set_aside is not None
    assert again.configuration("d") == "[bay]"
    assert again.cursor("store") == (17, "x")
    assert again.load_checkpoint("fold") == (1, b"state")
    again.save_checkpoint(2, "fold", b"later")
    assert again.load_checkpoint("fold") == (2, b"later")


def test_damage_before_anything_was_committed_since_keeps_the_count(opened: Opened) -> None:
    """Where the damaged file cannot tell its last seq, the daemon's own knowledge counts."""
    journal = opened()
    journal.append(records(1, 3000))
    _spoil(journal)
    with pytest.raises(JournalError):
        journal.append(records(3001, 3001))
    journal.append(records(3001, 3001))
    journal.close()
    again = opened()
    assert again.last_seq == 3001


@pytest.mark.parametrize("with_log", [False, True])
def test_a_file_removed_under_a_running_daemon_is_put_back_whole(
    opened: Opened, path: Path, with_log: bool
) -> None:
    """The daemon still holds the file without a name: it is copied back, and nothing is lost."""
    journal = opened()
    journal.append(records(1, 500))
    path.unlink()
    if with_log:
        path.with_name("journal.db-wal").unlink()
        path.with_name("journal.db-shm").unlink()
    with pytest.raises(JournalError, match="removed or replaced") as caught:
        journal.append(records(501, 510))
    assert caught.value.kind == "missing"
    journal.append(records(501, 510))
    assert list(journal.read()) == records(1, 510)
    with JournalReader(path) as reader:
        assert list(reader.read()) == records(1, 510)
    journal.close()
    again = opened()
    assert again.set_aside is None
    assert list(again.read()) == records(1, 510)
    assert sorted(file.name for file in path.parent.iterdir() if ".copy" in file.name) == []


def test_a_file_put_in_the_journals_place_is_set_aside(opened: Opened, path: Path) -> None:
    """The running record is the truth; what was put there is kept under another name."""
    journal = opened()
    journal.append(records(1, 100))
    other = path.with_name("other")
    other.write_bytes(b"an old copy")
    other.rename(path)
    with pytest.raises(JournalError, match="removed or replaced"):
        journal.append(records(101, 110))
    journal.append(records(101, 110))
    assert journal.set_aside is not None
    assert journal.set_aside.read_bytes() == b"an old copy"
    assert list(journal.read()) == records(1, 110)


def test_a_reader_follows_to_the_new_file(opened: Opened, path: Path) -> None:
    """A follower that was reading before goes on reading after, whichever way the file changed."""
    journal = opened()
    journal.append(records(1, 50))
    with JournalReader(path) as reader:
        assert reader.last_seq == 50
        path.unlink()
        with pytest.raises(JournalError):
            journal.append(records(51, 60))
        journal.append(records(51, 60))
        assert list(reader.read(after=50)) == records(51, 60)
        _spoil(journal)
        with pytest.raises(JournalError):
            journal.append(records(61, 70))
        journal.append(records(61, 70))
        assert list(reader.read(after=60)) == records(61, 70)


def test_putting_right_is_tried_until_it_can_be_done(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    """While the new file cannot be made, every call is a JournalError, and the count is kept."""
    journal = opened()
    journal.append(records(1, 3000))
    _spoil(journal)
    with pytest.raises(JournalError, match="damaged"):
        journal.append(records(3001, 3010))

    def no_room(path: Path, check_s: float) -> None:
        raise apsw.FullError("no room")

    with monkeypatch.context() as patch:
        patch.setattr("logger.journal.journal.connect_to_write", no_room)
        for _ in range(3):
            with pytest.raises(JournalError, match="disk is full"):
                journal.append(records(3001, 3010))
            with pytest.raises(JournalError):
                journal.save_checkpoint(3000, "fold", b"x")
            with pytest.raises(JournalError):
                list(journal.read())
    journal.append(records(3001, 3010))
    assert journal.last_seq == 3010
    assert list(journal.read()) == records(3001, 3010)
