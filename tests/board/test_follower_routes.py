"""Followers over the API: how they stand, what they set aside, and sending again."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from logger.board.client import ClientError, DaemonClient
from logger.board.follower_routes import FollowerRefused
from tests.board.fake_desk import TOKEN, FakeDesk, served
from tests.board.observations import Told, standing
from tests.board.snapshots import calm


@pytest.fixture(scope="module")
def _served() -> Iterator[tuple[Told, str]]:
    told = Told()
    with served(FakeDesk(calm()), observer=told, followers=told) as board:
        yield told, board.url


@pytest.fixture
def told(_served: tuple[Told, str]) -> Told:
    _served[0].reset()
    return _served[0]


@pytest.fixture
def client(_served: tuple[Told, str], told: Told) -> DaemonClient:
    return DaemonClient(_served[1], TOKEN)


@pytest.fixture
def http(_served: tuple[Told, str], told: Told) -> Iterator[httpx.Client]:
    headers = {"Authorization": f"Bearer {TOKEN}"}
    with httpx.Client(base_url=_served[1], headers=headers, trust_env=False, timeout=10) as asking:
        yield asking


AGAIN = "/api/v1/followers/store/again"


def test_every_follower_is_told(client: DaemonClient, told: Told) -> None:
    told.stands = [standing("store", state="paused", message="wrong token; put it right"), standing("broker")]
    assert client.followers() == told.stands


def test_without_followers_the_list_is_empty(client: DaemonClient) -> None:
    assert client.followers() == []


def test_what_was_set_aside_is_told_up_to_a_limit(client: DaemonClient, told: Told) -> None:
    told.asides["store"] = [{"seq": seq, "at": "", "reason": "r", "text": "t"} for seq in (9, 8, 7)]
    assert [each["seq"] for each in client.follower_aside("store")] == [9, 8, 7]
    assert [each["seq"] for each in client.follower_aside("store", 2)] == [9, 8]


@pytest.mark.parametrize("limit", ["0", "-1", "x", "10001", "9" * 40, "١"])
def test_a_limit_that_is_none_is_a_problem(http: httpx.Client, told: Told, limit: str) -> None:
    told.asides["store"] = []
    answer = http.get("/api/v1/followers/store/aside", params={"limit": limit})
    assert (answer.status_code, answer.json()["code"]) == (422, "invalid-query")


@pytest.mark.parametrize(
    "what",
    [
        {"run": "run-3"},
        {"lot": "L-0412"},
        {"from": "2026-03-02T06:10:00+01:00", "to": "2026-03-02T07:30:00Z"},
    ],
)
def test_what_is_sent_again_is_named_in_three_ways(
    client: DaemonClient, told: Told, what: dict[str, Any]
) -> None:
    assert client.send_again("store", what) == 7
    assert told.asked == [("store", what)]


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({}, "give a run"),
        ({"run": "run-1", "lot": "L"}, "give a run"),
        ({"from": "2026-03-02T06:10:00Z"}, "both from and to"),
        ({"from": "2026-03-02T06:10:00", "to": "2026-03-02T06:20:00Z"}, "has no offset"),
        ({"from": "yesterday", "to": "2026-03-02T06:20:00Z"}, "no"),
        ({"from": "2026-03-02T07:00:00Z", "to": "2026-03-02T06:00:00Z"}, "to is before from"),
        ({"run": ""}, "run"),
        ({"run": "run-1", "gently": True}, "gently"),
        ([], "body"),
    ],
)
def test_a_wish_that_is_none_says_what_is_wrong_with_it(
    http: httpx.Client, told: Told, body: Any, said: str
) -> None:
    answer = http.post(AGAIN, json=body)
    assert (answer.status_code, answer.json()["code"]) == (422, "invalid-request")
    assert said in answer.json()["detail"]
    assert told.asked == []


def test_what_is_no_json_is_a_problem(http: httpx.Client) -> None:
    wrong = http.post(AGAIN, content=b"{", headers={"Content-Type": "application/json"})
    assert (wrong.status_code, wrong.json()["code"]) == (422, "invalid-request")
    assert http.post(AGAIN, content=b"{}").status_code == 415


def test_a_refusal_is_a_problem_with_its_own_words(client: DaemonClient, told: Told) -> None:
    told.put_back = FollowerRefused(404, "no-such-run", "There is no run named 'x'", "Look at /api/v1/runs.")
    with pytest.raises(ClientError, match="no run named 'x'") as caught:
        client.send_again("store", {"run": "x"})
    assert (caught.value.status, caught.value.do) == (404, "Look at /api/v1/runs.")


def test_an_unknown_follower_is_a_problem(client: DaemonClient) -> None:
    with pytest.raises(ClientError, match="no follower named 'nobody'"):
        client.follower_aside("nobody")


def test_a_loop_that_does_not_answer_is_a_problem(client: DaemonClient, told: Told) -> None:
    told.put_back = TimeoutError("the loop did not answer within 5 s")
    with pytest.raises(ClientError, match="did not answer") as caught:
        client.send_again("store", {"run": "run-1"})
    assert caught.value.status == 503


def test_nobody_sends_again_without_the_token(http: httpx.Client, told: Told) -> None:
    answer = http.post(AGAIN, json={"run": "run-1"}, headers={"Authorization": "Bearer wrong"})
    assert answer.status_code == 401
    assert told.asked == []
