"""Reports over the API: the command line's own file, to the byte, with a policy that lets it do nothing."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import httpx
import pytest
from typer.testing import CliRunner

from logger.board import apart, report_routes
from logger.cli import app
from tests.board.fake_desk import FakeDesk
from tests.report.records import RUN, listed, readings, write_journal


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("record") / "journal.sqlite"
    write_journal(path, listed(RUN, readings(200.0)))
    return path


@pytest.fixture
def desk(desk: FakeDesk, journal: Path) -> FakeDesk:
    desk.journal_path, desk.runs_list = journal, [{"run": "run-1"}, {"run": "--help"}]
    return desk


def test_the_page_is_the_commands_own(
    ask: httpx.Client, desk: FakeDesk, journal: Path, tmp_path: Path
) -> None:
    answer = ask.get("/api/v1/runs/run-1/report.html?paper=letter", timeout=60)
    target = tmp_path / "r.html"
    asked = ["report", "run-1", "--journal", str(journal), "--paper", "letter", "-o", str(target)]
    assert CliRunner().invoke(app, asked).exit_code == 0
    assert (answer.status_code, answer.content) == (200, target.read_bytes())
    policy = answer.headers["content-security-policy"]
    assert "script-src" not in policy
    assert policy.startswith("default-src 'none'")
    assert policy.endswith("sandbox")


def test_a_run_may_be_named_like_an_option(ask: httpx.Client, desk: FakeDesk) -> None:
    """It is a run that the journal lacks, and no call for help."""
    answer = ask.get("/api/v1/runs/--help/report.html", timeout=60)
    assert (answer.status_code, answer.json()["code"]) == (500, "failed")
    assert 'there is no run "--help" in this record' in answer.json()["detail"]


@pytest.mark.parametrize(
    ("path", "status", "code"),
    [
        ("runs/none/report.html", 404, "no-such-run"),
        ("runs/none/report.pdf", 404, "no-such-run"),
        ("runs/run-1/report.pdf?paper=a3", 422, "no-such-paper"),
    ],
)
def test_what_there_is_not(path: str, status: int, code: str, ask: httpx.Client, desk: FakeDesk) -> None:
    answer = ask.get(f"/api/v1/{path}")
    assert (answer.status_code, answer.json()["code"]) == (status, code)


def test_one_that_takes_too_long_is_ended(
    ask: httpx.Client, desk: FakeDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(report_routes, "drawn", partial(apart.drawn, timeout_s=0.01))
    answer = ask.get("/api/v1/runs/run-1/report.html")
    assert (answer.status_code, answer.json()["code"]) == (504, "too-long")
