"""The run report: true to the record, the same to the byte, and open about what is not known."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner

from logger.cli import app
from logger.report.photographs import PhotographError, small_jpeg
from logger.report.record import folded, record_of
from logger.report.run import run_report


def test_the_page_tells_the_result_and_how_it_is_known(assayed_journal: Path) -> None:
    record = record_of(folded(assayed_journal))
    page = run_report(record)
    assert "Report of run run-1, lot L-0412" in page
    assert "of the bronze that was fed" in page
    assert record.fingerprint.digest in page
    assert "concentrate" in page
    assert "Yields before and after each change" in page
    assert "tilt 4.0 deg*" in page
    assert "cleared the concentrate launder" in page
    assert "<script" not in page


def test_the_same_journal_gives_the_same_bytes(run_journal: Path) -> None:
    first, second = (run_report(record_of(folded(run_journal))) for _ in range(2))
    assert first == second
    assert "estimated, since not every grade behind it was measured" in first


def test_the_command_writes_a_page_and_refuses_what_it_cannot(run_journal: Path, tmp_path: Path) -> None:
    target = tmp_path / "out.html"
    asked = ["report", "run-1", "--journal", str(run_journal), "-o", str(target)]
    assert CliRunner().invoke(app, asked).exit_code == 0
    assert target.read_text("utf-8").startswith("<!doctype html>")
    assert CliRunner().invoke(app, [*asked[:1], "run-9", *asked[2:]]).exit_code == 65
    assert CliRunner().invoke(app, [*asked, "--paper", "a3"]).exit_code == 64


def test_a_photograph_loses_where_it_was_taken(tmp_path: Path) -> None:
    path, exif = tmp_path / "p.jpg", Image.Exif()
    exif[0x010E] = "at the back door"
    Image.new("RGB", (3000, 20)).save(path, exif=exif)
    made = small_jpeg(path)
    assert b"back door" in path.read_bytes()
    assert b"back door" not in made
    with pytest.raises(PhotographError, match="not there"):
        small_jpeg(tmp_path / "none.jpg")
