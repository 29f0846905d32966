"""Who may talk to the board: RFC 6750 tokens, cookies, Fetch Metadata, and the host's name."""

from __future__ import annotations

from http.cookies import SimpleCookie

import httpx
import pytest

from logger.board.server import BoardServer
from tests.board.fake_desk import TOKEN, FakeDesk, served

NOTE = {"action": "note", "text": "wet hands"}
READS = ["/api/v1/state", "/api/v1/events", "/api/v1/lots", "/api/v1/runs", "/api/v1/runs/r/tally"]


def own_origin(board: BoardServer) -> str:
    return board.url.rstrip("/")


@pytest.mark.parametrize("path", READS)
def test_reads_need_a_caller(path: str, stranger: httpx.Client) -> None:
    """Without session or token nothing is told (RFC 6750 section 3)."""
    answer = stranger.get(path)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"].startswith("Bearer")
    assert answer.json()["do"]


@pytest.mark.parametrize("given", ["Bearer wrong-token-0123456789", "Bearer", "Basic abc", "Bearer é"])
def test_a_wrong_token_is_refused(given: str, stranger: httpx.Client, desk: FakeDesk) -> None:
    headers = {"Authorization": given.encode()}
    assert stranger.post("/api/v1/actions", json=NOTE, headers=headers).status_code in {401, 403}
    assert stranger.get("/api/v1/state", headers=headers).status_code == 401
    assert desk.submitted == []


def test_health_is_open(own_desk: FakeDesk) -> None:
    """A supervisor asks for health without a token, and learns no figure."""
    with served(own_desk) as board:
        assert httpx.get(f"{board.url}api/v1/livez", trust_env=False).json() == {"alive": True}
        ready = httpx.get(f"{board.url}api/v1/readyz", trust_env=False).json()
    assert ready["ready"] is True
    assert set(ready) == {"ready", "age_s", "followers", "behind"}


def test_the_pages_cookie(stranger: httpx.Client, board: BoardServer) -> None:
    """HttpOnly, SameSite=Strict, at least 128 bits, and named by port, since cookies ignore ports."""
    (morsel,) = SimpleCookie(stranger.get("/").headers["set-cookie"]).values()
    assert morsel["httponly"] is True
    assert morsel["samesite"].lower() == "strict"
    assert len(morsel.value) * 6 >= 128
    assert morsel.key.endswith(board.url.rsplit(":", 1)[1].strip("/"))


def test_the_page_reads_with_its_cookie(stranger: httpx.Client) -> None:
    stranger.get("/")
    assert stranger.get("/api/v1/state").json()["bay"] == "sweepings bay"
    assert "set-cookie" not in stranger.get("/").headers, "an open session is kept"


def test_the_page_acts_from_its_own_origin(
    stranger: httpx.Client, board: BoardServer, desk: FakeDesk
) -> None:
    """Sec-Fetch-Site says so; where a browser lacks it, Origin does."""
    stranger.get("/")
    for headers in ({"Sec-Fetch-Site": "same-origin"}, {"Origin": own_origin(board)}):
        assert stranger.post("/api/v1/actions", json=NOTE, headers=headers).status_code == 200
    assert [who for _, who in desk.submitted] == ["board", "board"]


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "none"},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://evil.example", "Sec-Fetch-Site": "same-origin"},
        {"Origin": "http://127.0.0.1:1"},
    ],
)
def test_another_sites_page_cannot_act(
    headers: dict[str, str], stranger: httpx.Client, desk: FakeDesk
) -> None:
    stranger.get("/")
    assert stranger.post("/api/v1/actions", json=NOTE, headers=headers).status_code == 403
    assert desk.submitted == []


def test_the_token_does_not_excuse_a_foreign_page(ask: httpx.Client, desk: FakeDesk) -> None:
    for headers in ({"Origin": "http://evil.example"}, {"Sec-Fetch-Site": "cross-site"}):
        assert ask.post("/api/v1/actions", json=NOTE, headers=headers).status_code == 403
    assert desk.submitted == []


def test_a_client_acts_with_the_token(ask: httpx.Client, desk: FakeDesk) -> None:
    assert ask.post("/api/v1/actions", json=NOTE).status_code == 200
    assert desk.submitted[0][1] == "client"


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example", ""])
@pytest.mark.parametrize("path", ["/", "/api/v1/state", "/static/main.js", "/api/v1/livez"])
def test_a_rebound_name_is_refused(host: str, path: str, ask: httpx.Client) -> None:
    """DNS rebinding: another name for this address is misdirected (RFC 9110 section 7.4)."""
    answer = ask.get(path, headers={"Host": host})
    assert answer.status_code == 421
    assert "set-cookie" not in answer.headers


def test_localhost_is_a_name_of_it(ask: httpx.Client, board: BoardServer) -> None:
    port = board.url.rsplit(":", 1)[1].strip("/")
    assert ask.get("/api/v1/state", headers={"Host": f"localhost:{port}"}).status_code == 200


@pytest.mark.parametrize("path", ["/", "/static/main.js", "/api/v1/state", "/nowhere", "/static/../guard.py"])
def test_every_answer_carries_the_headers(path: str, ask: httpx.Client) -> None:
    """Content Security Policy level 3 without inline script or style, and no sniffing or framing."""
    headers = ask.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy
    assert "style-src 'self';" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert "cache-control" in headers


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(method: str, ask: httpx.Client) -> None:
    assert ask.request(method, "/api/v1/actions").status_code == 405


@pytest.mark.parametrize("path", READS[:1] + READS[2:] + ["/", "/api/v1/actions", "/api/v1/livez"])
def test_a_read_changes_nothing(path: str, ask: httpx.Client, desk: FakeDesk) -> None:
    """GET with an action in its query or body is still only a read."""
    ask.get(path, params={"action": "note", "text": "x"})
    ask.request("GET", path, json=NOTE)
    assert desk.submitted == []


def test_a_foreign_page_cannot_embed(stranger: httpx.Client) -> None:
    """An image or script tag on another site gets nothing and opens no session."""
    answer = stranger.get("/", headers={"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"})
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


def test_the_token_is_compared_whole(stranger: httpx.Client) -> None:
    for token in (TOKEN[:-1], TOKEN + "x", TOKEN.upper()):
        assert stranger.get("/api/v1/state", headers={"Authorization": f"Bearer {token}"}).status_code == 401


def test_a_program_without_a_token_is_told_where_it_is(own_desk: FakeDesk) -> None:
    """The most likely mistake of who writes a first script: the answer names the file and the header."""
    with served(own_desk, token_file="/var/lib/tallydeck/token") as board:
        answer = httpx.post(f"{board.url}api/v1/actions", json=NOTE, trust_env=False)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"].startswith("Bearer")
    assert "/var/lib/tallydeck/token" in answer.json()["do"]
    assert "Authorization: Bearer" in answer.json()["do"]
    assert TOKEN not in answer.text
    assert own_desk.submitted == []


@pytest.mark.parametrize("path", ["/", "/static/main.js", "/api/v1/livez", "/api/v1/state", "/nowhere"])
def test_head_answers_as_get_does_without_a_body(path: str, ask: httpx.Client) -> None:
    """RFC 9110 section 9.3.2."""
    got, head = ask.get(path), ask.head(path)
    assert head.status_code == got.status_code
    assert head.content == b""
    for name in ("content-type", "content-length", "etag", "cache-control"):
        assert head.headers.get(name) == got.headers.get(name)


def test_a_head_opens_no_session(stranger: httpx.Client) -> None:
    """A monitor that asks every minute would push the sessions of people out."""
    assert "set-cookie" not in stranger.head("/").headers
    assert stranger.head("/api/v1/state").status_code == 401


def test_the_head_of_a_stream_is_not_given(ask: httpx.Client) -> None:
    answer = ask.head("/api/v1/events")
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET"
