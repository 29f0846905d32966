"""What a person sees who opens the file with another tool: checked against decimal and datetime."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from logger.core.entries import Reading
from logger.core.walltime import parse_rfc3339
from logger.journal.journal import Journal
from tests.journal.journal_samples import OFFSET_NS, records


@pytest.mark.parametrize(
    "number", [0, 5, -5, 123456, -123456, 10**17, 2**63 - 1, -(2**63), 10**25, -(10**25)]
)
@pytest.mark.parametrize("exp", [0, -1, -3, -6, -18])
def test_the_value_is_the_number_exactly(opened: Callable[..., Journal], number: int, exp: int) -> None:
    """As `decimal` has it, with as many decimals as the instrument showed."""
    journal = opened()
    journal.append([Reading(OFFSET_NS, "s", number, exp, "kg", seq=1)])
    (text,) = journal._all("SELECT value FROM reading_view")[0]
    assert text == f"{Decimal(f'{number}e{exp}'):f}"


def test_a_count_of_tens_is_written_with_its_exponent(opened: Callable[..., Journal]) -> None:
    """``3e1`` and not 30: the scale did not show the last digit."""
    journal = opened()
    journal.append([Reading(OFFSET_NS, "s", 3, 1, "kg", seq=1)])
    assert journal._one("SELECT value FROM reading_view") == "3e1"


def test_the_time_is_exact_to_the_nanosecond(opened: Callable[..., Journal]) -> None:
    """Across a second, a leap day and the year."""
    moments = [0, 1, 10**9 - 1, 951_782_399_999_999_999, OFFSET_NS, 1_798_761_599_999_999_999]
    journal = opened()
    journal.append([Reading(at_ns, "s", 1, 0, "kg", seq=seq) for seq, at_ns in enumerate(moments, 1)])
    found = journal._all("SELECT time, at_ns FROM reading_view ORDER BY seq")
    assert [parse_rfc3339(text) for text, _ in found] == moments
    assert [at_ns for _, at_ns in found] == moments


def test_other_tools_can_open_the_file(opened: Callable[..., Journal], path: Path) -> None:
    """Python's own SQLite, whatever its version, reads both views of a closed journal."""
    journal = opened()
    whole = records(1, 51)
    journal.append(whole)
    journal.close()
    connection = sqlite3.connect(path)
    readings = connection.execute("SELECT seq, channel, unit, raw FROM reading_view ORDER BY seq").fetchall()
    types = connection.execute("SELECT seq, type FROM entry_view ORDER BY seq").fetchall()
    connection.close()
    assert readings == [(r.seq, r.channel, r.unit, None) for r in whole if isinstance(r, Reading)]
    assert types == [(r.seq, type(r).__name__.lower()) for r in whole if not isinstance(r, Reading)]
