"""Readings by column are the readings one by one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from logger.core.entries import Reading
from logger.journal.columns import as_readings, columns
from logger.journal.journal import Journal, JournalReader
from tests.journal.journal_samples import OFFSET_NS, records


@pytest.mark.parametrize("chunk", [1, 7, 100, 50_000])
@pytest.mark.parametrize(("after", "upto"), [(0, None), (0, 17), (40, 250), (299, None), (900, None)])
def test_columns_are_what_is_read_one_by_one(
    opened: Callable[..., Journal], path: Path, after: int, upto: int | None, chunk: int
) -> None:
    """Any span in any chunks, over stretches of time, with a number beyond 64 bits and an odd channel."""
    journal = opened()
    journal.append(records(1, 299))
    late = OFFSET_NS + (1 << 48)
    journal.append(
        [
            Reading(late, "scale-1", 1 << 70, 2, "g", None, "over", "net", b"", 300),
            Reading(late + 1, "\ud800", -5, 0, "kg", True, "ok", "", b"", 301),
        ]
    )
    with JournalReader(path) as reader:
        expected = [each for each in reader.read(after, upto) if isinstance(each, Reading)]
        pieces = list(columns(reader, after, upto, chunk=chunk))
    assert [each for piece in pieces for each in as_readings(piece)] == expected
    assert all(len(piece.seq) <= chunk for piece in pieces)
