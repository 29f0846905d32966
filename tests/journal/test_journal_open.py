"""Opening: schemas old, new and foreign, damaged files, checks that must end in time."""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import apsw
import pytest

from logger.journal import schema
from logger.journal.journal import Journal, JournalError, JournalReader
from tests.journal.journal_samples import record, records

Opened = Callable[..., Journal]
FIXTURES = Path(__file__).parent / "fixtures"


def test_an_old_journal_is_brought_up_to_date(opened: Opened, path: Path) -> None:
    """A file of schema 1 keeps every record, checkpoint and configuration, and gains what came later."""
    shutil.copy(FIXTURES / "journal-v1.db", path)
    with JournalReader(path) as reader:
        assert list(reader.read()) == records(1, 60)
    journal = opened()
    assert list(journal.read()) == records(1, 60)
    assert journal.load_checkpoint("fold") == (60, b"state")
    assert journal.configuration("d1") == "[bay]\n"
    journal.append(records(61, 70))
    journal.save_cursor("store", 3)
    assert journal._one("SELECT count(*) FROM reading_view") > 0
    recorded = journal._all("SELECT number, name FROM migrations ORDER BY number")
    assert recorded == [(number, name) for number, (name, _) in enumerate(schema.MIGRATIONS, 1)]


def test_an_interrupted_migration_leaves_the_old_schema(
    opened: Opened, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Change and record are one transaction: after a failing statement the file is as it was."""
    shutil.copy(FIXTURES / "journal-v1.db", path)
    broken = "CREATE TABLE half_done (a INTEGER) STRICT; CREATE TABLE readings (a INTEGER);"
    with monkeypatch.context() as patch:
        patch.setattr(schema, "MIGRATIONS", (schema.MIGRATIONS[0], ("broken", broken)))
        with pytest.raises(JournalError, match="readings already exists"):
            opened()
    with JournalReader(path) as reader:
        assert reader._one("SELECT count(*) FROM sqlite_schema WHERE name = 'half_done'") == 0
        assert reader._one("PRAGMA user_version") == 1
    assert list(opened().read()) == records(1, 60)


def test_a_newer_schema_is_refused_and_left_alone(opened: Opened, path: Path) -> None:
    """Neither the writer nor a reader touches what a newer version wrote."""
    opened().close()
    connection = apsw.Connection(str(path))
    connection.pragma("user_version", schema.NEWEST + 1)
    connection.close()
    before = path.read_bytes()
    for start in (opened, lambda: JournalReader(path)):
        with pytest.raises(JournalError, match="start the newer version") as caught:
            start()
        assert caught.value.kind == "schema"
    assert path.read_bytes() == before


def test_a_database_of_another_program_is_refused_and_left_alone(opened: Opened, path: Path) -> None:
    connection = apsw.Connection(str(path))
    connection.execute("CREATE TABLE theirs (a)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="another program"):
        opened()
    assert path.read_bytes() == before


def _whole(journal: Journal) -> bytes:
    journal.append(records(1, 3000))
    journal.close()
    return journal.path.read_bytes()


def _zeroed_header(content: bytes) -> bytes:
    return bytes(4096) + content[4096:]


def _noise(content: bytes) -> bytes:
    return random.Random(3).randbytes(len(content))


def _cut_short(content: bytes) -> bytes:
    return content[: len(content) // 2]


def _middle_overwritten(content: bytes) -> bytes:
    half = len(content) // 2 // 4096 * 4096
    return content[:half] + random.Random(4).randbytes(8192) + content[half + 8192 :]


@pytest.mark.parametrize("spoil", [_zeroed_header, _noise, _cut_short, _middle_overwritten])
def test_a_damaged_file_is_set_aside_and_a_new_one_begun(
    opened: Opened, path: Path, spoil: Callable[[bytes], bytes]
) -> None:
    """The damaged bytes are kept under another name; recording goes on at once, and is kept."""
    damaged = spoil(_whole(opened()))
    path.write_bytes(damaged)
    journal = opened()
    assert journal.set_aside == path.with_name("journal.damaged-1.db")
    assert journal.set_aside.read_bytes() == damaged
    assert list(journal.read()) == []
    first = journal.last_seq + 1
    journal.append(records(first, first + 9))
    journal.close()
    again = opened()
    assert again.set_aside is None
    assert list(again.read()) == records(first, first + 9)


def test_seq_goes_on_where_a_damaged_file_ended(opened: Opened, path: Path) -> None:
    """What was sent under a seq is never sent again as something else; that holds when reopened, too."""
    path.write_bytes(_middle_overwritten(_whole(opened())))
    journal = opened()
    assert journal.last_seq == 3000
    journal.close()
    assert opened().last_seq == 3000


def test_records_held_over_a_damage_may_begin_above_the_last_seq(opened: Opened, path: Path) -> None:
    """The loop counts on in memory; a new journal takes what it holds, once, and then in order."""
    path.write_bytes(_noise(_whole(opened())))
    journal = opened()
    journal.append(records(3500, 3510))
    assert list(journal.read()) == records(3500, 3510)
    with pytest.raises(JournalError, match="3511 was due"):
        journal.append([record(3600)])


def test_a_log_left_by_a_killed_daemon_goes_aside_with_its_file(opened: Opened, path: Path) -> None:
    """The new file never takes the old log for its own."""
    journal = opened()
    journal.append(records(1, 3000))
    journal.close()
    content = path.read_bytes()
    journal = opened()
    journal.append(records(3001, 3010))
    log = path.with_name("journal.db-wal").read_bytes()
    journal.close()
    path.write_bytes(_noise(content))
    path.with_name("journal.db-wal").write_bytes(log)
    again = opened()
    assert again.set_aside is not None
    assert again.set_aside.with_name(again.set_aside.name + "-wal").read_bytes() == log
    assert list(again.read()) == []


def test_a_log_that_holds_everything_heals_a_damaged_file(opened: Opened, path: Path) -> None:
    """What was not folded in yet when the daemon was killed needs nothing of the file."""
    journal = opened()
    journal.append(records(1, 2000))
    log = path.with_name("journal.db-wal").read_bytes()
    journal.close()
    path.write_bytes(_noise(path.read_bytes()))
    path.with_name("journal.db-wal").write_bytes(log)
    again = opened()
    assert again.set_aside is None
    assert list(again.read()) == records(1, 2000)


def test_damaged_files_never_replace_one_another(opened: Opened, path: Path) -> None:
    for _ in range(3):
        path.write_bytes(b"no journal at all" * 1000)
        opened().close()
    assert sorted(file.name for file in path.parent.glob("*.damaged-*.db")) == [
        f"journal.damaged-{number}.db" for number in (1, 2, 3)
    ]


def test_an_empty_file_is_a_new_journal(opened: Opened, path: Path) -> None:
    """As a power cut just after the making of the file may leave it."""
    path.touch()
    journal = opened()
    assert journal.set_aside is None
    journal.append(records(1, 3))


def test_the_check_of_a_large_file_ends_in_time(opened: Opened) -> None:
    """A check that does not come to its end says so, and recording starts."""
    journal = opened()
    journal.append(records(1, 60_000))
    assert journal.checked
    journal.close()
    again = opened(check_s=0.0)
    assert not again.checked
    again.append(records(60_001, 60_010))
    again.close()
    assert opened(check_s=60.0).checked


def test_a_folder_that_cannot_be_written_is_an_error_with_a_remedy(path: Path) -> None:
    """A file stands where the folder should be."""
    path.write_text("a file")
    with pytest.raises(JournalError, match="opening the journal"):
        Journal.open(path / "below" / "journal.db", boot_id="b", offset_ns=0)


def test_the_ballast_is_made_given_up_and_put_back(opened: Opened, path: Path) -> None:
    """It takes its room for real, and giving it up twice gives nothing the second time."""
    journal = opened(ballast_bytes=1 << 20)
    ballast = path.with_name("journal.db.ballast")
    assert ballast.stat().st_blocks * 512 >= 1 << 20
    assert journal.release_ballast()
    assert not ballast.exists()
    assert not journal.release_ballast()
    assert journal.restore_ballast()
    assert ballast.stat().st_blocks * 512 >= 1 << 20


def test_free_bytes_is_what_the_system_says(opened: Opened, path: Path) -> None:
    """Within what others on the machine use up meanwhile."""
    state = os.statvfs(path.parent)
    assert opened().free_bytes() == pytest.approx(state.f_bavail * state.f_frsize, rel=0.2)


def test_damage_that_the_check_had_no_time_for_is_met_where_it_lies(opened: Opened, path: Path) -> None:
    """What opening itself reads is found damaged without the check, too."""
    content = _whole(opened())
    path.write_bytes(content[:4096] + random.Random(5).randbytes(len(content) - 4096))
    journal = opened(check_s=0.0)
    assert journal.set_aside is not None
    journal.append(records(1, 3))
    assert list(journal.read()) == records(1, 3)


def test_a_ballast_that_would_take_the_last_room_is_left_out(opened: Opened, path: Path) -> None:
    """An exabyte is not to be had; recording starts all the same."""
    journal = opened(ballast_bytes=1 << 60)
    assert not journal.restore_ballast()
    assert not path.with_name("journal.db.ballast").exists()
    journal.append(records(1, 3))


def test_no_ballast_is_made_where_none_is_wanted(opened: Opened, path: Path) -> None:
    journal = opened(ballast_bytes=0)
    assert not journal.restore_ballast()
    assert not journal.release_ballast()
    assert not path.with_name("journal.db.ballast").exists()
