"""The command line in this process, against a board with a desk of the test's own."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from click.testing import Result
from typer.testing import CliRunner

from logger.board.client import DaemonClient
from logger.cli import app
from logger.commands import shared
from tests.board.fake_desk import TOKEN, FakeDesk, served
from tests.board.snapshots import calm

Run = Callable[..., Result]


@pytest.fixture(scope="module")
def _shared() -> Iterator[tuple[FakeDesk, str]]:
    desk = FakeDesk(calm())
    with served(desk) as board:
        yield desk, board.url


@pytest.fixture
def desk(_shared: tuple[FakeDesk, str]) -> FakeDesk:
    """The desk behind the command line, as new; it is 2026-03-02, 14:30 in the bay."""
    _shared[0].reset(
        calm() | {"time_zone": "Europe/Vienna", "at": "2026-03-02T13:30:00.000Z", "weighing": []}
    )
    return _shared[0]


@pytest.fixture
def run(desk: FakeDesk, _shared: tuple[FakeDesk, str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """``run("say", "note", "x")``; ``.stdout``, ``.stderr`` and ``.exit_code`` tell."""
    monkeypatch.setattr(shared, "_client", lambda config: DaemonClient(_shared[1], TOKEN))
    runner = CliRunner(env={"NO_COLOR": "1", "COLUMNS": "200", "TALLYDECK_WHO": ""})
    return lambda *arguments, **more: runner.invoke(app, list(arguments), **more)


def words(desk: FakeDesk) -> list[dict[str, Any]]:
    """What was submitted, without ids and what was left out."""
    return [
        {key: value for key, value in body.items() if key != "id" and value not in ("", [])}
        for body, _ in desk.submitted
    ]
