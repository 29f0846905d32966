"""Readings as CSV: read back by Python's own reader, against the journal."""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

import pytest
from typer.testing import CliRunner

from logger.cli import app
from logger.core.entries import Reading
from logger.exports.csv import write_csv
from logger.exports.tables import READINGS, Column, decimal
from logger.journal.journal import JournalReader
from tests.core.folding import NS, T0
from tests.report.records import RUN, listed, readings, write_journal


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("exports") / "journal.sqlite"
    write_journal(path, listed(RUN, readings()))
    return path


def exported(target: Path, *arguments: str) -> list[dict[str, str]]:
    done = CliRunner().invoke(app, ["export", *arguments, "-o", str(target)])
    assert done.exit_code == 0, done.output
    with target.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, strict=True))


def test_every_reading_of_the_record_is_there_as_it_was_shown(journal: Path, tmp_path: Path) -> None:
    rows = exported(tmp_path / "all.csv", "--journal", str(journal))
    with JournalReader(journal) as reader:
        held = [each for each in reader.read(findings=False) if type(each) is Reading]
    assert len(held) > 1000
    found = [(int(r["seq"]), int(r["station time [ns]"]), r["channel"], Fraction(r["value"])) for r in rows]
    assert found == [(e.seq, e.at_ns, e.channel, e.number * Fraction(10) ** e.exp) for e in held]


def test_lot_and_run_are_those_of_the_books(journal: Path, tmp_path: Path) -> None:
    """The run was started 5 s into the record and ended at 700 s."""
    rows = exported(tmp_path / "all.csv", "--journal", str(journal))
    inside = [T0 + 5 * NS <= int(row["station time [ns]"]) < T0 + 700 * NS for row in rows]
    assert {True, False} == set(inside)
    assert [row["lot"] for row in rows] == ["L-0412" if each else "" for each in inside]
    assert [bool(row["run"]) for row in rows] == inside
    outlets = {row["place"] for row in rows if row["role"] == "outlet"}
    assert "concentrate" in outlets


def test_a_run_alone_is_its_rows_of_the_whole(journal: Path, tmp_path: Path) -> None:
    rows = exported(tmp_path / "all.csv", "--journal", str(journal))
    name = next(row["run"] for row in rows if row["run"])
    assert exported(tmp_path / "run.csv", name, "--journal", str(journal)) == [r for r in rows if r["run"]]


def test_the_same_journal_gives_the_same_bytes(journal: Path, tmp_path: Path) -> None:
    exported(tmp_path / "a.csv", "--journal", str(journal))
    exported(tmp_path / "b.csv", "--journal", str(journal))
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()


def test_hostile_cells_come_back_as_they_were(tmp_path: Path) -> None:
    """RFC 4180, section 2: CRLF ends a row; quotes, commas and line ends within quotes."""
    hostile = ["=1+1", 'a "b", c', "two\r\nlines", "\n", "\r", "", " blank ", "-", "@x", "Späne"]
    table = [Column(f"c{number}", "kg" if number == 0 else "", "") for number in range(len(hostile))]
    target = tmp_path / "hostile.csv"
    assert write_csv(target, table, [hostile, hostile]) == 2
    assert target.read_bytes().startswith(b"c0 [kg],c1,")
    assert target.read_bytes().endswith(b"\r\n")
    with target.open(newline="", encoding="utf-8") as file:
        assert list(csv.reader(file, strict=True))[1:] == [hostile, hostile]


def test_what_can_not_be_finished_leaves_the_old_file_and_no_rest(tmp_path: Path) -> None:
    def broken() -> list[list[str]]:
        raise OSError(28, "No space left on device")

    target = tmp_path / "kept.csv"
    target.write_text("old")
    with pytest.raises(OSError, match="No space"):
        write_csv(target, READINGS, (row for _ in range(1) for row in broken()))
    assert [each.name for each in tmp_path.iterdir()] == ["kept.csv"]
    assert target.read_text() == "old"


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (["no-such-run", "-o", "x.csv"], 65, "there is no run"),
        (["-o", "x.doc"], 64, "ends in .csv or .jsonl"),
        (["-o", "no/such/folder/x.csv"], 73, "can't be written"),
    ],
)
def test_what_is_wrong_is_said(journal: Path, arguments: list[str], code: int, says: str) -> None:
    done = CliRunner().invoke(app, ["export", *arguments, "--journal", str(journal)])
    assert done.exit_code == code
    assert says in done.output


@pytest.mark.parametrize(
    ("number", "exp", "text"),
    [(1250, -3, "1.250"), (-5, -3, "-0.005"), (0, -2, "0.00"), (12, 0, "12"), (12, 2, "1200")],
)
def test_a_number_keeps_the_digits_that_were_shown(number: int, exp: int, text: str) -> None:
    assert decimal(number, exp) == text
