"""Weigh-ups over the API."""

from __future__ import annotations

import subprocess
import sys
from datetime import datetime, timedelta
from functools import partial

import httpx
import pytest

from logger.balance.document import CheckWeight, Scale, Stream, WeighUp
from logger.balance.faults import WeighUpError
from logger.board import apart, balancing, weigh_ups
from logger.board.client import DaemonClient
from logger.board.server import BoardServer
from tests.board.fake_desk import TOKEN, FakeDesk

DOCUMENT = WeighUp(streams={"feed": Stream(net=30.0), "tailings": Stream(net=20.0, u=0.01)})


@pytest.mark.parametrize("path", ["runs", "lots"])
def test_a_weigh_up_is_a_document_that_can_be_read_again(
    path: str, ask: httpx.Client, desk: FakeDesk
) -> None:
    desk.weigh_ups = {"L-0412/1": DOCUMENT}
    told = ask.get(f"/api/v1/{path}/L-0412%2F1/weigh-up").json()
    assert told == {"streams": {"feed": {"net": 30.0}, "tailings": {"net": 20.0, "u": 0.01}}}
    assert WeighUp.model_validate(told) == DOCUMENT


@pytest.mark.parametrize("path", ["runs", "lots"])
def test_a_weigh_up_of_what_there_is_not(path: str, ask: httpx.Client, desk: FakeDesk) -> None:
    answer = ask.get(f"/api/v1/{path}/none/weigh-up")
    assert (answer.status_code, answer.json()["code"]) == (404, f"no-such-{path[:-1]}")


def test_a_program_fetches_them(board: BoardServer, desk: FakeDesk) -> None:
    client = DaemonClient(board.url, TOKEN)
    desk.weigh_ups = {"L-0412/1": DOCUMENT}
    assert WeighUp.model_validate(client.weigh_up("L-0412/1")) == DOCUMENT
    assert WeighUp.model_validate(client.lot_weigh_up("L-0412/1")) == DOCUMENT


def test_a_board_that_is_not_asked_for_one_loads_no_balance() -> None:
    """What it brings (numpy) costs a daemon memory."""
    look = "import logger.loop, logger.board.routes, sys; print([m for m in sys.modules if 'balance' in m])"
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_a_weigh_up_that_does_not_fit_together_says_every_fault(ask: httpx.Client, desk: FakeDesk) -> None:
    desk.weigh_ups = {"r": WeighUpError(["streams.feed: one", "streams.tailings: two"])}
    answer = ask.get("/api/v1/runs/r/weigh-up")
    assert answer.status_code == 409
    assert answer.json()["faults"] == ["streams.feed: one", "streams.tailings: two"]
    assert answer.json()["detail"].endswith("streams.feed: one; streams.tailings: two")


@pytest.mark.parametrize("path", ["runs", "lots"])
def test_a_balance_follows_from_the_weigh_up(path: str, ask: httpx.Client, desk: FakeDesk) -> None:
    """30 kg in, 20 kg out by one outlet: the other got 10."""
    streams = {"feed": Stream(net=30.0, u=0.03), "tailings": Stream(net=20.0, u=0.02), "rest": Stream()}
    desk.weigh_ups = {
        "r": WeighUp(streams={name: s.model_copy(update={"dry": True}) for name, s in streams.items()})
    }
    told = ask.get(f"/api/v1/{path}/r/balance?method=linear").json()
    assert told["method"] == "linear"
    assert told["streams"]["rest"]["dry"]["value"] == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("query", "said"),
    [("method=guess", "found 'guess'; allowed: auto, linear"), ("draws=5", "found '5'; allowed: 1000 to")],
)
def test_a_balance_that_is_asked_for_wrongly(
    query: str, said: str, ask: httpx.Client, desk: FakeDesk
) -> None:
    desk.weigh_ups = {"r": DOCUMENT}
    answer = ask.get(f"/api/v1/runs/r/balance?{query}")
    assert (answer.status_code, answer.json()["code"]) == (422, "invalid-query")
    assert said in answer.json()["detail"]


def test_a_balance_of_figures_that_make_no_sense_says_every_fault(ask: httpx.Client, desk: FakeDesk) -> None:
    two = {"feed": Stream(net=30.0, scale="a"), "tailings": Stream(net=20.0, scale="b")}
    desk.weigh_ups = {"r": WeighUp(streams=two)}
    answer = ask.get("/api/v1/runs/r/balance")
    assert (answer.status_code, answer.json()["code"], len(answer.json()["faults"])) == (
        409,
        "no-weigh-up",
        2,
    )


def test_a_balance_that_takes_too_long_is_ended(
    ask: httpx.Client, desk: FakeDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(weigh_ups, "balance", partial(balancing.balance, timeout_s=0.01))
    desk.weigh_ups = {"r": DOCUMENT}
    answer = ask.get("/api/v1/runs/r/balance")
    assert (answer.status_code, answer.json()["code"]) == (504, "too-long")


def test_a_balance_that_breaks_down_says_so(
    ask: httpx.Client, desk: FakeDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(apart.sys, "executable", "/bin/false")
    desk.weigh_ups = {"r": DOCUMENT}
    answer = ask.get("/api/v1/runs/r/balance")
    assert (answer.status_code, answer.json()["code"]) == (500, "failed")


def test_every_scale_stands_with_its_checks_and_their_verdicts(ask: httpx.Client, desk: FakeDesk) -> None:
    """Class III, e 10 g: 1 e is allowed in service up to 500 e (OIML R 76-1, table 6 and 3.5.2)."""
    at = datetime.fromisoformat(desk.snapshot()["at"])
    checks = (
        CheckWeight(nominal=5.0, shown=5.01, at=at - timedelta(days=40)),
        CheckWeight(nominal=5.0, shown=5.02, at=at - timedelta(days=31)),
    )
    bench = Scale(resolution=0.005, verification_interval=0.01, accuracy_class="III", checks=checks)
    desk.scales_known = {"bench": bench, "feed": Scale(resolution=0.01)}
    first, second = ask.get("/api/v1/scales").json()
    assert [(c["shown_kg"], c["error_kg"], c["limit_kg"], c["verdict"]) for c in first["checks"]] == [
        (5.02, 0.02, 0.01, "fails"),
        (5.01, 0.01, 0.01, "passes"),
    ]
    assert (first["class"], first["resolution_kg"], first["drift"]) == ("III", 0.005, None)
    assert [warning.partition(":")[0] for warning in first["warnings"]] == [
        "its last check failed",
        "its last check was 31 days ago; put a check weight on",
    ]
    assert (second["checks"], len(second["warnings"])) == ([], 1)
