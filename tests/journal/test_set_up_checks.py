"""Set-up checks are kept whole, dated, and beside one another."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from logger.journal.set_up_checks import DIRECTORY, read_set_up_checks, save_set_up_check

AT_NS = 1_790_000_000 * 10**9


def test_two_checks_of_one_second_are_both_kept(tmp_path: Path) -> None:
    paths = [save_set_up_check(tmp_path, AT_NS, {"results": [number]}) for number in (1, 2)]
    assert [path.name for path in paths] == ["2026-09-21T14-13-20Z.json", "2026-09-21T14-13-20Z-2.json"]
    assert json.loads(paths[0].read_text())["when"] == "2026-09-21T14:13:20+00:00"


def test_they_come_newest_first_and_what_is_no_check_is_left_out(tmp_path: Path) -> None:
    for days in (0, 2, 1):
        save_set_up_check(tmp_path, AT_NS + days * 86_400 * 10**9, {"results": [days]})
    (tmp_path / DIRECTORY / "half.json").write_text('{"format": 1')
    (tmp_path / DIRECTORY / "other.json").write_text("[]")
    assert [each["results"] for each in read_set_up_checks(tmp_path)] == [[2], [1], [0]]


def test_a_failed_write_leaves_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(descriptor: int) -> None:
        raise OSError(28, "no space left")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="no space"):
        save_set_up_check(tmp_path, AT_NS, {})
    assert list((tmp_path / DIRECTORY).iterdir()) == []
