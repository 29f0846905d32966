"""Logging in over real HTTP: codes, cookies, waits, who is put down in the record, and the audit."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from http.cookies import SimpleCookie

import httpx
import pytest

from logger.board.access import Access
from logger.board.codes import Codes
from logger.board.roles import Role
from logger.board.server import BoardServer
from logger.board.throttle import ONE
from tests.board.fake_desk import TOKEN, FakeDesk, served
from tests.board.snapshots import calm

OPERATOR, GUEST = "471108", "2222"
NOTE = {"action": "note", "text": "wet hands"}


@pytest.fixture
def desk() -> FakeDesk:
    return FakeDesk(calm())


@pytest.fixture
def board(desk: FakeDesk) -> Iterator[BoardServer]:
    """A board for the network, asked through this computer's own address."""
    access = Access(names=("bay.local",), operator_code=OPERATOR, guest_code=GUEST)
    with served(desk, host="0.0.0.0", access=access) as board:
        yield board


class Browser(httpx.Client):
    """Keeps cookies, and says where its requests come from as a browser does."""

    def __init__(self, board: BoardServer) -> None:
        base = board.local_url.rstrip("/")
        super().__init__(base_url=base, headers={"Origin": base}, trust_env=False, timeout=10)

    def log_in(self, code: str, **more: object) -> httpx.Response:
        return self.post("/api/v1/log-in", json={"code": code, **more})

    def act(self, **more: object) -> httpx.Response:
        return self.post("/api/v1/actions", json=NOTE | more)


@pytest.fixture
def browser(board: BoardServer) -> Iterator[Browser]:
    with Browser(board) as browser:
        yield browser


def test_a_stranger_sees_the_log_in_and_nothing_else(browser: Browser) -> None:
    answer = browser.get("/")
    assert (answer.status_code, answer.headers["location"]) == (303, "/log-in")
    assert "set-cookie" not in answer.headers
    assert "Log in" in browser.get("/log-in").text
    assert browser.get("/api/v1/state").status_code == 401
    assert browser.get("/api/v1/me").json()["role"] == "nobody"


def test_the_operators_code_lets_act(browser: Browser, desk: FakeDesk) -> None:
    """Who acted is the role and the address it came from."""
    assert browser.log_in(OPERATOR).json() == {
        "who": "operator@127.0.0.1",
        "role": "operator",
        "may_act": True,
    }
    assert browser.get("/").status_code == 200
    assert browser.act().status_code == 200
    assert desk.submitted[0][1] == "operator@127.0.0.1"


def test_a_name_stands_in_the_record(browser: Browser, desk: FakeDesk) -> None:
    browser.log_in(OPERATOR, name=" day shift ")
    browser.act()
    assert desk.submitted[0][1] == "day shift@127.0.0.1"


def test_who_logged_in_stays_beside_the_name_an_action_carries(browser: Browser, desk: FakeDesk) -> None:
    """Nobody acts in another's name without a trace."""
    browser.log_in(OPERATOR)
    browser.act(who="client")
    body, who = desk.submitted[0]
    assert body.get("who", "") == ""
    assert who == "client (operator@127.0.0.1)"


@pytest.mark.parametrize("name", ["a@b", "two\nlines", "x" * 41, "\x1b[31m", "\u2028"])
def test_a_name_that_could_mislead_is_refused(name: str, browser: Browser) -> None:
    answer = browser.log_in(OPERATOR, name=name)
    assert answer.status_code == 422
    assert browser.get("/api/v1/state").status_code == 401


def test_the_guests_code_lets_read_and_not_act(browser: Browser, desk: FakeDesk) -> None:
    assert browser.log_in(GUEST).json()["role"] == "guest"
    assert browser.get("/api/v1/state").status_code == 200
    answer = browser.act()
    assert (answer.status_code, answer.json()["code"]) == (403, "not-yours")
    assert desk.submitted == []


@pytest.mark.parametrize("code", ["471109", "47110", "4711088", " 471108", "٤٧١١٠٨", "0"])
def test_a_wrong_code_opens_nothing(code: str, browser: Browser) -> None:
    answer = browser.log_in(code)
    assert (answer.status_code, answer.json()["code"]) == (401, "wrong-code")
    assert "set-cookie" not in answer.headers
    assert browser.get("/api/v1/state").status_code == 401


def test_wrong_codes_make_the_next_wait(browser: Browser) -> None:
    """The right one as well; the answer says how long."""
    waits = [browser.log_in("0000").json()["wait_s"] for _ in range(ONE.free)]
    assert waits == [0] * (ONE.free - 1) + [10]
    answer = browser.log_in(OPERATOR)
    assert (answer.status_code, answer.json()["code"]) == (429, "too-fast")
    assert 1 <= int(answer.headers["retry-after"]) <= 10


def test_who_logged_in_before_is_not_kept_out(browser: Browser, board: BoardServer) -> None:
    """Its session goes on, and its device may log in again, while a stranger at its address guesses."""
    browser.log_in(OPERATOR)
    with Browser(board) as stranger:
        for _ in range(ONE.free):
            stranger.log_in("0000")
        assert stranger.log_in(OPERATOR).status_code == 429
    assert browser.act().status_code == 200
    browser.post("/api/v1/log-out", json={})
    assert browser.act().status_code == 401
    assert browser.log_in(OPERATOR).status_code == 200


def test_the_cookies(browser: Browser, board: BoardServer) -> None:
    """HttpOnly, SameSite=Strict, 256 bits; not Secure without https, or it would never come back."""
    cookies = [next(iter(SimpleCookie(each).values())) for each in set_cookies(browser.log_in(OPERATOR))]
    assert len(cookies) == 2
    for morsel in cookies:
        assert morsel["httponly"] is True
        assert morsel["samesite"].lower() == "strict"
        assert morsel["path"] == "/"
        assert not morsel["secure"]
        assert len(morsel.value) == 43


def set_cookies(answer: httpx.Response) -> list[str]:
    return answer.headers.get_list("set-cookie")


def test_a_session_is_new_at_each_log_in(browser: Browser, board: BoardServer) -> None:
    """A key that somebody planted before, or that was a guest's, is worth nothing after."""
    browser.log_in(GUEST)
    before = dict(browser.cookies)
    browser.log_in(OPERATOR)
    with Browser(board) as old:
        old.cookies.update(before)
        assert old.get("/api/v1/state").status_code == 401


def test_log_out_ends_the_session(browser: Browser) -> None:
    browser.log_in(OPERATOR)
    kept = dict(browser.cookies)
    assert browser.post("/api/v1/log-out", json={}).json() == {"ended": 1}
    browser.cookies.update(kept)
    assert browser.get("/api/v1/state").status_code == 401


def test_an_operator_ends_all_sessions(browser: Browser, board: BoardServer) -> None:
    """A tablet was lost: everybody logs in again."""
    with Browser(board) as lost, Browser(board) as guest:
        lost.log_in(OPERATOR)
        guest.log_in(GUEST)
        browser.log_in(OPERATOR)
        assert guest.post("/api/v1/log-out", json={"everywhere": True}).status_code == 403
        assert browser.post("/api/v1/log-out", json={"everywhere": True}).json() == {"ended": 3}
        assert lost.get("/api/v1/state").status_code == 401


def test_a_stream_ends_with_its_session(browser: Browser, board: BoardServer) -> None:
    browser.log_in(GUEST)
    with Browser(board) as same:
        same.cookies.update(dict(browser.cookies))
        with same.stream("GET", "/api/v1/events") as stream:
            lines = stream.iter_lines()
            assert next(lines) == "id: 100"
            browser.post("/api/v1/log-out", json={})
            rest = list(lines)  # ends: the test would time out otherwise
    assert len(rest) < 40


def test_a_log_in_from_another_site_is_refused(browser: Browser) -> None:
    """Or a page could log its visitor in under a name of its own."""
    for headers in ({"Origin": "http://evil.example"}, {"Origin": "null"}):
        answer = browser.post("/api/v1/log-in", json={"code": OPERATOR}, headers=headers)
        assert answer.status_code == 403


def test_the_board_on_the_network_gives_no_session_away(browser: Browser) -> None:
    """What the page on this computer gets by itself, nobody gets here, not even from this computer."""
    browser.get("/")
    assert not browser.cookies


def test_the_token_still_lets_programs_act(board: BoardServer, desk: FakeDesk) -> None:
    headers = {"Authorization": f"Bearer {TOKEN}"}
    url = f"{board.local_url}api/v1/actions"
    assert httpx.post(url, json=NOTE, headers=headers, trust_env=False).status_code == 200
    assert desk.submitted[0][1] == "client"


def test_guests_without_a_code_read_where_that_is_told(desk: FakeDesk) -> None:
    access = Access(operator_code=OPERATOR, guests=True)
    with served(desk, host="0.0.0.0", access=access) as board, Browser(board) as browser:
        assert browser.get("/").status_code == 200
        assert browser.get("/api/v1/state").status_code == 200
        assert browser.get("/api/v1/me").json()["who"] == "guest@127.0.0.1"
        assert browser.act().status_code == 403
        browser.log_in(OPERATOR)
        assert browser.act().status_code == 200


def test_a_code_is_asked_for_on_this_computer_too_where_one_is_set(desk: FakeDesk) -> None:
    with served(desk, access=Access(operator_code=OPERATOR)) as board, Browser(board) as browser:
        assert browser.get("/").status_code == 303
        assert browser.get("/api/v1/state").status_code == 401
        browser.log_in(OPERATOR)
        assert browser.act().status_code == 200


def test_there_is_no_log_in_where_none_is_needed(desk: FakeDesk) -> None:
    with served(desk) as board, Browser(board) as browser:
        assert browser.get("/log-in").headers["location"] == "/"
        assert browser.log_in("1234").json()["code"] == "no-log-in"
        browser.get("/")
        me = browser.get("/api/v1/me").json()
        assert (me["may_act"], me["log_in"], me["who"]) == (True, False, "board")


@pytest.mark.parametrize(
    "body", [b"", b"{", b"[]", b'{"code": 471108}', b'{"code": ""}', b'{"code":"1","x":1}']
)
def test_a_body_that_is_no_log_in(body: bytes, browser: Browser) -> None:
    answer = browser.post("/api/v1/log-in", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422
    assert "471108" not in answer.text


def test_what_happens_is_written_up(browser: Browser, caplog: pytest.LogCaptureFixture) -> None:
    """Log-ins, refusals and actions with who and from where, findable by kind; never a code."""
    caplog.set_level(logging.INFO, "tallydeck.board")
    browser.log_in("999999")
    browser.get("/api/v1/state")
    browser.log_in(GUEST)
    browser.act()
    browser.log_in(OPERATOR, name="day shift")
    browser.act()
    browser.post("/api/v1/log-out", json={})
    told = [record.tallydeck for record in caplog.records if record.name == "tallydeck.board"]  # type: ignore[attr-defined]
    assert [each["kind"] for each in told] == [
        "log-in-refused",
        "board-refused",
        "log-in",
        "board-refused",
        "log-in",
        "board-action",
        "log-out",
    ]
    assert {each["address"] for each in told} == {"127.0.0.1"}
    assert [each["who"] for each in told if each["kind"] == "board-action"] == ["day shift@127.0.0.1"]
    assert not any(code in caplog.text for code in ("999999", OPERATOR, GUEST))


def test_nobody_can_fill_the_log(browser: Browser, caplog: pytest.LogCaptureFixture) -> None:
    for _ in range(20):
        browser.get("/api/v1/state")
    assert len([record for record in caplog.records if record.name == "tallydeck.board"]) == 1


def test_codes_are_not_kept_readable() -> None:
    codes = Codes(OPERATOR, GUEST)
    assert (codes.role_of(OPERATOR), codes.role_of(GUEST)) == (Role.OPERATOR, Role.GUEST)
    assert OPERATOR.encode() not in b"".join(kept for _, kept in codes._kept)
    assert OPERATOR not in repr(Access(operator_code=OPERATOR))


def test_two_boards_hash_one_code_differently() -> None:
    assert Codes(OPERATOR)._kept != Codes(OPERATOR)._kept
