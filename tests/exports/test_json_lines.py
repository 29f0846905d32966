"""Readings as JSON lines: read back by Python's own reader."""

from __future__ import annotations

import csv
import json
from pathlib import Path

from typer.testing import CliRunner

from logger.cli import app
from logger.exports.json_lines import write_json_lines
from logger.exports.tables import Column
from tests.report.records import RUN, listed, readings, write_journal


def test_it_says_what_the_csv_says(tmp_path: Path) -> None:
    journal = tmp_path / "journal.sqlite"
    write_journal(journal, listed(RUN, readings(60.0)))
    for name in ("all.csv", "all.jsonl"):
        done = CliRunner().invoke(app, ["export", "--journal", str(journal), "-o", str(tmp_path / name)])
        assert done.exit_code == 0, done.output
    with (tmp_path / "all.csv").open(newline="", encoding="utf-8") as file:
        rows = [{key: cell or None for key, cell in row.items()} for row in csv.DictReader(file)]
    lines = (tmp_path / "all.jsonl").read_text("utf-8").splitlines()
    assert len(lines) > 100
    assert [json.loads(line) for line in lines] == rows


def test_hostile_cells_stay_within_their_line(tmp_path: Path) -> None:
    target, table = tmp_path / "hostile.jsonl", [Column("a", "", ""), Column("b", "kg", "")]
    assert write_json_lines(target, table, [["two\r\nlines", '"=\\']]) == 1
    text = target.read_bytes()
    assert text.count(b"\n") == 1
    assert json.loads(text) == {"a": "two\r\nlines", "b [kg]": '"=\\'}
