"""What the journal could not take until the stop: saved in a file of its own, entered once later."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from logger.core.entries import Circumstance, Record
from logger.journal import lifeboat
from logger.journal.journal import Journal, JournalError, JournalReader
from tests.journal.journal_samples import OFFSET_NS, records

Opened = Callable[..., Journal]


@pytest.fixture
def env(tmp_path: Path) -> dict[str, str]:
    """A service with a state folder of its own."""
    return {"STATE_DIRECTORY": str(tmp_path / "state")}


@pytest.fixture
def saved(opened: Opened, path: Path, env: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> Path:
    """100 entries in the journal of boot-a, which is closed, and 50 more in a rescue file."""
    monkeypatch.setenv("STATE_DIRECTORY", env["STATE_DIRECTORY"])
    journal = opened()
    journal.remember_configuration("digest", "[bay]")
    journal.append(records(1, 100))
    with monkeypatch.context() as patch:
        patch.setattr(lifeboat, "places", lambda path: [Path(env["STATE_DIRECTORY"])])
        file = lifeboat.save(records(101, 150), journal)
    journal.close()
    return file


def _boots(path: Path) -> list[str]:
    with JournalReader(path) as reader:
        return [row[0] for row in reader._all("SELECT boot_id FROM entry_view ORDER BY seq")]


def test_a_rescue_file_is_one_whole_journal(saved: Path) -> None:
    """No log, lock or part lies beside it; what it holds is what was held, with its configuration."""
    assert [file.name for file in saved.parent.iterdir()] == ["journal.rescued-1.db"]
    with JournalReader(saved) as reader:
        assert list(reader.read()) == records(101, 150)
        assert reader.configuration("digest") == "[bay]"


def test_it_is_entered_once_with_its_order_times_and_boot(saved: Path, path: Path, opened: Opened) -> None:
    """Behind it a circumstance ends what it says of the trouble; the next life comes after."""
    assert lifeboat.take_in(path).records == 51
    assert lifeboat.take_in(path).records == 0
    journal = opened(boot_id="boot-b", offset_ns=OFFSET_NS + 1)
    assert list(journal.read(upto=150)) == records(1, 150)
    (word,) = journal.read(after=150)
    assert isinstance(word, Circumstance)
    assert (word.kind, word.data["state"]) == ("journal", "recorded")
    assert word.at_ns == records(150, 150)[0].at_ns
    assert set(_boots(path)) == {"boot-a"}
    assert [file.name for file in saved.parent.iterdir()] == ["journal.rescued-1.db.entered"]


_TAKE_IN = """
import os, pathlib, signal, sys
from logger.journal import lifeboat
from logger.journal.journal import Journal

def die(*told):
    os.kill(os.getpid(), signal.SIGKILL)

if sys.argv[2] == "committing":
    append = Journal.append
    def dying(journal, records):
        journal._connection.set_commit_hook(die)
        append(journal, records)
    Journal.append = dying
else:
    pathlib.Path.rename = die
lifeboat.take_in(pathlib.Path(sys.argv[1]))
"""


@pytest.mark.parametrize(("when", "reached"), [("committing", 100), ("renaming", 151)])
def test_a_kill_while_it_is_entered_neither_loses_nor_doubles(
    saved: Path, path: Path, opened: Opened, when: str, reached: int
) -> None:
    """Killed before the commit nothing is entered; killed before the file is renamed it is known again."""
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    command = [sys.executable, "-c", _TAKE_IN, str(path), when]
    assert subprocess.run(command, env=environment, check=False).returncode == -signal.SIGKILL
    assert saved.exists()
    with JournalReader(path) as reader:
        assert reader.last_seq == reached
    assert lifeboat.take_in(path).records == 151 - reached
    journal = opened(boot_id="boot-b")
    assert list(journal.read(upto=150)) == records(1, 150)
    assert journal.last_seq == 151
    assert not saved.exists()


def test_one_that_does_not_fit_is_left_alone_and_said(
    saved: Path, path: Path, opened: Opened, caplog: pytest.LogCaptureFixture
) -> None:
    """The journal went on without it: entries would run backwards, so it stays a file of its own."""
    journal = opened(boot_id="boot-b")
    journal.append([record._replace(at_ns=record.at_ns + 10**12) for record in records(101, 120)])
    journal.close()
    assert lifeboat.take_in(path).records == 0
    assert saved.exists()
    assert f"50 records saved at a stop are in {saved} only" in caplog.text
    assert opened(boot_id="boot-b").last_seq == 120


def test_that_of_another_journal_is_not_touched(saved: Path, tmp_path: Path) -> None:
    """Two journals may share a folder for rescue; an empty one must not swallow the other's records."""
    other = tmp_path / "other" / "journal.db"
    assert lifeboat.take_in(other).records == 0
    assert saved.exists()
    assert not other.exists()


def test_one_laid_beside_a_journal_begun_anew_is_entered(saved: Path, tmp_path: Path) -> None:
    """The disk was replaced and the file carried to the new record by hand."""
    other = tmp_path / "new" / "journal.db"
    other.parent.mkdir()
    shutil.copy(saved, other.with_name("journal.rescued-1.db"))
    assert lifeboat.take_in(other).records == 51
    with JournalReader(other) as reader:
        assert list(reader.read(upto=150)) == records(101, 150)


def test_a_file_that_can_not_be_read_hinders_nothing(
    saved: Path, path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """It is kept and said; the others are entered."""
    broken = saved.with_name("journal.rescued-0.db")
    broken.write_bytes(b"SQLite format 3\0" + b"\xff" * 9000)
    assert lifeboat.take_in(path).records == 51
    assert f"{broken} was saved at a stop and can't be read" in caplog.text
    assert broken.exists()


def test_a_damaged_journal_is_set_aside_on_the_way(saved: Path, path: Path) -> None:
    """Whoever opens the journal next learns of it, and seq goes on where the rescue file does."""
    path.write_bytes(b"SQLite format 3\0" + b"\xff" * 9000)
    taken = lifeboat.take_in(path)
    assert taken.records == 51
    assert taken.set_aside == path.with_name("journal.damaged-1.db")
    assert "damaged" in taken.why_set_aside


def test_on_a_full_disk_the_ballast_makes_room_for_it(
    saved: Path, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk is what most often makes a rescue file; it may still be full at the next start."""
    append = Journal.append

    def without_ballast(journal: Journal, held: Sequence[Record]) -> None:
        if path.with_name("journal.db.ballast").exists():
            raise JournalError("the disk is full", "full")
        append(journal, held)

    monkeypatch.setattr(Journal, "append", without_ballast)
    assert lifeboat.take_in(path).records == 51
    assert not saved.exists()


def test_no_life_begins_in_its_place_while_the_journal_can_not_be_written(
    saved: Path, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The start fails with the reason; once there is room the records are entered after all."""

    def full(journal: Journal, held: Sequence[Record]) -> None:
        raise JournalError("the disk is full", "full")

    with monkeypatch.context() as patch:
        patch.setattr(Journal, "append", full)
        with pytest.raises(JournalError, match="the disk is full"):
            lifeboat.take_in(path)
    assert saved.exists()
    assert lifeboat.take_in(path).records == 51


def test_where_no_place_can_be_written_nothing_half_is_left(
    opened: Opened, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each place is named with its reason; a try that fails at the end takes its part away."""
    journal = opened()
    folders = [tmp_path / "one", tmp_path / "two"]
    folders[0].write_text("a file where a folder was expected")

    def full(held: object) -> None:
        raise JournalError("the disk is full", "full")

    monkeypatch.setattr(lifeboat, "places", lambda path: folders)
    monkeypatch.setattr(Journal, "append", lambda self, held: full(held))
    with pytest.raises(JournalError, match=r"no place could be written: .*one: .*two: the disk is full"):
        lifeboat.save(records(1, 5), journal)
    assert list(folders[1].iterdir()) == []


def test_a_service_saves_in_its_own_folders_and_nobody_else_among_temporary_files() -> None:
    """A service's temporary files may go when it stops."""
    service = {"STATE_DIRECTORY": "/var/lib/x", "LOGS_DIRECTORY": "/var/log/x:/var/log/y", "HOME": "/h"}
    assert lifeboat.places(Path("/j/journal.db"), service) == [
        Path("/j"),
        Path("/var/lib/x"),
        Path("/var/log/x"),
    ]
    user = lifeboat.places(Path("/j/journal.db"), {"HOME": "/h"})
    assert user[:2] == [Path("/j"), Path("/h/.local/state/tallydeck")]


def test_a_temporary_folder_that_others_can_write_is_not_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What lies there could have been laid by anybody."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    own = tmp_path / f"tallydeck-{os.getuid()}"
    assert own in lifeboat.places(Path("/j/journal.db"), {})
    own.mkdir()
    own.chmod(0o777)
    assert own not in lifeboat.places(Path("/j/journal.db"), {})
