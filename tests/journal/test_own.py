"""What a journal brings along: its description of the bay, without what that named; and its checkpoints."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from logger.core.bay import Bay as Fold
from logger.core.entries import Circumstance
from logger.journal.checkpoint import freeze
from logger.journal.journal import Journal, JournalError, JournalReader
from logger.journal.own import own_bay, resumed
from logger.settings import loads

TEXT = """
[bay]
name = "Foundry bay"
[stations.table.outlets.concentrate]
scale = false
[store]
url = "http://localhost:8086"
bucket = "bay"
token = "file:{secret}"
"""


def journal(path: Path) -> closing[Journal]:
    path.mkdir()
    return closing(Journal.open(path / "journal.sqlite", boot_id="boot", offset_ns=0, ballast_bytes=0))


def test_a_secret_that_is_gone_keeps_nobody_from_the_past(tmp_path: Path) -> None:
    """Who folds a record again need not be allowed to read what the daemon logs in with."""
    secret = tmp_path / "token"
    secret.write_text("word")
    secret.chmod(0o600)
    told = loads(TEXT.format(secret=secret))
    with journal(tmp_path / "j") as made:
        made.remember_configuration(told.digest, told.text)
        made.append([Circumstance(1, "configuration", told.digest, {"name": "Foundry bay"}, seq=1)])
    secret.unlink()
    with JournalReader(tmp_path / "j" / "journal.sqlite") as reader:
        assert own_bay(reader) == (told.bay, told.digest)


def test_a_journal_that_holds_no_configuration_says_so(tmp_path: Path) -> None:
    with journal(tmp_path / "j") as made, pytest.raises(JournalError, match="--config"):
        own_bay(made)


def test_the_newest_checkpoint_that_can_be_used_is_taken(tmp_path: Path) -> None:
    """Not one that is too new, not one that is no fold, and not one whose bytes are spoiled."""
    fold = Fold(loads(TEXT.replace('token = "file:{secret}"', "")).bay)
    why: list[JournalError] = []
    with journal(tmp_path / "j") as made:
        made.append([Circumstance(i, "link", "x", {}, seq=i) for i in range(1, 21)])
        assert resumed(made, "key") is None
        made.save_checkpoint(10, "key", freeze(fold))
        assert (resumed(made, "key") or (0,))[0] == 10
        assert resumed(made, "key", 9) is None
        made.save_checkpoint(20, "key", b"spoiled" * 10)
        assert (resumed(made, "key", unusable=why.append) or (0,))[0] == 10
        assert [error.kind for error in why] == ["checkpoint"]
        made.save_checkpoint(20, "other", freeze({}))
        assert resumed(made, "other") is None
