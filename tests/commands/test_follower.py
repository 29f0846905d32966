"""`tallydeck follower`: the table, what was set aside, and sending again by the bay's clock."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator

import pytest
from click.testing import Result
from typer.testing import CliRunner

from logger.board.client import DaemonClient
from logger.board.follower_routes import FollowerRefused
from logger.cli import app
from logger.commands import shared
from logger.commands.follower import span
from tests.board.fake_desk import TOKEN, FakeDesk, served
from tests.board.observations import Told, standing
from tests.board.snapshots import calm

Run = Callable[..., Result]


@pytest.fixture(scope="module")
def _served() -> Iterator[tuple[Told, str]]:
    told = Told()
    desk = FakeDesk(calm() | {"time_zone": "Europe/Vienna", "at": "2026-03-02T13:30:00.000Z"})
    with served(desk, observer=told, followers=told) as board:
        yield told, board.url


@pytest.fixture
def told(_served: tuple[Told, str]) -> Told:
    _served[0].reset()
    return _served[0]


@pytest.fixture
def run(_served: tuple[Told, str], told: Told, monkeypatch: pytest.MonkeyPatch) -> Run:
    """``run("list")``; it is 2026-03-02, 14:30 in the bay."""
    monkeypatch.setattr(shared, "_client", lambda config: DaemonClient(_served[1], TOKEN))
    runner = CliRunner(env={"NO_COLOR": "1", "COLUMNS": "200"})
    return lambda *arguments: runner.invoke(app, ["follower", *arguments])


def test_the_table_says_how_far_each_is_behind_and_why(run: Run, told: Told) -> None:
    trouble = "http://localhost:8086 does not answer; start the store"
    told.stands = [
        standing("store", state="retrying", lag_s=0.4, backlog_s=18_720.0, message=trouble),
        standing("broker"),
    ]
    done = run("list")
    assert done.exit_code == 0
    head, store, broker = done.stdout.splitlines()
    assert head.split() == [
        "name",
        "state",
        "lag",
        "backlog",
        "delivered",
        "to",
        "send",
        "set",
        "aside",
        "last",
        "trouble",
    ]
    assert store.split()[:9] == ["store", "retrying", "0.4", "s", "5.2", "h", "8", "0", "1"]
    assert store.endswith(trouble)
    assert broker.split() == ["broker", "live", "0.4", "s", "0.4", "s", "8", "0", "1"]


def test_json_is_the_apis_own(run: Run, told: Told) -> None:
    told.stands = [standing("store")]
    assert json.loads(run("list", "--json").stdout) == told.stands


def test_a_bay_that_keeps_to_itself_says_so_beside_the_data(run: Run) -> None:
    done = run("list")
    assert (done.exit_code, done.stdout) == (0, "")
    assert "[store] and [mqtt]" in done.stderr


def test_what_was_set_aside_is_shown_by_the_bays_clock(run: Run, told: Told) -> None:
    told.asides["store"] = [
        {"seq": 41, "at": "2026-03-02T05:10:00.000Z", "reason": "field type conflict", "text": "reading kg=1"}
    ]
    done = run("aside", "store")
    assert done.exit_code == 0
    assert "2026-03-02 06:10:00" in done.stdout
    assert "field type conflict" in done.stdout
    assert json.loads(run("aside", "store", "--json").stdout) == told.asides["store"]


def test_a_store_that_took_everything_is_said_beside_the_data(run: Run, told: Told) -> None:
    told.asides["store"] = []
    done = run("aside", "store")
    assert (done.exit_code, done.stdout) == (0, "")
    assert "took everything" in done.stderr


@pytest.mark.parametrize(
    ("options", "asked"),
    [
        (["--run", "run-3"], {"run": "run-3"}),
        (["--lot", "L-0412"], {"lot": "L-0412"}),
        (
            ["--from", "06:10", "--to", "2026-03-02 07:30"],
            {"from": "2026-03-02T06:10:00+01:00", "to": "2026-03-02T07:30:00+01:00"},
        ),
    ],
)
def test_again_takes_a_run_a_lot_or_a_stretch(
    run: Run, told: Told, options: list[str], asked: dict[str, str]
) -> None:
    """The count is the data; how times were understood is a message."""
    done = run("again", "store", *options)
    assert (done.exit_code, done.stdout) == (0, "7\n")
    assert told.asked == [("store", asked)]
    assert ("from is 2026-03-02 06:10:00 (Europe/Vienna)" in done.stderr) == ("--from" in options)


@pytest.mark.parametrize(
    "options", [[], ["--run", "r", "--lot", "L"], ["--from", "06:10"], ["--run", "r", "--to", "06:10"]]
)
def test_again_without_one_clear_wish_is_a_usage_error(run: Run, told: Told, options: list[str]) -> None:
    done = run("again", "store", *options)
    assert (done.exit_code, done.stdout, told.asked) == (64, "", [])
    assert "--run RUN" in done.stderr


def test_a_time_that_is_none_is_wrong_data(run: Run, told: Told) -> None:
    done = run("again", "store", "--from", "25:10", "--to", "07:00")
    assert (done.exit_code, told.asked) == (65, [])
    assert "from:" in done.stderr


def test_the_wrong_way_round_is_wrong_data(run: Run, told: Told) -> None:
    done = run("again", "store", "--from", "07:00", "--to", "06:00")
    assert (done.exit_code, told.asked) == (65, [])
    assert "to is before from" in done.stderr


def test_a_run_that_is_not_there_is_wrong_data(run: Run, told: Told) -> None:
    told.put_back = FollowerRefused(404, "no-such-run", "There is no run named 'x'", "Look at /api/v1/runs.")
    done = run("again", "store", "--run", "x")
    assert (done.exit_code, done.stdout) == (65, "")
    assert "no run named 'x'" in done.stderr


def test_an_unknown_follower_is_wrong_data(run: Run) -> None:
    assert run("aside", "nobody").exit_code == 65


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.0, "0.0 s"), (119.0, "119.0 s"), (720.0, "12.0 min"), (18_720.0, "5.2 h"), (604_800.0, "7.0 d")],
)
def test_a_span_is_said_in_the_unit_it_is_read_in(seconds: float, text: str) -> None:
    assert span(seconds) == text
