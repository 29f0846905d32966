"""The HTTP API: what is read, what an action brings, and errors as RFC 9457 problem details."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from logger.board import routes
from logger.board.desk import Answer
from logger.core.actions.schema import schema
from tests.board.fake_desk import FakeDesk

NOTE = {"action": "note", "text": "wet hands"}


def test_state_is_the_snapshot(ask: httpx.Client, desk: FakeDesk) -> None:
    desk.show(bay="another bay")
    assert ask.get("/api/v1/state").json() == desk.snapshot()


def test_a_figure_that_is_no_number_becomes_null(ask: httpx.Client, desk: FakeDesk) -> None:
    """JSON (RFC 8259) has no NaN; a page could not read it."""
    desk.show(stations=[{"feed": {"rate_kg_h": float("nan"), "all": (float("inf"), 1.5)}}])
    assert ask.get("/api/v1/state").json()["stations"] == [{"feed": {"rate_kg_h": None, "all": [None, 1.5]}}]


def test_lots_and_runs(ask: httpx.Client, desk: FakeDesk) -> None:
    desk.lots_list = [{"lot": "L-0412"}]
    desk.runs_list = [{"run": "L-0412/1"}]
    assert ask.get("/api/v1/lots").json() == desk.lots_list
    assert ask.get("/api/v1/runs").json() == desk.runs_list


def test_what_was_said(ask: httpx.Client, desk: FakeDesk) -> None:
    desk.said_list = [{"entry": 41, "action": "note", "state": "stands"}]
    assert ask.get("/api/v1/said").json() == desk.said_list


def test_the_record_of_a_run(ask: httpx.Client, desk: FakeDesk) -> None:
    desk.records["r 1"] = {"run": "r 1", "events": []}
    assert ask.get("/api/v1/runs/r%201/record").json() == {"run": "r 1", "events": []}
    missing = ask.get("/api/v1/runs/none/record")
    assert (missing.status_code, missing.json()["code"]) == (404, "no-such-run")
    unreadable = ask.get("/api/v1/runs/unreadable/record")
    assert (unreadable.status_code, unreadable.json()["code"]) == (503, "record-unreadable")
    assert "the disk answers with an error" in unreadable.json()["detail"]


def test_the_last_minutes_of_a_station(ask: httpx.Client) -> None:
    """Ten, or as many as asked for within reason."""
    assert ask.get("/api/v1/stations/table%201/strips").json() == {"station": "table 1", "minutes": 10}
    assert ask.get("/api/v1/stations/table%201/strips?minutes=60").json()["minutes"] == 60
    missing = ask.get("/api/v1/stations/none/strips")
    assert (missing.status_code, missing.json()["code"]) == (404, "no-such-station")


@pytest.mark.parametrize(
    "minutes", ["0", "61", "-1", "x", "", "1" * 5000, "0010999999", "0010" + "0" * 5000, "١"]
)
def test_minutes_that_make_no_sense_are_refused(ask: httpx.Client, minutes: str) -> None:
    refused = ask.get("/api/v1/stations/table%201/strips", params={"minutes": minutes})
    assert (refused.status_code, refused.json()["code"]) == (422, "bad-minutes")


def test_a_runs_tally(ask: httpx.Client, desk: FakeDesk) -> None:
    desk.runs_list = [{"run": "r 1"}]
    assert ask.get("/api/v1/runs/r%201/tally").json() == {"run": "r 1"}


def test_a_runs_name_may_hold_a_slash(ask: httpx.Client, desk: FakeDesk) -> None:
    desk.runs_list = [{"run": "L-0412/1"}]
    assert ask.get("/api/v1/runs/L-0412%2F1/tally").json() == {"run": "L-0412/1"}


def test_no_such_run(ask: httpx.Client) -> None:
    assert ask.get("/api/v1/runs/none/tally").json()["code"] == "no-such-run"


def test_an_action_is_entered(ask: httpx.Client, desk: FakeDesk) -> None:
    desk.answer = Answer(True, seq=41, recorded=False, data={"run": "L-0412/2"})
    answer = ask.post("/api/v1/actions", json={"action": "start-run", "lot": "L-0412"})
    assert answer.status_code == 200
    assert answer.json() == {
        "accepted": True,
        "reason": "",
        "seq": 41,
        "recorded": False,
        "repeated": False,
        "data": {"run": "L-0412/2"},
    }
    assert desk.submitted[0][0]["lot"] == "L-0412"


def test_a_refusal_is_a_problem(ask: httpx.Client, desk: FakeDesk) -> None:
    """RFC 9457: media type, title, status and detail; about:blank's title is the status phrase."""
    desk.answer = Answer(False, "there is no lot L-9")
    answer = ask.post("/api/v1/actions", json={"action": "start-run", "lot": "L-9"})
    body = answer.json()
    assert answer.status_code == body["status"] == 409
    assert answer.headers["content-type"] == "application/problem+json"
    assert (body["type"], body["title"], body["detail"]) == (
        "about:blank",
        "Conflict",
        "there is no lot L-9",
    )
    assert body["answer"]["accepted"] is False


@pytest.mark.parametrize(
    ("action", "place", "remedy"),
    [
        ({"action": "open-lot"}, "lot", 'give "lot"'),
        ({"action": "note", "text": "x", "colour": 1}, "colour", "spelt"),
        ({"action": "fly"}, "action", "open-lot"),
        ({}, "action", "open-lot"),
        ({"action": "open-lot", "lot": "L", "gross": -1}, "gross", "at least 0"),
        ({"action": "open-lot", "lot": "L", "moisture": 6}, "moisture", "at most 1"),
        ({"action": "open-lot", "lot": "L", "gross": "12 stones"}, "gross", ""),
        ({"action": "open-lot", "lot": "L\u0000"}, "lot", "printable"),
        ({"action": "open-lot", "lot": ""}, "lot", "one character"),
        ({"action": "open-lot", "lot": "L", "gross": 1, "tare": 2}, "action", ""),
        ({"action": "end-run", "time": "2030-05-04T12:00:00"}, "time", "offset"),
        ({"action": "end-run", "time": "yesterday"}, "time", "offset"),
        ({"action": "settings", "values": {"tilt": 4}}, "values.tilt", "quotation"),
        ({"action": "correct", "recognised": "a#1", "was": "sand"}, "was", "'product'"),
        ({"action": "shelve", "alarm": "a", "minutes": 0}, "minutes", "more than 0"),
    ],
)
def test_a_fault_has_place_message_and_remedy(
    action: dict[str, Any], place: str, remedy: str, ask: httpx.Client, desk: FakeDesk
) -> None:
    answer = ask.post("/api/v1/actions", json=action)
    body = answer.json()
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    (error,) = body["errors"]
    assert set(error) == {"place", "found", "allowed", "message", "remedy"}
    assert error["place"] == place
    assert error["message"]
    assert remedy in error["remedy"]
    assert desk.submitted == []


def test_the_schema_of_the_actions_is_served(ask: httpx.Client) -> None:
    assert ask.get("/api/v1/actions/schema").json() == schema()


def test_all_faults_at_once(ask: httpx.Client) -> None:
    answer = ask.post("/api/v1/actions", json={"action": "open-lot", "gross": -1, "colour": 1})
    assert {error["place"] for error in answer.json()["errors"]} == {"lot", "gross", "colour"}


@pytest.mark.parametrize("body", [b"", b"{", b"[1]", b'"x"', b"\xff\xfe", b"[" * 60_000, b"null"])
def test_what_is_no_json_object(body: bytes, ask: httpx.Client, desk: FakeDesk) -> None:
    answer = ask.post("/api/v1/actions", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["place"] == "body"
    assert desk.submitted == []


@pytest.mark.parametrize(
    "kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""]
)
def test_only_json_is_read(kind: str, ask: httpx.Client, desk: FakeDesk) -> None:
    """What a foreign page's form can send without asking first is not read at all."""
    answer = ask.post("/api/v1/actions", content=b'{"action":"end-run"}', headers={"Content-Type": kind})
    assert answer.status_code == 415
    assert desk.submitted == []


def test_bodies_are_bounded(ask: httpx.Client, desk: FakeDesk) -> None:
    """Told in advance or sent in chunks: 64 KiB and no more."""

    def chunks() -> Iterator[bytes]:
        for _ in range(20):
            yield b" " * 8192

    headers = {"Content-Type": "application/json"}
    assert ask.post("/api/v1/actions", content=b" " * 70_000, headers=headers).status_code == 413
    assert ask.post("/api/v1/actions", content=chunks(), headers=headers).status_code == 413
    assert desk.submitted == []


def test_a_body_at_the_bound_is_read(ask: httpx.Client, desk: FakeDesk) -> None:
    action = b'{"action":"end-run"}'
    content = action + b" " * (routes.MOST_BODY - len(action))
    headers = {"Content-Type": "application/json"}
    assert ask.post("/api/v1/actions", content=content, headers=headers).status_code == 200


def test_no_answer_in_time(ask: httpx.Client, desk: FakeDesk) -> None:
    desk.answer = TimeoutError()
    answer = ask.post("/api/v1/actions", json=NOTE)
    assert answer.status_code == 504
    assert "same id" in answer.json()["do"]


def test_a_fault_inside_is_told_without_its_insides(ask: httpx.Client, desk: FakeDesk) -> None:
    """500 as a problem; no trace of the code goes out, and the board goes on."""
    desk.answer = RuntimeError("secret inside")
    answer = ask.post("/api/v1/actions", json=NOTE)
    assert answer.status_code == 500
    assert answer.headers["content-type"] == "application/problem+json"
    assert "secret" not in answer.text
    assert ask.get("/api/v1/livez").status_code == 200


@pytest.mark.parametrize(
    "path", ["/nowhere", "/api/v1/", "/docs", "/openapi.json", "/static/", "/static/x.js"]
)
def test_what_is_not_served(path: str, ask: httpx.Client) -> None:
    answer = ask.get(path)
    assert answer.status_code == 404
    assert answer.json()["code"] == "not-served"
