"""The journal's folder under a running daemon: removed, blocked, hidden; and an empty file at the start."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.journal.journal import Journal, JournalError, JournalReader
from logger.journal.recorder import Recorder
from tests.journal.journal_samples import OFFSET_NS, records

NOBODY = 65534


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "bay"


@pytest.fixture
def path(folder: Path) -> Path:
    """The journal of `opened` lies in a folder of its own here."""
    return folder / "journal.db"


@contextlib.contextmanager
def _hidden(folder: Path) -> Iterator[None]:
    """Mode 000, seen by a user whom modes bind."""
    mode, user = folder.stat().st_mode, os.geteuid()
    folder.chmod(0o000)
    try:
        if user == 0:
            os.seteuid(NOBODY)
        yield
    finally:
        os.seteuid(user)
        folder.chmod(mode)


def test_a_removed_folder_and_its_lock_are_made_again(
    opened: Callable[..., Journal], folder: Path, path: Path
) -> None:
    """What happened is said once; with the next try the whole record stands there, and is locked."""
    recorder = Recorder(opened())
    recorder.held = records(1, 500)
    assert recorder.write() == []
    shutil.rmtree(folder)
    recorder.held = records(501, 510)
    (word,) = recorder.write()
    assert (word.state, word.message) == (
        "not-recorded",
        f"{path} has been removed or replaced under the running daemon",
    )
    assert "copies it back" in word.do
    assert [word.state for word in recorder.write()] == ["recorded"]
    with JournalReader(path) as reader:
        assert list(reader.read()) == records(1, 510)
    with pytest.raises(JournalError, match="another daemon"):
        Journal.open(path, boot_id="b", offset_ns=OFFSET_NS)


def test_a_blocked_folder_is_said_with_its_own_reason_and_got_over(
    opened: Callable[..., Journal], folder: Path, path: Path
) -> None:
    """A file stands where the folder was: that is the alarm, not that the disk is full."""
    recorder = Recorder(opened())
    recorder.held = records(1, 100)
    recorder.write()
    shutil.rmtree(folder)
    folder.write_text("in the way")
    recorder.held = records(101, 110)
    said = [word for _ in range(4) for word in recorder.write()]
    assert [word.state for word in said] == ["not-recorded"] * 2
    assert "a part of its path is a file" in said[1].message
    assert "take that file away" in said[1].do
    folder.unlink()
    assert [word.state for word in recorder.write()] == ["recorded"]
    with JournalReader(path) as reader:
        assert list(reader.read()) == records(1, 110)


def test_writing_goes_on_while_the_folder_is_hidden(
    opened: Callable[..., Journal], folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The open file takes everything; that a restart could not is logged once."""
    journal = opened()
    journal.append(records(1, 100))
    with _hidden(folder):
        journal.append(records(101, 3000))
        journal.append(records(3001, 3010))
    journal.append(records(3011, 3020))
    assert caplog.text.count("can't be looked at any more") == 1
    journal.close()
    with JournalReader(journal.path) as reader:
        assert list(reader.read()) == records(1, 3020)


def test_a_start_in_a_hidden_folder_says_who_must_be_let_in(
    opened: Callable[..., Journal], folder: Path
) -> None:
    opened().close()
    with _hidden(folder), pytest.raises(JournalError, match=r"not allowed to use .*chown"):
        opened()


@pytest.mark.parametrize("beside", ["token", "journal.db.ballast"])
def test_an_empty_file_where_a_record_was_is_set_aside_and_said(
    opened: Callable[..., Journal], folder: Path, path: Path, beside: str
) -> None:
    """As a damaged one would be; what shows that there was a record is named."""
    folder.mkdir()
    path.touch()
    (folder / beside).write_bytes(b"x")
    journal = opened()
    assert journal.set_aside == folder / "journal.damaged-1.db"
    recorder = Recorder(journal)
    recorder.held = records(1, 5)
    (word,) = recorder.write()
    assert word.state == "set-aside"
    assert f"its file was empty, though {beside} beside it shows a record" in word.message


def test_an_empty_file_with_nothing_beside_it_is_simply_begun(
    opened: Callable[..., Journal], folder: Path, path: Path
) -> None:
    folder.mkdir()
    path.touch()
    assert opened().set_aside is None


def test_a_missing_file_where_a_record_was_is_logged(
    opened: Callable[..., Journal], path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    opened().close()
    path.unlink()
    opened()
    assert "is not there, though journal.db.ballast beside it shows" in caplog.text
