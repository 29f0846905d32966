"""Journals to test with, all on real SQLite files."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.journal.journal import Journal

OFFSET_NS = 1_772_000_000 * 10**9


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.db"


@pytest.fixture
def opened(path: Path) -> Iterator[Callable[..., Journal]]:
    """Open the journal at ``path``; whatever was opened is closed at the end."""
    journals: list[Journal] = []

    def open_journal(**changes: Any) -> Journal:
        told = {"boot_id": "boot-a", "offset_ns": OFFSET_NS, "ballast_bytes": 1 << 16} | changes
        journals.append(Journal.open(path, **told))
        return journals[-1]

    yield open_journal
    for journal in journals:
        journal.close()
